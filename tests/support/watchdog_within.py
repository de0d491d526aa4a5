"""A watchdog that lives in a simulated night: the process's own code, in a thread of its clock."""

from __future__ import annotations

import queue
import subprocess
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

from polewright.observing.safety import watchdog_client, watchdog_process
from polewright_sim.simulated_clock import SimulatedClock

ANSWER_S, ASK = watchdog_process.ANSWER_S, watchdog_process.Mount.ask
"""As the process has them: a night may begin while another's stand in their place."""


class WatchdogWithin:
    """Stands where the run has its watchdog's process, and where that has its standard input."""

    def __init__(self, command: list[str], clock: SimulatedClock) -> None:
        self.stdin, self.returncode = self, None
        self._clock = clock
        self._said: deque[str | None] = deque()
        self._more, self._over = clock.threads.signal(), clock.threads.signal()
        self._arguments = command[command.index("-m") + 2 :]
        clock.threads.start(self._guard, "watchdog")

    returncode: int | None

    def _guard(self) -> None:
        code = 1  # as Python ends by itself
        try:
            code = watchdog_process.guard(self._arguments, self)
        finally:
            self.returncode = code
            self._over.set()

    def get(self, *, timeout: float) -> str | None:
        """Return the next line that was said. Raises `queue.Empty` after so many seconds."""
        end_s = self._clock.monotonic_s() + timeout
        while not self._said:
            left_s = end_s - self._clock.monotonic_s()
            if left_s <= 0.0:
                raise queue.Empty
            self._more.clear()
            self._more.wait(left_s)
        return self._said.popleft()

    def write(self, text: str) -> None:
        """Say a line."""
        self._put(text.strip())

    def flush(self) -> None:
        """Nothing is held back."""

    def close(self) -> None:
        """Say nothing more."""
        self._put(None)

    def _put(self, said: str | None) -> None:
        self._said.append(said)
        self._more.set()

    def poll(self) -> int | None:
        """Return how it ended; None while it watches."""
        return self.returncode

    def wait(self, timeout: float | None = None) -> int | None:
        """Wait for its end, seconds of the night."""
        if not self._over.wait(timeout):
            raise subprocess.TimeoutExpired("watchdog", timeout or 0.0)
        return self.returncode

    def kill(self) -> None:
        """Have it end as if the run had dismissed it: a thread cannot be killed."""
        self._said.appendleft("bye")
        self._more.set()


class _TimeOf:
    """What the watchdog's code takes from the module `time`."""

    def __init__(self, clock: SimulatedClock) -> None:
        self.time, self.monotonic, self.sleep = clock.utc_s, clock.monotonic_s, clock.sleep


@contextmanager
def watchdog_within(clock: SimulatedClock) -> Iterator[None]:
    """Have runs that begin in the block watched by a thread of this clock."""

    def started(command: list[str]) -> Any:
        return WatchdogWithin(command, clock)

    def asked(mount: watchdog_process.Mount, method: str, member: str, **values: str) -> Any:
        with clock.threads.within(ANSWER_S):
            return ASK(mount, method, member, **values)

    with (
        patch.object(watchdog_client, "_started", started),
        patch.object(watchdog_process, "time", _TimeOf(clock)),
        patch.object(watchdog_process, "ANSWER_S", ANSWER_S * clock.threads.stretch),
        patch.object(watchdog_process.Mount, "ask", asked),
    ):
        yield
