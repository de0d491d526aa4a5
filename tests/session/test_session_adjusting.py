"""What a session does between sweeps: clocks and mounts that others touch, lost frames, wishes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, cast

import pytest
from session.session_bench import NIGHT_S, SessionBench

from polewright.calculation.adjusting.glance_choice import Glance
from polewright.devices.alpaca.errors import Where
from polewright.foundation.angles import ARCMIN, ARCSEC
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ExitCode, PolewrightError
from polewright.observing.capture.live_frames import Live, LiveFrames
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.guard_errors import ClockWasSet, MovedBySomebodyElse
from polewright.observing.safety.mount_lock import MountTaken
from polewright.records.events import Event, FrameMeasured
from polewright.session import session as session_module
from polewright.session.session import Command

UNATTENDED: dict[str, object] = {
    "adjuster.name": "command",
    "adjuster.options": {"command": "no-motor {axis} {arcmin}"},
}


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> SessionBench:
    """With somebody there, half a degree off, adjusting from a reference frame on."""
    return SessionBench(monkeypatch, tmp_path)


# Others touch clock and mount


def test_a_clock_that_is_set_back_is_told_and_the_reading_goes_on(bench: SessionBench) -> None:
    """The session does not end: a warning says by how much, what it spoils, and what to do."""
    times_s = [NIGHT_S + after_s for after_s in (200.0, 205.0, 5.0, 10.0)]
    bench.frame_times_s = lambda number: times_s[min(number, 4) - 1]
    bench.on_reading = lambda number: bench.session.stop() if number == 4 else None

    assert bench.run() is ExitCode.INTERRUPTED
    assert [reading.utc_s for reading in bench.readings] == times_s
    (note,) = bench.notes("clock")
    assert note.severity == "warning"
    assert "set back by 200.0 s" in note.text
    # 200 s of the sky's 15.04 degrees an hour.
    assert float(note.text.split("wrong by ")[1].split("°")[0]) == pytest.approx(0.84, abs=0.01)
    assert "new sweep" in note.text


@pytest.mark.parametrize(
    ("error", "told", "action"),
    [
        (
            ClockWasSet(3600.0),
            "This computer's clock was set forward by 3600.0 s during the run.",
            "raise",
        ),
        (
            MovedBySomebodyElse(12.0, slewing=True),
            "Someone else moved or synchronised the mount",
            "check_mount",
        ),
    ],
)
def test_what_interferes_with_an_adjustment_is_told_and_the_reading_goes_on(
    bench: SessionBench, error: PolewrightError, told: str, action: str
) -> None:
    """A clock set forward and another program's slew: named, and neither ends the session. Only
    after the slew is a new sweep asked for."""
    looks: Iterator[PolewrightError | None] = iter([None, None, error])

    def guarded() -> None:
        trouble = next(looks, None)
        if trouble is not None:
            raise trouble

    bench.look_at_mount = guarded
    bench.on_reading = lambda number: bench.session.stop() if number == 5 else None

    assert bench.run() is ExitCode.INTERRUPTED
    assert [reading.action for reading in bench.readings[:2]] == ["wait", "raise"]
    assert bench.readings[-1].action == action
    (note,) = bench.notes()
    assert note.text.startswith(told)


# Frames that tell nothing


@pytest.mark.parametrize("attended", [False, True])
def test_frames_that_are_not_solved_end_a_session_that_nobody_attends(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, attended: bool
) -> None:
    """Every frame takes 20 s: warned at half of the 240 s, ended after them; a reading in between
    counts anew. With somebody there it goes on for ever."""
    changes = {"adjusting.exposure_s": 20.0, **({} if attended else UNATTENDED)}
    bench = SessionBench(monkeypatch, tmp_path, changes, attended=attended)
    bench.solves = lambda number: number == 10
    bench.on_reading = lambda number: bench.session.stop() if number == 30 else None

    outcome = bench.run()

    warnings = bench.notes("No frame solved for 140 s")
    failure = bench.session.snapshot().failure
    assert failure is not None
    if attended:
        assert (outcome, len(bench.readings)) == (ExitCode.INTERRUPTED, 30)
        assert warnings == []
    else:
        assert (outcome, len(bench.readings)) == (ExitCode.SOLVE, 23)
        assert failure.code == "no_reference"
        assert failure.message.startswith("13 frames")
        assert "0 stars found" in failure.message
        assert len(warnings) == 2


# A new sweep


@pytest.mark.parametrize("stopped", [False, True])
def test_whoever_is_near_has_ten_seconds_before_the_first_sweep_crosses_the_meridian(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, stopped: bool
) -> None:
    """Told before anything moves; a stop in these seconds is one before anything moved."""
    bench = SessionBench(monkeypatch, tmp_path, swept=True)
    bench.crosses = True
    began_s: list[float] = []
    monkeypatch.setattr(bench.clock, "sleep", sleep := _Sleeps(bench, stop=stopped))
    bench.after_sweep = lambda: (began_s.append(sleep.slept_s), bench.session.stop())  # type: ignore[assignment, func-returns-value]

    bench.run()

    (note,) = bench.notes("crosses the meridian")
    assert "In 10 s the mount moves" in note.text
    assert began_s == ([] if stopped else [10.0])


class _Sleeps:
    """Counts what is slept away, and stops the session meanwhile if it shall."""

    def __init__(self, bench: SessionBench, *, stop: bool) -> None:
        self.bench, self.stop, self.slept_s = bench, stop, 0.0

    def __call__(self, seconds: float, cancel: CancelToken | None = None) -> None:
        self.slept_s += seconds
        if self.stop:
            self.bench.session.stop()
        if cancel is not None:
            cancel.check()


def test_another_run_is_named_even_while_it_slews_the_mount(
    bench: SessionBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whose run it is, not that some program seems to drive the mount."""

    def taken(_rig: Rig) -> None:
        raise MountTaken(Where("pi", 5, "telescope", 0), "polewright align, process 7 of ilse")

    monkeypatch.setattr(session_module, "watched", taken)
    slews = bench._telescope()
    slews.slewing = lambda: True
    monkeypatch.setattr(bench, "_telescope", lambda: slews)

    assert bench.run() is ExitCode.DEVICE
    failure = bench.session.snapshot().failure
    assert failure is not None
    assert failure.code == "mount_taken"
    assert "polewright align, process 7 of ilse" in failure.message
    # The session that was to be taken up is interrupted as before: it may be tried again.
    assert bench.records("step")[-1].data["step"] == "failed"
    assert bench.records("end") == []


