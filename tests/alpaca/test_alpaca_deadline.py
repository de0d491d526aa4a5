"""Deadlines follow the clock they are given, and leave real work its real time."""

from __future__ import annotations

import time

from polewright.devices.alpaca.deadline import Deadline
from polewright.foundation.clock import CancelToken


class HandClock:
    """A clock that stands until it is moved."""

    now_s = 100.0

    def utc_s(self) -> float:
        return self.now_s

    def monotonic_s(self) -> float:
        return self.now_s

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        self.now_s += seconds


def test_deadline_passes_by_its_clock() -> None:
    clock = HandClock()
    deadline = Deadline(clock, 10.0, real_share=0.0)
    assert not deadline.passed
    clock.sleep(9.9)
    assert not deadline.passed
    clock.sleep(0.2)

    assert deadline.passed
    assert 10.0 < deadline.waited_s < 10.2


def test_fast_clock_leaves_a_share_of_real_time() -> None:
    clock = HandClock()
    deadline = Deadline(clock, 0.8, real_share=0.25)
    start = time.monotonic()
    clock.sleep(1000.0)
    while not deadline.passed:
        time.sleep(0.01)

    assert time.monotonic() - start >= 0.2
