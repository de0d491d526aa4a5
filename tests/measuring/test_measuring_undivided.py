"""Frames in which the axis moved are not settled; frames at rest are, under a cloud, too."""

from __future__ import annotations

import pytest
import turns_while_exposing


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