def test_a_sweep_across_the_meridian_has_to_be_asked_for_twice(bench: SessionBench) -> None:
    """The first wish is answered with a warning, the second one goes on."""
    bench.crosses = True
    warned_at: list[int] = []

    def wish(number: int) -> None:
        if number in (2, 5):
            bench.session.command(Command.SWEEP)
        if not warned_at and bench.notes("across"):
            warned_at.append(number)

    bench.on_reading = wish
    bench.on_plan = lambda how: None if how.get("quiet") else bench.session.stop()
    bench.run()

    (note,) = bench.notes("across")
    assert note.severity == "warning"
    assert "once more" in note.text
    assert warned_at[0] < 5
    assert [how.get("quiet", False) for how in bench.planned] == [True, False]
    assert len(bench.readings) in (5, 6)


def done(monkeypatch: pytest.MonkeyPatch, folder: Path, *, attended: bool = True) -> SessionBench:
    """A session that finds the axis on the pole and sweeps by itself."""
    changes: dict[str, object] = {
        "adjusting.sweep_by_itself": True,
        "profile.needs_snugging": False,
    }
    changes |= {} if attended else UNATTENDED
    bench = SessionBench(monkeypatch, folder, changes, error_deg=0.0, attended=attended)
    bench.on_plan = lambda how: None if how.get("quiet") else bench.session.stop()
    return bench


