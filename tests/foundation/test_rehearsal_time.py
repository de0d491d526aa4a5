"""The time of a rehearsal: fast while everybody waits, the computer's while somebody computes."""

from __future__ import annotations

import math
import socket
import threading
import time
from collections.abc import Iterator

import pytest

from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import Cancelled, ConfigError
from polewright.foundation.rehearsal import (
    COMPUTES,
    REHEARSAL_VARIABLE,
    Course,
    RehearsalClock,
    check_led,
    clock_from_environment,
    hold_time,
)
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.server.time_lead import Pace, TimeLead

NIGHT_UTC_S = 1795210200.0
LONG_S = 300.0
"""Real seconds that only limit a hang."""


class Recorded(Pace):
    """A pace that keeps what it hears."""

    def __init__(self, rate: float = 50.0) -> None:
        super().__init__(NIGHT_UTC_S, rate)
        self.heard: list[float] = []
        self.news = threading.Condition()

    def hear(self, who: object, until_s: float) -> None:
        super().hear(who, until_s)
        with self.news:
            self.heard.append(until_s)
            self.news.notify_all()

    def until(self, *wanted: float) -> None:
        """Wait until these are the last words heard."""
        with self.news:
            assert self.news.wait_for(
                lambda: tuple(self.heard[-len(wanted) :]) == wanted, LONG_S
            ), self.heard


@pytest.fixture
def lead() -> Iterator[TimeLead]:
    made = TimeLead(Recorded())
    yield made
    made.stop()


class Timer:
    """A computer's timer that is set by hand."""

    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def test_a_course_is_fast_until_its_moment_and_then_the_computers() -> None:
    """Ten times as fast for 100 s of the night; the way back from time to timer agrees."""
    course = Course(NIGHT_UTC_S, 1000.0, 10.0, NIGHT_UTC_S + 100.0)

    passed = [course.utc_at(1000.0 + real_s) - NIGHT_UTC_S for real_s in (-1, 0, 5, 10, 12)]
    assert passed == [0.0, 0.0, 50.0, 100.0, 102.0]
    for real_s in (0.0, 5.0, 10.0, 12.0):
        assert course.timer_at(course.utc_at(1000.0 + real_s)) == pytest.approx(1000.0 + real_s)
    assert course.timer_at(math.inf) == math.inf
    assert Course(NIGHT_UTC_S, 0.0, 10.0, math.inf).timer_at(math.inf) == math.inf
    assert Course.of_line(course.line) == course


def test_the_time_is_fast_only_while_all_wait_and_never_past_the_first_of_them() -> None:
    """One that computes, or was to go on, holds it at the computer's speed; one that left, not."""
    timer = Timer()
    pace = Pace(NIGHT_UTC_S, 10.0, timer)
    told: dict[str, list[Course]] = {"run": [], "rig": []}
    for who, courses in told.items():
        pace.join(who, courses.append)

    def passes(real_s: float) -> float:
        before_s = pace.utc_s()
        timer.now_s += real_s
        return pace.utc_s() - before_s

    assert passes(1.0) == 10.0  # nobody has said anything
    pace.hear("run", COMPUTES)
    assert passes(1.0) == 1.0
    pace.hear("run", pace.utc_s() + 20.0)
    pace.hear("rig", pace.utc_s() + 30.0)
    assert passes(5.0) == pytest.approx(20.0 + 3.0)  # late by 3 s: they do not count tenfold
    words = len(told["rig"])
    pace.hear("run", COMPUTES)
    assert len(told["rig"]) == words  # known already
    pace.hear("run", math.inf)
    assert passes(1.0) == pytest.approx(7.0 + 0.3)
    pace.hear("rig", COMPUTES)
    assert passes(1.0) == pytest.approx(1.0)
    pace.leave("rig")
    assert passes(1.0) == pytest.approx(10.0)
    assert told["run"][-1].utc_at(timer.now_s) == pytest.approx(pace.utc_s())


