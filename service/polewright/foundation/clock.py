"""Time as an argument: what waits or stamps takes a `Clock`, so tests and rigs can share one."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from typing import Protocol

from polewright.foundation.errors import Cancelled
from polewright.foundation.language import say


class CancelToken:
    """A flag that one thread raises and every wait of a run looks at."""

    def __init__(self) -> None:
        self._event = threading.Event()
        self.reason = ""
        self._raises: type[Cancelled] = Cancelled

    def cancel(
        self, reason: str = say("stopped by the user"), raises: type[Cancelled] = Cancelled
    ) -> None:
        """Ask the run to stop; later calls keep the first reason, and what is raised for it."""
        if not self._event.is_set():
            self.reason, self._raises = reason, raises
            self._event.set()

    @property
    def cancelled(self) -> bool:
        """Whether a stop was asked for."""
        return self._event.is_set()

    def check(self) -> None:
        """Raise `Cancelled` when a stop was asked for."""
        if self._event.is_set():
            raise self._raises(self.reason)

    def wait(self, real_seconds: float) -> bool:
        """Wait so long, or until cancelled; return whether cancelled."""
        return self._event.wait(max(0.0, real_seconds))


class Clock(Protocol):
    """Wall time, a monotonic timer and sleeping, all in seconds."""

    def utc_s(self) -> float:
        """Seconds since 1970-01-01T00:00:00 UTC (Unix time)."""

    def monotonic_s(self) -> float:
        """Seconds of a timer that never steps back."""

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        """Wait; raise `Cancelled` at once when ``cancel`` is raised meanwhile."""


class Signal(Protocol):
    """A flag that one thread sets and others wait for; `threading.Event` is one."""

    def set(self) -> None:
        """Raise it."""

    def is_set(self) -> bool:
        """Whether it was raised."""

    def clear(self) -> None:
        """Lower it."""

    def wait(self, timeout: float | None = None) -> bool:
        """Wait for it, at most so many seconds; return whether it is raised."""


class Threads(Protocol):
    """How the threads of a run begin and wait for each other.

    The computer's own do so in real time. Under a simulated time all of a run's threads must be
    known to the clock, as it may only go on when each of them waits.
    """

    def start(self, target: Callable[[], None], name: str) -> None:
        """Have a daemon thread run ``target``: a hang keeps no program from ending."""

    def taking_part(self) -> AbstractContextManager[None]:
        """Have a thread that these did not start be one of them, in the block."""

    def signal(self) -> Signal:
        """Return a flag that these threads may wait for."""

    def timer_s(self) -> float:
        """Seconds of the timer by which these threads limit how long they wait for each other."""

    def pause(self, seconds: float) -> None:
        """Let so many seconds of that timer pass."""

    @property
    def stretch(self) -> float:
        """By how much limits of sockets and solvers are lengthened, as they are the computer's."""

    def within(self, limit_s: float) -> AbstractContextManager[None]:
        """Ask somebody in the block, and raise TimeoutError at its end if that took too long.

        For what a socket's own time-out does not see: seconds of a timer that is not real.
        """


class RealThreads:
    """Threads in the computer's own time."""

    def start(self, target: Callable[[], None], name: str) -> None:
        """Have a thread run ``target``."""
        threading.Thread(target=target, name=name, daemon=True).start()

    def taking_part(self) -> AbstractContextManager[None]:
        """Nobody asks."""
        return nullcontext()

    def signal(self) -> Signal:
        """Return an ordinary event."""
        return threading.Event()

    def timer_s(self) -> float:
        """Seconds of the computer's timer."""
        return time.monotonic()

    def pause(self, seconds: float) -> None:
        """Let so many seconds pass."""
        time.sleep(seconds)

    stretch = 1.0

    def within(self, limit_s: float) -> AbstractContextManager[None]:  # noqa: ARG002 - see Threads
        """Leave it to the socket's own time-out."""
        return nullcontext()


REAL_THREADS = RealThreads()


def threads_of(clock: Clock) -> Threads:
    """Return how the threads of a run under this clock begin and wait: `REAL_THREADS` mostly."""
    threads: Threads = getattr(clock, "threads", REAL_THREADS)
    return threads


class SystemClock:
    """The computer's own clock, optionally running ``rate`` times faster from ``start_utc_s`` on.

    A rig and a run in different processes that are given the same ``rate``, ``start_utc_s`` and
    ``origin_real_s`` (a Unix time) share the same accelerated time.
    """

    def __init__(
        self,
        rate: float = 1.0,
        start_utc_s: float | None = None,
        origin_real_s: float | None = None,
    ) -> None:
        if rate <= 0.0:
            raise ValueError(f"clock rate must be positive, not {rate}")
        self.rate = rate
        self.origin_real_s = time.time() if origin_real_s is None else origin_real_s
        self.start_utc_s = self.origin_real_s if start_utc_s is None else start_utc_s

    def utc_s(self) -> float:
        """Seconds since 1970-01-01T00:00:00 UTC, scaled."""
        return self.start_utc_s + (time.time() - self.origin_real_s) * self.rate

    def monotonic_s(self) -> float:
        """Seconds of a timer that never steps back, scaled."""
        return time.monotonic() * self.rate

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        """Wait ``seconds`` of this clock; raise `Cancelled` when asked to stop meanwhile."""
        real = max(0.0, seconds / self.rate)
        if cancel is None:
            time.sleep(real)
        elif cancel.wait(real):
            cancel.check()
