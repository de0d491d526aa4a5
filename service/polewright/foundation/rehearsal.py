"""Which clock a program goes by, and the clock of a rehearsal whose time the rig leads.

A rehearsal is to be short where a night waits, and is to cost what it computes. So the rig's time
goes ``rate`` times as fast as the computer's only while nobody who takes part computes, and never
fast beyond the moment at which the first of them wants to go on. Each program tells the rig one
figure, until when it waits, whenever that changes; the rig tells each a `Course`, by which it
reckons until the next. A program that ends closes its connection, and no longer counts.
"""

from __future__ import annotations

import http.client
import json
import logging
import math
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import dataclass
from typing import TextIO
from urllib.parse import urlsplit

from polewright.foundation.clock import CancelToken, Clock, Signal, SystemClock
from polewright.foundation.errors import ConfigError, in_words
from polewright.foundation.language import say

log = logging.getLogger(__name__)

REHEARSAL_VARIABLE = "POLEWRIGHT_REHEARSAL_CLOCK"
CLOCK_PATH = "/rig/clock"
"""Where the rig's control API tells the TCP port of its time."""
ANSWER_S = 5.0
"""Longest wait for the rig's first word."""
LOOK_S = 0.1
"""A wait looks so often whether it was cancelled, s of the computer."""
COMPUTES = 0.0
"""Told instead of a moment to wait for."""
SAME_TIMER_S = 1.0
"""Timers of two programs that differ by less are the same one."""


@dataclass(frozen=True)
class Course:
    """How the time of a rehearsal goes on: fast at first, then as the computer's.

    Its line on the wire holds the four figures, as Python writes them.
    """

    utc_s: float
    """Unix seconds of the night at which it begins."""
    at_s: float
    """The computer's timer then."""
    rate: float
    """How many times as fast as the computer's the time goes until ``until_s``."""
    until_s: float
    """Unix seconds of the night."""

    def utc_at(self, timer_s: float) -> float:
        """Return Unix seconds of the night at a reading of the computer's timer."""
        passed_s = max(0.0, timer_s - self.at_s)
        fast_s = min(passed_s, max(0.0, self.until_s - self.utc_s) / self.rate)
        return self.utc_s + fast_s * self.rate + (passed_s - fast_s)

    def timer_at(self, utc_s: float) -> float:
        """Return what the computer's timer reads at Unix seconds of the night."""
        if utc_s == math.inf:
            return math.inf
        ahead_s = max(0.0, utc_s - self.utc_s)
        fast_s = min(ahead_s, max(0.0, self.until_s - self.utc_s))
        return self.at_s + fast_s / self.rate + (ahead_s - fast_s)

    @property
    def line(self) -> str:
        """Its line on the wire."""
        return f"{self.utc_s!r} {self.at_s!r} {self.rate!r} {self.until_s!r}"

    @classmethod
    def of_line(cls, line: str) -> Course:
        """Read one. Raises ValueError."""
        utc_s, at_s, rate, until_s = (float(word) for word in line.split())
        return cls(utc_s, at_s, rate, until_s)


def send_line(way: socket.socket, line: str) -> bool:
    """Send a line to whoever takes it at once; return whether they did."""
    try:
        if not select.select([], [way], [], 0.0)[1]:
            return False
        way.sendall(line.encode() + b"\n")
    except (OSError, ValueError):
        return False
    return True