def test_a_sweep_that_begins_by_itself_does_not_cross_unasked(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """It is told once, and waits for somebody."""
    bench = done(monkeypatch, tmp_path)
    bench.crosses = True
    bench.on_reading = lambda number: bench.session.command(Command.SWEEP) if number == 8 else None
    bench.run()

    assert len(bench.notes("across")) == 1
    assert {reading.action for reading in bench.readings[3:]} == {"done"}
    assert len(bench.readings) in (8, 9)


@pytest.mark.parametrize(("crosses", "attended"), [(False, True), (True, False)])
def test_nothing_is_asked_where_nothing_crosses_or_nobody_is_there(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, crosses: bool, attended: bool
) -> None:
    """A sweep on the same side begins at once, and so does one with nobody's hands near."""
    bench = done(monkeypatch, tmp_path, attended=attended)
    bench.crosses = crosses
    bench.on_reading = lambda number: bench.session.stop() if number == 8 else None
    bench.run()

    assert bench.notes("across") == []
    assert len(bench.readings) < 8
    assert not bench.planned[-1].get("quiet")


def test_a_sweep_asked_for_during_the_reference_frame_is_made(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """It was accepted, so it counts, although no live frame had been taken yet."""
    bench = SessionBench(monkeypatch, tmp_path, swept=True)

    def wish(event: Event) -> None:
        if isinstance(event, FrameMeasured) and bench.frames == 1:
            bench.session.command(Command.SWEEP)

    bench.on_event = wish
    bench.on_plan = lambda _how: bench.session.stop() if len(bench.planned) == 3 else None
    bench.run()

    assert [how["again"] for how in bench.planned] == [False, True, True]
    assert bench.readings == []


def test_wishes_of_one_pass_do_not_reach_the_next(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Turns told and a pause wished when the next sweep is being made ready say nothing about the
    pass after it."""
    bench = SessionBench(monkeypatch, tmp_path, swept=True)

    def late(how: dict[str, object]) -> None:
        if how.get("quiet"):
            bench.session.command(Command.TURNS, axis="altitude", turns=1.0)
            bench.session.command(Command.PAUSE)

    def wish(number: int) -> None:
        if number == 2:
            bench.session.command(Command.PAUSE)
            bench.session.command(Command.SWEEP)
        if number == 6:
            bench.session.stop()

    bench.on_plan, bench.on_reading = late, wish
    bench.run()

    assert len(bench.records("measured")) == 2
    assert len(bench.readings) == 6
    assert [record.data["command"] for record in bench.records("command")] == ["pause", "sweep"]
    assert not bench.session.snapshot().paused


def test_a_pause_ends_although_a_frame_was_begun_ahead(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Between glances one is under way whenever a key is pressed; what was begun before the pause
    says nothing about the axis after it."""

    class Ahead(LiveFrames):
        def next(self, ahead: Callable[[], Glance | None] | None = None) -> Live:
            self.begin()
            if ahead is not None and not paused:
                self._begin(None)
            return super().next()

    paused: list[int] = []
    bench = SessionBench(monkeypatch, tmp_path)
    monkeypatch.setattr(session_module, "LiveFrames", Ahead)
    sleep = bench.clock.sleep

    def wait(seconds: float, cancel: CancelToken | None = None) -> None:
        sleep(seconds, cancel)
        if seconds == session_module.WAIT_TICK_S:
            paused.append(bench.frames)
            if len(paused) == 2:
                bench.session.command(Command.RESUME)
            if len(paused) == 20:
                bench.session.stop()

    def wish(number: int) -> None:
        if number == 2:
            bench.session.command(Command.PAUSE)
        if number == 6:
            bench.session.stop()

    monkeypatch.setattr(bench.clock, "sleep", wait)
    bench.on_reading = wish
    bench.run()

    assert len(bench.readings) == 6
    assert [record.data["command"] for record in bench.records("command")] == ["pause", "resume"]
    began_s = bench.records("command")[-1].utc_s
    assert [reading.utc_s > began_s for reading in bench.readings[-3:]] == [True] * 3


def test_a_turn_before_the_first_live_frame_counts(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Whoever turns as soon as the sweep's figure is there is not asked for the same turn again."""
    bench = SessionBench(monkeypatch, tmp_path, swept=True, error_deg=0.5)
    before = bench.mount.error()

    def turn() -> None:
        bench.mount.altitude += 20.0 * ARCMIN

    bench.after_sweep = turn
    bench.on_reading = lambda number: bench.session.stop() if number == 4 else None
    bench.run()

    after = bench.mount.error()
    assert abs(after - before) > 5.0 * ARCMIN
    assert bench.readings[-1].total_arcmin == pytest.approx(after / ARCMIN, abs=0.5)
    assert bench.notes("The axis was turned by about 20")


def test_hands_off_is_no_turn(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Tracking and noise between the sweep and the first live frame are not told as a turn."""
    bench = SessionBench(monkeypatch, tmp_path, swept=True)
    bench.after_sweep = lambda: bench.mount.wait(60.0)
    bench.on_reading = lambda number: bench.session.stop() if number == 2 else None
    bench.run()

    assert not bench.notes("between the sweep and the first live frame")


def test_a_nudged_declination_axis_is_no_turn_of_an_adjuster(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A hand controller's nudge after the sweep does not change the reading, and is told."""
    bench = SessionBench(monkeypatch, tmp_path, swept=True, error_deg=0.05)

    def nudge() -> None:
        bench.mount.slip += 2.0 * ARCMIN
        bench.told_declination_deg += 2.0 / 60.0

    bench.after_sweep = nudge
    bench.on_reading = lambda number: bench.session.stop() if number == 2 else None
    bench.run()

    true_arcmin = bench.mount.error() / ARCMIN
    assert bench.readings[-1].total_arcmin == pytest.approx(true_arcmin, abs=0.3)
    assert bench.notes("no adjuster did it")


@pytest.mark.parametrize("roll_arcsec", [20.0, 60.0])
def test_noise_of_the_roll_is_no_turn(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, roll_arcsec: float
) -> None:
    """Narrow fields tell the roll badly: that is no turn while their sigma says so."""
    bench = SessionBench(monkeypatch, tmp_path, swept=True)
    bench.mount.roll_sigma = roll_arcsec * ARCSEC
    bench.on_reading = lambda number: bench.session.stop() if number == 2 else None
    bench.run()

    assert not bench.notes("between the sweep and the first live frame")


# Where the next sweep begins


@pytest.mark.parametrize("by_itself", [False, True])
def test_a_sweep_begins_where_the_telescope_rests(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, by_itself: bool
) -> None:
    """The frame that shows it at rest is the first point where nobody has asked for the sweep:
    whoever asks may have touched an adjuster since."""
    changes: dict[str, object] = {
        "adjusting.sweep_by_itself": by_itself,
        "profile.needs_snugging": False,
    }
    bench = SessionBench(monkeypatch, tmp_path, changes, error_deg=0.0, swept=True)

    def wish(number: int) -> None:
        if not by_itself and bench.readings[-1].state == "settled":
            bench.session.command(Command.SWEEP)
        if len(bench.at_rest) > 1:
            bench.session.stop()
        assert number < 20

    bench.on_reading = wish
    bench.run()

    assert bench.at_rest[0] is None
    rests = bench.at_rest[1]
    assert rests is not None
    assert (rests.frame is not None) == by_itself
    assert rests.attitude.utc_s >= bench.readings[1].utc_s


@pytest.mark.parametrize("what", ["snugged", "turns", "pause", "turning"])
def test_a_sweep_does_not_begin_where_adjusters_may_have_been_touched(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, what: str
) -> None:
    """What is told, or seen, to have happened after the last reading at rest."""
    bench = SessionBench(monkeypatch, tmp_path, error_deg=0.5, swept=True)
    settled: list[int] = []

    def wish(number: int) -> None:
        if bench.readings[-1].state == "settled" and not settled:
            settled.append(number)
            if what == "turning":
                bench.mount.altitude += 5.0 * ARCMIN
            elif what == "turns":
                bench.session.command(Command.TURNS, axis="altitude", turns=0.2)
            else:
                bench.session.command(Command(what))
        if settled and (what != "turning" or bench.readings[-1].state == "moving"):
            bench.session.command(Command.SWEEP)
        if len(bench.at_rest) > 1:
            bench.session.stop()
        assert number < 20

    bench.on_reading = wish
    bench.run()

    assert settled
    assert bench.at_rest[:2] == [None, None]


@pytest.mark.parametrize(
    ("fetch_s", "most", "helps"),
    [(2.0, 4, []), (49.0, 4, ["[camera] binning = 2"]), (49.0, 1, ["A cable"])],
)
def test_frames_that_take_long_to_come_are_told_once_with_what_helps(
    bench: SessionBench, fetch_s: float, most: int, helps: list[str]
) -> None:
    """61 megapixels over 20 Mbit/s: hands would wait a minute and a half after each turn."""
    bench.fetch_s, bench.max_binning = fetch_s, most
    bench.on_reading = lambda number: bench.session.stop() if number == 4 else None

    bench.run()
    notes = bench.notes("takes 49 s to come")
    assert len(notes) == len(helps)
    assert all(words in note.text for words, note in zip(helps, notes, strict=True))
    assert most > 1 or not bench.notes("binning")


def test_with_motors_nobody_is_told_for_how_long_hands_must_be_off(bench: SessionBench) -> None:
    bench.session._hands_free = cast("Any", object())
    bench.session._tell_slow(bench.rig, 49.0)
    bench.journal.close()

    assert bench.notes() == []
