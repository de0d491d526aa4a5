"""The quick look: what it finds is where the camera points, and otherwise it finds nothing."""

from __future__ import annotations

import dataclasses
from typing import Any, cast

import numpy as np
import pytest
from bench_frames import UTC_S, Studio, turned

from polewright.calculation.geometry.rotation import rotation_about
from polewright.calculation.images.detect import detect_stars
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, separation
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import SolveError
from polewright.observing.rig.live_solve import Near
from polewright.observing.rig.plate_solver import PlateSolver, ScaleContradicts
from polewright.solving.errors import SolutionRejected
from polewright.solving.registry import load_solver


class Night:
    """A camera at 200 mm whose first frame is solved."""

    def __init__(self) -> None:
        self.studio = Studio(2, focal_mm=200.0, seed=4)
        self.truth = self.studio.anywhere()
        first = self.studio.shoot(self.truth)
        self.stars = detect_stars(first.frame)
        self.plates = PlateSolver(
            load_solver("embedded"),
            self.studio.site,
            self.studio.air,
            nominal_scale=self.studio.scale,
            hint_radius=3.0 * DEG,
            blind=False,
            timeout_s=30.0,
        )
        self.plates.solve(self.stars, first.frame, first.hint.centre_icrs, CancelToken())

    def look(self, angle: float, *, utc_s: float | None = None) -> tuple[Near | None, float]:
        """Turn the camera and look: what was found, and how far off (arcsec) it is."""
        shot = self.studio.shoot(
            turned(self.truth, angle, self.studio.rng),
            utc_s or UTC_S + 5.0,
        )
        near = self.plates.look_near(shot.frame, tracking=False)
        if near is None:
            return None, np.nan
        plate = self.plates.follow(
            near.stars, shot.frame, None, CancelToken(), tracking=False, near=near
        )
        return near, float(separation(plate.attitude.boresight, shot.truth[:, 2])) / ARCSEC


@pytest.fixture(scope="module")
def night() -> Night:
    return Night()


@pytest.mark.parametrize("arcmin", [0.0, 2.0])
def test_a_small_motion_is_read_from_windows(night: Night, arcmin: float) -> None:
    """Standing on the Earth while the sky turns, and after a knob: right to an arcsecond."""
    near, off_arcsec = night.look(arcmin * ARCMIN)

    assert near is not None
    assert near.searched == "windows"
    assert off_arcsec < 1.5
    assert len(near.stars) >= 20


def test_looking_again_and_again_keeps_the_stars(night: Night) -> None:
    """The stars of a chain of quick looks do not dwindle."""
    counts = []
    for number in range(4):
        near, _ = night.look(0.5 * ARCMIN, utc_s=UTC_S + 10.0 + 3.0 * number)
        assert near is not None
        counts.append(near.solution.matched)

    assert counts[-1] >= 0.9 * counts[0]


def test_elsewhere_nothing_is_found(night: Night) -> None:
    """Ten degrees off there is no match, neither in windows nor in the middle."""
    near, _ = night.look(10.0 * DEG)

    assert near is None


def test_a_frame_of_another_size_is_not_followed(night: Night) -> None:
    """After another program changed the subframe the whole frame must be looked at."""
    shot = night.studio.shoot(night.truth)
    cut = dataclasses.replace(shot.frame, pixels=shot.frame.pixels[:1000])

    assert night.plates.look_near(cut, tracking=False) is None


def test_a_large_motion_is_read_from_the_middle() -> None:
    """Three quarters of a degree is beyond all windows; the whole frame is still not searched."""
    night = Night()
    night.studio = Studio(16, focal_mm=400.0, seed=4)
    first = night.studio.shoot(night.truth)
    night.plates = PlateSolver(
        load_solver("embedded"), night.studio.site, night.studio.air,
        nominal_scale=night.studio.scale, hint_radius=3.0 * DEG, blind=False, timeout_s=30.0,
    )  # fmt: skip
    night.plates.solve(
        detect_stars(first.frame), first.frame, first.hint.centre_icrs, CancelToken()
    )

    near, off_arcsec = night.look(0.75 * DEG)

    assert near is not None
    assert near.searched == "middle"
    assert off_arcsec < 1.0


def test_what_followed_is_held_to_what_is_known(night: Night, monkeypatch) -> None:
    """A match of another scale, or far from where the mount's word makes expect it, is not learnt:
    a full solve is tried instead, and a quick look says what contradicts."""
    shot = night.studio.shoot(night.truth)
    stars, plates = detect_stars(shot.frame), night.plates
    word = shot.hint.centre_icrs
    assert word is not None
    honest = cast("Any", plates.solver).track(
        stars,
        cast("Any", plates._last).solution.attitude_icrs,
        plates.parity,
        plates.scale,
        epoch_year=2026.9,
    )
    wrong_scale = dataclasses.replace(honest, scale=1.03 * honest.scale)
    across = np.cross(word, [0.0, 0.6, 0.8])
    far = rotation_about(across / np.linalg.norm(across), 8.0 * DEG) @ word
    scale = plates.scale

    def follow(found, mount_icrs, *, near=None):
        monkeypatch.setattr(plates.solver, "track", lambda *_args, **_more: found)
        return plates.follow(stars, shot.frame, mount_icrs, CancelToken(), tracking=True, near=near)

    plate = follow(wrong_scale, word)
    assert plate.solution.scale == pytest.approx(scale, rel=1e-3)
    assert follow(honest, word).solution is honest
    with pytest.raises(ScaleContradicts):
        follow(honest, word, near=Near(stars, wrong_scale, "windows"))
    with pytest.raises(SolutionRejected, match="degrees from where the mount says"):
        follow(honest, far, near=Near(stars, honest, "windows"))
    assert plates.scale == pytest.approx(scale, rel=1e-3)


def test_a_frame_taken_amid_a_turn_is_given_up_soon_and_the_next_searched_for_longer(
    night: Night, monkeypatch
) -> None:
    """No star where it should be: three seconds were searched for each of such frames."""
    shot = night.studio.shoot(night.truth)
    stars = detect_stars(shot.frame)
    rng = np.random.default_rng(1)
    torn = dataclasses.replace(
        stars,
        x=rng.uniform(0.0, stars.width, len(stars)),
        y=rng.uniform(0.0, stars.height, len(stars)),
    )
    asked: list[bool] = []
    solve = night.plates.solver.solve

    def solving(stars, hint, **how):
        asked.append(hint.quick)
        return solve(stars, hint, **how)

    monkeypatch.setattr(night.plates.solver, "solve", solving)

    def follow(seen) -> None:
        night.plates.follow(seen, shot.frame, None, CancelToken(), tracking=True, soon_again=True)

    for seen in (stars, torn, stars, torn, torn, torn):
        if seen is stars:
            follow(seen)
            continue
        with pytest.raises(SolveError):
            follow(seen)

    assert asked == [True, True, False, False]
