"""Frames in which the axis moved are not settled; frames at rest are, under a cloud, too."""

from __future__ import annotations

import numpy as np
import pytest
import turns_while_exposing
from images.starfield import Field, mono_frame, random_stars

from polewright.calculation.geometry.solution import Solution
from polewright.calculation.images.detect import detect_stars
from polewright.foundation.angles import ARCSEC
from polewright.observing.rig.undivided_light import LightMemory


@pytest.mark.parametrize("seed", [3, 6, 8, 10, 11])
def test_a_turn_during_the_exposure_is_not_settled_at_the_old_place(seed: int) -> None:
    """Of 1 to 30 arcmin; 13 to 84 % of the light lie where the axis stood before. All of these
    were called settled there once."""
    outcome = turns_while_exposing.with_turn(seed)

    assert outcome.stayed < turns_while_exposing.LEAST_SHARE
    assert not outcome.wrong


@pytest.mark.parametrize("kind", ["cloud comes at once", "wind"])
def test_frames_at_rest_stay_readable(kind: str) -> None:
    """Each frame loses another 5 to 50 % of the light, or is shaken: all are settled but the first
    under a cloud, which may ask for one more."""
    states = [outcome.state for outcome in turns_while_exposing.at_rest(kind, 1, 4)]

    assert states[1:] == ["settled"] * 3


def test_without_one_known_star_it_stays_open_where_the_light_is() -> None:
    """Its stars lie where the solution has none: nothing is said against the frame, and nothing
    vouches for it."""
    rng = np.random.default_rng(5)
    x, y, flux = random_stars(rng, 40, 400, 300)
    frame = mono_frame(Field(400, 300, x, y, flux), rng)
    stars = detect_stars(frame)
    solution = Solution(
        solver="", attitude_icrs=np.eye(3), parity=1, scale=3.0 * ARCSEC,
        pixels=np.column_stack([stars.x, stars.y]) + 1000.0,
        icrs=np.tile([0.0, 0.0, 1.0], (len(stars), 1)),
        sigma_px=stars.sigma_px, covariance=np.eye(3), rms_px=0.1, width=400, height=300,
        matched=len(stars),
    )  # fmt: skip
    light = LightMemory().judge(None, frame, stars, solution, 2026.0)  # type: ignore[arg-type]

    assert len(stars) >= 10
    assert (light.brightness, light.elsewhere, light.hidden) == (1.0, 0.0, 1.0)
