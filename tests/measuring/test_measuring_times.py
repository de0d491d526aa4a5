"""Where the time of a measurement went, and how it is told."""

from __future__ import annotations

import contextlib

from polewright.foundation.clock import CancelToken
from polewright.interfaces.cli.console import time_sentences
from polewright.observing.rig.timings import SweepTimes
from polewright.records.result import TimeResult


class Hand:
    """A clock moved by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def utc_s(self) -> float:
        return self.now_s

    def monotonic_s(self) -> float:
        return self.now_s

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        del cancel
        self.now_s += seconds


def test_time_is_counted_however_it_ends() -> None:
    """What failed took its time as well; savings are measured against the fixed waits."""
    clock, times = Hand(), SweepTimes()
    with times.spent("slew", clock):
        clock.sleep(7.0)
    with contextlib.suppress(ValueError), times.spent("slew", clock):
        clock.sleep(2.0)
        raise ValueError
    with times.spent("settle", clock):
        clock.sleep(4.0)
    times.settle_fixed = 15.0

    assert (times.slew, times.settle) == (9.0, 4.0)
    assert times.settle_saved == 11.0


def told(**changes: float) -> str:
    parts = {
        "total_s": 61.0,
        "slew_s": 36.0,
        "settle_s": 9.0,
        "expose_s": 13.0,
        "download_s": 0.5,
        "solve_s": 0.5,
        "other_s": 2.0,
        "overlap_saved_s": 1.4,
        "settle_saved_s": 36.0,
    }
    return " ".join(time_sentences(TimeResult(**(parts | changes))))


def test_people_are_told_what_was_saved_and_what_was_lost() -> None:
    """Nothing saved is not mentioned; looks that cost more than the fixed wait are."""
    assert "It took 61.0 s: slews 36.0, settling time 9.0" in told()
    assert "Saved: 1.4 s by solving during slews, 36.0 s by measuring" in told()
    assert "Saved" not in told(overlap_saved_s=0.0, settle_saved_s=0.0)
    assert "cost 0.7 s here" in told(settle_saved_s=-0.7)