class RehearsalClock:
    """A `Clock` that follows the time of a rig, and tells it until when this program waits.

    This program computes while one of the threads that take part does not wait by this clock: those
    that its ``threads`` started, those in `RehearsalThreads.taking_part`, and the main thread once
    it has waited or asked a device. Other threads may wait by it, too: their waits end in time.
    If the rig does not answer any more, the time goes on at the computer's speed.

    Args:
        host: of the rig.
        port: of its time.

    Raises:
        OSError, ValueError: it does not tell its time.
    """

    def __init__(self, host: str, port: int) -> None:
        self.port = port
        self.threads = RehearsalThreads(self)
        self._way = socket.create_connection((host, port), timeout=ANSWER_S)
        self._way.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        lines = self._way.makefile("r", encoding="ascii")
        try:
            first = Course.of_line(lines.readline())
        except (OSError, ValueError):
            lines.close()
            self._way.close()
            raise
        self._way.settimeout(None)
        off_s = time.monotonic() - first.at_s
        self._timer_off_s = off_s if abs(off_s) > SAME_TIMER_S else 0.0
        """Our timer minus the rig's: not 0 where the rig is on another computer."""
        self._changed = threading.Condition()
        """Holds all that follows; notified when a wait may be over."""
        self._part: set[object] = set()
        self._waits: dict[object, tuple[float, Callable[[], bool]]] = {}
        """By thread: until when it waits at most, and what it waits for."""
        self._told_s = math.inf
        self.alone = False
        """Whether the rig does not answer any more."""
        self._here = threading.local()
        self._take(first)
        self._start_s = self._last_s = self._course.utc_s
        threading.Thread(
            target=self._follow, args=(lines,), name="rehearsal clock", daemon=True
        ).start()

    def utc_s(self) -> float:
        """Seconds since 1970-01-01T00:00:00 UTC, of the night."""
        with self._changed:
            # News that the time goes slowly may have come late: it stands still until then.
            self._last_s = max(self._last_s, self._course.utc_at(time.monotonic()))
            return self._last_s

    def monotonic_s(self) -> float:
        """Seconds of the night since this clock was made."""
        return self.utc_s() - self._start_s

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        """Wait ``seconds`` of the night; raise `Cancelled` when asked to stop meanwhile."""
        if seconds > 0.0:
            self.wait(self.utc_s() + seconds, lambda: False, cancel)
        if cancel is not None:
            cancel.check()

    def wait(
        self, until_s: float, ready: Callable[[], bool], cancel: CancelToken | None = None
    ) -> None:
        """Wait until ``ready``, cancelled, or ``until_s`` (Unix s of the night)."""
        with self._changed:
            me = self.me()
            self._waits[me] = (until_s, ready)
            try:
                self.tell()
                while not (ready() or (cancel is not None and cancel.cancelled)):
                    if self.utc_s() >= until_s:
                        return
                    left_s = self._course.timer_at(until_s) - time.monotonic()
                    self._changed.wait(max(0.0, min(left_s, LOOK_S)))
            finally:
                del self._waits[me]
                self.tell()

    # For the threads

    def me(self) -> object:
        """Return what this thread is known by; the main thread takes part from here on."""
        if not hasattr(self._here, "me"):
            self._here.me = object()
            if threading.current_thread() is threading.main_thread():
                self.enter(self._here.me)
        return self._here.me

    def takes_part(self) -> bool:
        """Whether this thread takes part."""
        return self.me() in self._part

    def enter(self, who: object) -> None:
        """A thread takes part."""
        with self._changed:
            self._part.add(who)
            self.tell()

    def leave(self, who: object) -> None:
        """A thread takes part no more."""
        with self._changed:
            self._part.discard(who)
            self.tell()

    @contextmanager
    def being(self, who: object) -> Iterator[None]:
        """Be one that takes part, in this thread and for the block."""
        self._here.me = who
        self.enter(who)
        try:
            yield
        finally:
            del self._here.me
            self.leave(who)

    def tell(self) -> None:
        """Tell the rig until when this program waits, if that has changed; wake who may go on."""
        with self._changed:
            until_s = min((each for each, _ in self._waits.values()), default=math.inf)
            for who in self._part:
                if who not in self._waits or self._waits[who][1]():
                    until_s = COMPUTES
            if until_s != self._told_s:
                self._told_s = until_s
                if not send_line(self._way, f"{until_s!r}"):
                    self._lost()
            self._changed.notify_all()

    # What the rig tells

    def _follow(self, lines: TextIO) -> None:
        with suppress(OSError, ValueError), lines:
            for line in lines:
                self._take(Course.of_line(line))
        with self._changed:
            self._lost()
            self._way.close()

    def _take(self, told: Course) -> None:
        with self._changed:
            if self.alone:
                return
            self._course = Course(
                told.utc_s, told.at_s + self._timer_off_s, told.rate, told.until_s
            )
            self._changed.notify_all()

    def _lost(self) -> None:
        """Go on at the computer's speed: a stop must never wait for the rig's clock."""
        if self.alone:
            return
        self.alone = True
        log.warning(
            "The simulated rig does not tell its time any more: it goes on at the computer's speed."
        )
        now_s = time.monotonic()
        self._course = Course(self._course.utc_at(now_s), now_s, 1.0, 0.0)
        with suppress(OSError):
            self._way.shutdown(socket.SHUT_RDWR)
        self._changed.notify_all()