def test_a_program_computes_while_one_of_its_threads_does_not_wait(lead) -> None:
    """The main thread sleeps, a thread works, then waits for a signal, then ends."""
    clock, pace = lead.clock(), lead.pace
    work, bell = threading.Event(), clock.threads.signal()

    def thread() -> None:
        work.wait(LONG_S)
        bell.wait(40.0)

    asleep = CancelToken()
    clock.threads.start(thread, "works")
    pace.until(COMPUTES)

    def main() -> None:
        with clock.threads.taking_part(), pytest.raises(Cancelled):
            clock.sleep(1e6, asleep)

    other = threading.Thread(target=main)
    other.start()
    work.set()
    with pace.news:
        assert pace.news.wait_for(lambda: pace.heard[-1] > NIGHT_UTC_S, LONG_S)
    assert pace.heard[-1] < NIGHT_UTC_S + 1e5  # the first of the two
    bell.set()
    with pace.news:
        assert pace.news.wait_for(lambda: pace.heard[-1] > NIGHT_UTC_S + 1e5, LONG_S)
    assert COMPUTES in pace.heard[1:]  # from the bell to the thread's end
    asleep.cancel()
    other.join(LONG_S)
    pace.until(COMPUTES, math.inf)


def test_a_sleep_ends_at_its_moment_on_every_clock_that_follows(lead) -> None:
    """Two clocks agree; whoever has slept finds the time to have come."""
    first, second = lead.clock(), lead.clock()
    before_s = first.utc_s()

    first.sleep(30.0)

    assert first.utc_s() >= before_s + 30.0
    earlier_s, seen_s, later_s = first.utc_s(), second.utc_s(), first.utc_s()
    assert earlier_s - 0.01 <= seen_s <= later_s + 0.01
    assert first.monotonic_s() >= 30.0


def test_a_program_follows_its_rig_and_holds_the_time_until_it_dies(lead, monkeypatch) -> None:
    """The rig's address is enough; the connection closes with the program."""
    with serve(SimulatedRig(clock=lead.clock())) as running:
        monkeypatch.setenv(REHEARSAL_VARIABLE, running.url)
        clock = clock_from_environment()
        assert isinstance(clock, RehearsalClock)
        assert clock.utc_s() >= NIGHT_UTC_S
        assert clock_from_environment() is clock
        held = hold_time()
        assert held is not None
        lead.pace.until(COMPUTES)
        assert lead.pace._course.until_s < math.inf

        held.close()

        end_s = time.monotonic() + LONG_S
        while lead.pace._course.until_s < math.inf:
            assert time.monotonic() < end_s
            time.sleep(0.01)


def test_without_its_rig_the_time_goes_on_at_the_computers_speed(lead, caplog) -> None:
    """Who sleeps wakes up, nothing steps back, and it is told."""
    clock = lead.clock()
    clock.sleep(1.0)
    before_s = clock.utc_s()
    lead.stop()

    clock.sleep(0.2)

    assert clock.utc_s() >= before_s + 0.2
    assert clock._course.rate == 1.0
    clock.sleep(0.2)
    assert "does not tell its time any more" in caplog.text


@pytest.mark.parametrize("leads", [False, True], ids=["nobody there", "without --rate"])
def test_a_rig_that_does_not_tell_its_time_is_explained(monkeypatch, leads: bool) -> None:
    """Which address, and what to start."""
    if leads:
        with serve(SimulatedRig()) as running:
            monkeypatch.setenv(REHEARSAL_VARIABLE, running.url)
            with pytest.raises(ConfigError) as raised:
                clock_from_environment()
        assert "started without --rate" in str(raised.value)
    else:
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            url = f"http://127.0.0.1:{taken.getsockname()[1]}"
            monkeypatch.setenv(REHEARSAL_VARIABLE, url)
            with pytest.raises(ConfigError) as raised:
                clock_from_environment()
            assert hold_time() is None
        assert url in str(raised.value)
        assert "refused" in str(raised.value)
    assert "--rate" in raised.value.advice


def test_a_device_elsewhere_than_the_rig_of_the_rehearsal_is_refused(lead, monkeypatch) -> None:
    """A real mount was driven by the time of a rig that had been left running."""
    with serve(SimulatedRig(clock=lead.clock())) as running:
        check_led("192.0.2.7", 11111)  # no rehearsal
        monkeypatch.setenv(REHEARSAL_VARIABLE, running.url)
        check_led("127.0.0.1", running.port)
        check_led("localhost", running.port)

        for host, port in (("127.0.0.1", running.port + 1), ("192.0.2.7", running.port)):
            with pytest.raises(ConfigError, match="simulated rig"):
                check_led(host, port)
