"""The rig leads the time of a rehearsal: see `polewright.foundation.rehearsal`."""

from __future__ import annotations

import math
import socket
import threading
import time
from collections.abc import Callable, Hashable
from contextlib import suppress

from polewright.foundation.rehearsal import COMPUTES, Course, RehearsalClock, send_line


class Pace:
    """The time, and how it goes on for all who take part.

    Args:
        start_utc_s: Unix seconds at which it begins.
        rate: how many times as fast as the computer's it goes while everybody waits.
        timer: the computer's, s.
    """

    def __init__(
        self, start_utc_s: float, rate: float, timer: Callable[[], float] = time.monotonic
    ) -> None:
        if not 1.0 <= rate < math.inf:
            raise ValueError(f"the rate must be 1 or more, not {rate}")
        self._timer = timer
        self._lock = threading.Lock()
        self._parties: dict[Hashable, tuple[float, Callable[[Course], object]]] = {}
        """Until when each waits, and how to tell it a new course."""
        self._course = Course(start_utc_s, timer(), rate, math.inf)

    def utc_s(self) -> float:
        """Unix seconds of the night."""
        return self._course.utc_at(self._timer())

    def join(self, who: Hashable, tell: Callable[[Course], object]) -> None:
        """Somebody takes part and waits, for nothing yet; they are told the course."""
        with self._lock:
            self._parties[who] = (math.inf, tell)
            tell(self._from_now())

    def hear(self, who: Hashable, until_s: float) -> None:
        """Somebody says until when (Unix s) they wait; `COMPUTES`: not at all."""
        with self._lock:
            if who in self._parties:
                self._parties[who] = (until_s, self._parties[who][1])
                self._renew()

    def leave(self, who: Hashable) -> None:
        """Somebody has gone."""
        with self._lock:
            self._parties.pop(who, None)
            self._renew()

    def _from_now(self) -> Course:
        now_s, before = self._timer(), self._course
        utc_s = before.utc_at(now_s)
        return Course(utc_s, now_s, before.rate, max(utc_s, before.until_s))

    def _renew(self) -> None:
        """Tell everybody where the time goes on in another way than they know; under the lock."""
        known = self._from_now()
        first_s = min((until_s for until_s, _ in self._parties.values()), default=math.inf)
        until_s = max(known.utc_s, first_s)
        if until_s != known.until_s:
            self._course = Course(known.utc_s, known.at_s, known.rate, until_s)
            for _, tell in self._parties.values():
                tell(self._course)


class TimeLead:
    """Tells a `Pace` to the programs that connect to a port of its own, a line each.

    A program that ends, or has not read for so long that its line is full, no longer counts.

    Args:
        pace: the time.
        host: address to listen on.
    """

    def __init__(self, pace: Pace, host: str = "127.0.0.1") -> None:
        self.pace = pace
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._listener = socket.create_server((host, 0), family=family)
        self.host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - replaced
        self._ways: set[socket.socket] = set()
        self._over = False
        self.port: int = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, name="time", daemon=True).start()

    def clock(self) -> RehearsalClock:
        """Return the clock of the rig itself, which takes part as any program does."""
        return RehearsalClock(self.host, self.port)

    def stop(self) -> None:
        """Close the port; who follows goes on by itself."""
        self._over = True
        for way in (self._listener, *list(self._ways)):
            _shut(way)
        self._listener.close()

    def _accept(self) -> None:
        while not self._over:
            try:
                way, _ = self._listener.accept()
                way.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                threading.Thread(target=self._hear, args=(way,), name="time", daemon=True).start()
            except (OSError, RuntimeError):  # one that went at once, or too many: others may come
                time.sleep(0.1)

    def _hear(self, way: socket.socket) -> None:
        def tell(course: Course) -> None:
            if not send_line(way, course.line):
                _shut(way)

        self._ways.add(way)
        self.pace.join(way, tell)
        try:
            with suppress(OSError, ValueError), way.makefile("r", encoding="ascii") as lines:
                for line in lines:
                    until_s = float(line)
                    self.pace.hear(way, COMPUTES if math.isnan(until_s) else until_s)
        finally:
            self.pace.leave(way)
            self._ways.discard(way)
            way.close()


def _shut(way: socket.socket) -> None:
    """End a connection for whoever waits at either end."""
    with suppress(OSError):
        way.shutdown(socket.SHUT_RDWR)