class RehearsalThreads:
    """The threads of a rehearsal; see `polewright.foundation.clock.Threads`."""

    stretch = 1.0

    def __init__(self, clock: RehearsalClock) -> None:
        self._clock = clock

    def start(self, target: Callable[[], None], name: str) -> None:
        """Have a thread run ``target``; it takes part."""
        clock, who = self._clock, object()
        clock.enter(who)

        def run() -> None:
            with clock.being(who):
                target()

        try:
            threading.Thread(target=run, name=name, daemon=True).start()
        except RuntimeError:
            clock.leave(who)
            raise

    @contextmanager
    def taking_part(self) -> Iterator[None]:
        """Take part in the block, if this thread does not already."""
        who = object()
        with nullcontext() if self._clock.takes_part() else self._clock.being(who):
            yield

    def signal(self) -> Signal:
        """Return a flag whose waiters count as waiting."""
        return RehearsalSignal(self._clock)

    def timer_s(self) -> float:
        """Seconds of the night."""
        return self._clock.monotonic_s()

    def pause(self, seconds: float) -> None:
        """Let so many seconds of the night pass."""
        self._clock.sleep(seconds)

    def within(self, limit_s: float) -> AbstractContextManager[None]:  # noqa: ARG002 - see Threads
        """Leave it to the socket: who asks a device computes, so its time is the computer's."""
        self._clock.me()
        return nullcontext()


class RehearsalSignal:
    """A flag; whoever waits for it computes again from the moment it is raised."""

    def __init__(self, clock: RehearsalClock) -> None:
        self._clock = clock
        self._raised = threading.Event()
        self._times = 0
        """How often it was raised."""

    def set(self) -> None:
        """Raise it."""
        self._times += 1
        self._raised.set()
        self._clock.tell()

    def is_set(self) -> bool:
        """Whether it was raised."""
        return self._raised.is_set()

    def clear(self) -> None:
        """Lower it."""
        self._raised.clear()

    def wait(self, timeout: float | None = None) -> bool:
        """Wait for it, at most so many seconds of the night; return whether it was raised."""
        seen = self._times

        def ready() -> bool:
            return self._raised.is_set() or self._times != seen

        if not ready():
            until_s = math.inf if timeout is None else self._clock.utc_s() + timeout
            self._clock.wait(until_s, ready)
        return ready()


_given: Clock | None = None


def give_clock(clock: Clock | None) -> None:
    """Have the commands of this process go by this clock; None gives them the computer's again."""
    global _given  # noqa: PLW0603 - one process, one time
    _given = clock


def clock_from_environment() -> Clock:
    """Return the computer's clock, or the rehearsal clock that a variable of the environment sets.

    Before both comes the clock that `give_clock` gave.

    ``POLEWRIGHT_REHEARSAL_CLOCK=http://127.0.0.1:11111`` names a simulated rig, whose time this
    program then follows. ``POLEWRIGHT_REHEARSAL_CLOCK="start,origin,rate"`` (Unix seconds
    simulated, Unix seconds real, factor) is an accelerated clock that tests share with a rig of
    their own process: what the program computes counts ``rate`` times. Never set it with a real
    mount: the sky would not be where the program looks.

    Raises:
        ConfigError: the variable is neither, or that rig does not tell its time.
    """
    if _given is not None:
        return _given
    if url := _leading_rig():
        return clock_of_rig(url)
    text = os.environ.get(REHEARSAL_VARIABLE)
    if not text:
        return SystemClock()
    try:
        start_utc_s, origin_real_s, rate = (float(word) for word in text.split(","))
        return SystemClock(rate, start_utc_s, origin_real_s)
    except ValueError as exc:
        raise ConfigError(
            say(
                "{rehearsal_variable} is {text!r}; it must be the address of a simulated rig, "
                "such as http://127.0.0.1:11111",
                rehearsal_variable=REHEARSAL_VARIABLE,
                text=text,
            )
        ) from exc


