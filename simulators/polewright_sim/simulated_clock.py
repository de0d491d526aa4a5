"""Time that moves only when everybody waits.

All threads of a night take part: the run, its work beside, the rig's exposures. One of them runs at
a time; it hands on when it sleeps or waits for another. When all wait, time jumps to the next
moment at which one wants to wake. So a night costs what it computes, goes the same way however busy
the computer is, and can be had again from its seeds.

A request to the rig takes no time: while the rig's server answers, the thread that asked is the one
that runs, and if the answer makes the server sleep, it sleeps in that thread's stead.

What is left in real time: time-outs of sockets, and the limits of solvers and of other programs,
all lengthened. They only guard against a hang.
"""

from __future__ import annotations

import heapq
import math
import random
import sys
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field

from polewright.foundation.clock import CancelToken

LOOK_S = 0.25
"""A sleep looks so often whether it was cancelled, s."""
LEAST_S = 1e-6
"""Any sleep takes so long at least, s, as on a computer."""
LATE_S, VERY_LATE_S = 0.005, 0.25
"""How late threads of a busy computer go on, mostly and now and then, s (own choice)."""
HANG_S = 120.0
"""Real seconds after which a thread that nobody wakes tells who waits for what."""


class NobodyMoves(RuntimeError):
    """All threads wait for each other, or one holds the others up: the message tells which."""


class NightOver(BaseException):
    """Ends a thread that still waited when the night was closed."""


@dataclass(eq=False)
class _Waiting:
    """A thread that has handed on."""

    what: str
    go: threading.Event = field(default_factory=threading.Event)
    runs: int = 0
    """The thread whose turn it is then."""
    over: bool = False
    """Whether it may go on, or already does."""
    in_time: bool = True
    """Whether it was woken by what it waits for, not by the time."""


class SimulatedClock:
    """A `Clock` for rig and run in one process; the thread that makes it is the first to run.

    Args:
        start_utc_s: Unix seconds at which time begins.
        shake: seed of a busy computer: threads go on late by random times, and in a random order
            where several could; None has them go on at once and in turn.
    """

    rate = 1.0

    def __init__(self, start_utc_s: float, shake: int | None = None) -> None:
        self.start_utc_s = start_utc_s
        self.threads = SimulatedThreads(self)
        self._now_s = 0.0
        self._lock = threading.Lock()
        self._held = True
        """Whether one of the threads runs."""
        self._ready: list[_Waiting] = []
        self._sleeping: list[tuple[float, int, _Waiting, bool]] = []
        """Until when, in which order, who, and whether what is waited for has come by then."""
        self._counted = 0
        self._turns = 0
        self._asleep: dict[int, _Waiting] = {}
        self._runs = threading.get_ident()
        """The thread whose turn it is."""
        self._taking_part = {self._runs}
        self._limits: dict[int, float] = {}
        """Until when threads that asked somebody wait for the answer, s."""
        self._dice = None if shake is None else random.Random(shake)
        self._closed = False

    # The clock

    def utc_s(self) -> float:
        """Seconds since 1970-01-01T00:00:00 UTC."""
        return self.start_utc_s + self._now_s

    def monotonic_s(self) -> float:
        """Seconds since this clock was made."""
        return self._now_s

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        """Let the others run for so long. Raises `Cancelled` within `LOOK_S` of a stop."""
        # Else rounding lets a loop wait for ever for the rest of its time.
        end_s = min(self._now_s + max(LEAST_S, seconds), self._patience_s())
        while True:
            if cancel is not None:
                cancel.check()
            step_s = end_s if cancel is None else min(end_s, self._now_s + LOOK_S)
            self.wait(_Waiting(f"sleeps until {step_s:.3f} s"), step_s)
            if self._now_s >= end_s:
                if cancel is not None:
                    cancel.check()
                return

    def close(self) -> None:
        """The night is over: threads that still wait end, as soon as they would go on."""
        with self._lock:
            self._closed = True
            for waiting in list(self._asleep.values()):
                waiting.go.set()

    # For signals and threads

    def wait(self, waiting: _Waiting, until_s: float | None) -> bool:
        """Hand on until woken or until a time; return whether it was woken."""
        until_s = min(self._patience_s(), math.inf if until_s is None else until_s)
        with self._lock:
            waiting.runs = self._for_whom()
            if until_s < math.inf:
                self._sleep_until(until_s + self._late_s(), waiting, in_time=False)
            self._hand_on()
        self._wait_for(waiting)
        return waiting.in_time

    def wake(self, waiting: _Waiting) -> None:
        """Let a waiting thread go on as soon as it is its turn."""
        with self._lock:
            if waiting.over:
                return
            late_s = self._late_s()
            if late_s > 0.0:
                self._sleep_until(self._now_s + late_s, waiting, in_time=True)
            else:
                waiting.over = True
                self._ready.append(waiting)
            if not self._held:
                self._hand_on()

    def begin(self, waiting: _Waiting) -> None:
        """Wait for the first turn of a thread that was just started."""
        waiting.runs = threading.get_ident()
        with self._lock:
            self._taking_part.add(waiting.runs)
        self._wait_for(waiting)
        self._runs = waiting.runs

    def end(self) -> None:
        """A thread is at its end."""
        with self._lock:
            self._taking_part.discard(threading.get_ident())
            self._hand_on()

    @contextmanager
    def within(self, limit_s: float) -> Iterator[None]:
        """See `polewright.foundation.clock.Threads.within`."""
        me, until_s = threading.get_ident(), self._now_s + limit_s
        self._limits[me] = until_s
        try:
            yield
        finally:
            del self._limits[me]
            if self._now_s >= until_s:
                raise TimeoutError(f"no answer within {limit_s:g} s of the night")

    def _sleep_until(self, until_s: float, waiting: _Waiting, *, in_time: bool) -> None:
        self._counted += 1
        heapq.heappush(self._sleeping, (until_s, self._counted, waiting, in_time))

    def _late_s(self) -> float:
        """How late a thread goes on: at once, some milliseconds, or now and then much later."""
        if self._dice is None:
            return 0.0
        luck = self._dice.random()
        if luck < 0.5:
            return 0.0
        return self._dice.uniform(0.0, LATE_S if luck < 0.97 else VERY_LATE_S)

    def _for_whom(self) -> int:
        """The thread that waits: this one, or the one that asked it as a part of the rig."""
        me = threading.get_ident()
        return me if me in self._taking_part else self._runs

    def _patience_s(self) -> float:
        """Until when the answer is waited for that this thread gives, or has asked for, s."""
        return self._limits.get(self._for_whom(), math.inf)

    def _wait_for(self, waiting: _Waiting) -> None:
        me = threading.get_ident()
        with self._lock:
            self._asleep[me] = waiting
            if self._closed:
                waiting.go.set()
        try:
            seen = self._turns
            while not waiting.go.wait(HANG_S):
                if self._turns == seen:
                    raise NobodyMoves(self._who_waits())
                seen = self._turns
        finally:
            with self._lock:
                self._asleep.pop(me, None)
        if self._closed and not waiting.over:
            raise NightOver

    def _hand_on(self) -> None:
        """Choose who goes on; the lock is held."""
        self._held = False
        self._turns += 1
        if not self._ready:
            self._to_next_moment()
        if self._ready:
            index = 0 if self._dice is None else self._dice.randrange(len(self._ready))
            self._held = True
            chosen = self._ready.pop(index)
            self._runs = chosen.runs
            chosen.go.set()

    def _to_next_moment(self) -> None:
        """Jump to the next time at which somebody wants to wake, and wake all of that moment."""
        while self._sleeping and not self._ready:
            until_s = self._sleeping[0][0]
            while self._sleeping and self._sleeping[0][0] <= until_s:
                _, _, waiting, in_time = heapq.heappop(self._sleeping)
                if waiting.over:  # woken before by what it waited for
                    continue
                waiting.over, waiting.in_time = True, in_time
                self._ready.append(waiting)
                self._now_s = max(self._now_s, until_s)

    def _who_waits(self) -> str:
        names = {thread.ident: thread.name for thread in threading.enumerate()}
        frames = sys._current_frames()
        lines = [f"Nothing has gone on for {HANG_S:g} s at {self._now_s:.3f} s of the night."]
        for ident, name in names.items():
            with self._lock:
                waiting = self._asleep.get(ident or 0)
            what = "runs" if waiting is None else waiting.what
            where = traceback.format_stack(frames[ident])[-6:] if ident in frames else []
            lines.append(f"{name}: {what}\n{''.join(where)}")
        return "\n".join(lines)


