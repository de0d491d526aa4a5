"""Deadlines that hold on a real night and in a rehearsal with an accelerated clock."""

from __future__ import annotations

from polewright.foundation.clock import Clock, threads_of


class Deadline:
    """Passes after so many seconds of ``clock``, but not before a share of them in real time.

    On a real night both are the same. In a rehearsal at 50 times the speed the network, the
    renderer and the driver are no faster than ever: without the share they would time out.
    """

    def __init__(self, clock: Clock, seconds: float, *, real_share: float = 0.25) -> None:
        self.clock = clock
        self.start_s = clock.monotonic_s()
        self._end_s = self.start_s + seconds
        self._real_s = threads_of(clock).timer_s
        self._real_end_s = self._real_s() + real_share * min(seconds, 60.0)

    @property
    def waited_s(self) -> float:
        """Seconds of the clock since the start."""
        return self.clock.monotonic_s() - self.start_s

    @property
    def passed(self) -> bool:
        """Whether it is over."""
        return self.clock.monotonic_s() > self._end_s and self._real_s() > self._real_end_s