_followed: dict[str, RehearsalClock] = {}
"""By address of the rig: all threads of a program share one clock, or it would seem to wait."""
_following = threading.Lock()
NO_TIME = (OSError, ValueError, LookupError, TypeError, OverflowError, http.client.HTTPException)
"""What comes of an address at which no rig tells its time."""


def clock_of_rig(url: str) -> RehearsalClock:
    """Return this program's clock that follows the rig at an address. Raises ConfigError."""
    try:
        with _following:
            known = _followed.get(url)
            if known is None or known.alone:
                known = _followed[url] = RehearsalClock(*_time_of(url))
            return known
    except NO_TIME as trouble:
        error = ConfigError(
            say(
                "{variable} names a simulated rig at {url}, which does not tell its time: {why}",
                variable=REHEARSAL_VARIABLE,
                url=url,
                why=in_words(trouble),
            )
        )
        error.advice = say(
            "Start that rig first, with --rate: `polewright simulate --rate 6`. With a real mount "
            "unset {variable}.",
            variable=REHEARSAL_VARIABLE,
        )
        raise error from trouble


def in_rehearsal() -> bool:
    """Whether this program goes by the time of a rehearsal."""
    return bool(os.environ.get(REHEARSAL_VARIABLE))


def _leading_rig() -> str:
    """Return the address of the rig that leads the time; empty where none does."""
    told = os.environ.get(REHEARSAL_VARIABLE, "")
    return told if told.startswith("http://") else ""


def check_led(host: str, port: int) -> None:
    """Refuse a device that is not of the simulated rig which leads this program's time.

    Raises:
        ConfigError: by that time a real mount would be driven under another sky.
    """
    url = _leading_rig()
    if _given is not None or not url:
        return
    rig = urlsplit(url)
    named, host = rig.hostname or "", host.strip("[]")
    if rig.port == port and (named == host or _addresses(named, port) & _addresses(host, port)):
        return
    error = ConfigError(
        say(
            "the time is that of the simulated rig at {url} ({variable}), but a device is at "
            "{host}:{port}: by that time neither the sky nor the Sun is where this program looks",
            url=url,
            variable=REHEARSAL_VARIABLE,
            host=host,
            port=port,
        )
    )
    error.advice = say(
        "With a real mount unset {variable}. In a rehearsal use the devices of that rig.",
        variable=REHEARSAL_VARIABLE,
    )
    raise error


def _addresses(host: str, port: int) -> set[str]:
    """Return the addresses of a host; none where its name is not known."""
    try:
        return {str(found[4][0]) for found in socket.getaddrinfo(host, port)}
    except (OSError, UnicodeError):
        return set()


def hold_time() -> socket.socket | None:
    """Have the time of a rig go at the computer's speed as long as what is returned is open.

    For whoever watches a mount in real seconds. Never raises; None where no rig leads the time.
    """
    url = _leading_rig()
    if url:
        with suppress(*NO_TIME):
            way = socket.create_connection(_time_of(url), timeout=ANSWER_S)
            send_line(way, f"{COMPUTES!r}")
            return way
    return None


def _time_of(url: str) -> tuple[str, int]:
    """Return host and port of the time that the rig at an address leads."""
    parts = urlsplit(url)
    host = parts.hostname or ""
    connection = http.client.HTTPConnection(host, parts.port or 80, timeout=ANSWER_S)
    try:
        connection.request("GET", CLOCK_PATH)
        reply = connection.getresponse()
        body = reply.read(4096)
        if reply.status != 200:
            raise ValueError(body.decode("utf-8", "replace")[:200])
        return host, int(json.loads(body)["port"])
    finally:
        connection.close()