class SimulatedThreads:
    """The threads of a night; see `polewright.foundation.clock.Threads`."""

    def __init__(self, clock: SimulatedClock) -> None:
        self._clock = clock

    def start(self, target: Callable[[], None], name: str) -> None:
        """Have a thread run ``target`` when it is its turn."""
        clock, first = self._clock, _Waiting(f"{name} begins")

        def run() -> None:
            try:
                clock.begin(first)
                target()
            except NightOver:
                pass
            finally:
                clock.end()

        clock.wake(first)
        threading.Thread(target=run, name=name, daemon=True).start()

    def taking_part(self) -> AbstractContextManager[None]:
        """Nobody else can: the thread that made the clock, and those that it started, do."""
        return nullcontext()

    def signal(self) -> SimulatedSignal:
        """Return a flag of this time."""
        return SimulatedSignal(self._clock)

    def timer_s(self) -> float:
        """Seconds of the night."""
        return self._clock.monotonic_s()

    def pause(self, seconds: float) -> None:
        """Let so many seconds of the night pass."""
        self._clock.sleep(seconds)

    stretch = 20.0
    """A busy computer may take its time to answer."""

    def within(self, limit_s: float) -> AbstractContextManager[None]:
        """See `polewright.foundation.clock.Threads.within`."""
        return self._clock.within(limit_s)


class SimulatedSignal:
    """A flag; whoever waits for it hands on to the others."""

    def __init__(self, clock: SimulatedClock) -> None:
        self._clock = clock
        self._raised = False
        self._waiting: list[_Waiting] = []
        self._lock = threading.Lock()

    def set(self) -> None:
        """Raise it: who waits goes on when it is their turn."""
        with self._lock:
            self._raised = True
            waiting, self._waiting = self._waiting, []
        for each in waiting:
            self._clock.wake(each)

    def is_set(self) -> bool:
        """Whether it was raised."""
        return self._raised

    def clear(self) -> None:
        """Lower it."""
        self._raised = False

    def wait(self, timeout: float | None = None) -> bool:
        """Wait for it, at most so many seconds of the night; return whether it is raised."""
        with self._lock:
            if self._raised:
                return True
            here = _Waiting("waits for a signal")
            self._waiting.append(here)
        until_s = None if timeout is None else self._clock.monotonic_s() + max(0.0, timeout)
        self._clock.wait(here, until_s)
        return self._raised
