"""Frames in which the axis moved are not settled; frames at rest are, under a cloud, too."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

BENCH = Path(__file__).parent.parent / "bench"


@pytest.fixture(scope="module")
def bench() -> Iterator[ModuleType]:
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(BENCH))
        import turns_while_exposing

        yield turns_while_exposing
        sys.modules.pop("turns_while_exposing")


@pytest.mark.parametrize("seed", [3, 6, 8, 10, 11])
def test_a_turn_during_the_exposure_is_not_settled_at_the_old_place(
    bench: ModuleType, seed: int
) -> None:
    """Of 1 to 30 arcmin; 13 to 84 % of the light lie where the axis stood before. All of these
    were called settled there once."""
    outcome = bench.with_turn(seed)

    assert outcome.stayed < bench.LEAST_SHARE
    assert not outcome.wrong


@pytest.mark.parametrize("kind", ["cloud comes at once", "wind"])
def test_frames_at_rest_stay_readable(bench: ModuleType, kind: str) -> None:
    """Each frame loses another 5 to 50 % of the light, or is shaken: all are settled but the first
    under a cloud, which may ask for one more."""
    states = [outcome.state for outcome in bench.at_rest(kind, 1, 4)]

    assert states[1:] == ["settled"] * 3
