"""Ways out of a run: nothing that fails beside the stop hides how the mount was left."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from polewright.devices.alpaca.errors import Where
from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.foundation.clock import CancelToken, Clock, SystemClock
from polewright.foundation.config import Config
from polewright.foundation.errors import (
    Cancelled,
    DeviceError,
    ExitCode,
    GuardError,
    Insisted,
    LeftInHaste,
    MotionUnknown,
)
from polewright.observing.rig.rig import Rig
from polewright.observing.runs import drift_run, measurement
from polewright.observing.safety import stopping
from polewright.observing.safety.stopping import motion_stopped_on_trouble
from polewright.records.events import Event, EventSink
from polewright.session.journal import Journal, JournalUnusable
from polewright.session.session import AlignSession
from polewright.session.states import Step


class Mount:
    """Answers a stop with a state, or is interrupted in it."""

    where = Where("127.0.0.1", 9, "telescope", 0)
    clock = SystemClock()

    def __init__(self, answer: MotionState | type[BaseException]) -> None:
        self.answer, self.stops = answer, 0

    def stop_motion(self, *, tracking_off: bool = False) -> MotionState:
        assert tracking_off
        self.stops += 1
        if isinstance(self.answer, MotionState):
            return self.answer
        raise self.answer

    def stop_words(self) -> str:
        return " (abortslew: axis stalled)"


def leave(mount: Mount, emit: EventSink, trouble: BaseException) -> None:
    with motion_stopped_on_trouble(cast("Any", mount), SystemClock(), emit):
        raise trouble


def broken(_event: Event) -> None:
    raise BrokenPipeError("the terminal is gone")


def test_a_listener_that_fails_does_not_hide_an_unknown_motion() -> None:
    """The terminal went away with its reader: the exit code still says go and look."""
    with pytest.raises(MotionUnknown) as caught:
        leave(Mount(MotionState.UNKNOWN), broken, GuardError("too low"))

    assert isinstance(caught.value.__cause__, GuardError)


def test_a_listener_that_fails_does_not_replace_the_trouble() -> None:
    """What ended the run comes through when the mount stands."""
    mount = Mount(MotionState.STOPPED)
    with pytest.raises(GuardError, match="too low"):
        leave(mount, broken, GuardError("too low"))

    assert mount.stops == 1


def test_a_stop_that_fails_is_told_in_the_drivers_words() -> None:
    with pytest.raises(MotionUnknown, match="axis stalled"):
        leave(Mount(MotionState.UNKNOWN), lambda _event: None, GuardError("too low"))


def test_a_stop_that_is_interrupted_leaves_the_motion_unknown() -> None:
    """A second Ctrl-C in the middle of the stop: the watchdog is given the mount, not dismissed."""
    told: list[Event] = []
    with pytest.raises(MotionUnknown):
        leave(Mount(KeyboardInterrupt), told.append, KeyboardInterrupt())

    assert [event.to_dict()["state"] for event in told] == ["unknown"]


class SilentMount(Mount):
    """Never comes back from a stop, until the test is over."""

    def __init__(self) -> None:
        super().__init__(MotionState.STOPPED)
        self.over = threading.Event()

    def stop_motion(self, *, tracking_off: bool = False) -> MotionState:
        state = super().stop_motion(tracking_off=tracking_off)
        self.over.wait(60.0)
        return state


def test_a_second_interrupt_waits_for_no_device(monkeypatch: pytest.MonkeyPatch) -> None:
    """The stop is sent all the same; that it was not confirmed is told."""
    monkeypatch.setattr(stopping, "HASTE_S", 0.2)
    mount = SilentMount()
    told: list[Event] = []
    with pytest.raises(LeftInHaste):
        leave(mount, told.append, Insisted())
    mount.over.set()

    assert mount.stops == 1
    assert [event.to_dict()["state"] for event in told] == ["unknown"]
    with pytest.raises(LeftInHaste):
        leave(Mount(Insisted), told.append, Cancelled("the first one"))


def test_a_second_interrupt_of_a_mount_that_stands_is_a_stop_like_another() -> None:
    with pytest.raises(Cancelled):
        leave(Mount(MotionState.STOPPED), lambda _event: None, Insisted())


def finish_measuring(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measurement, "measure", lambda *_: SimpleNamespace())
    measurement.measure_axis(rig, [])


def finish_drifting(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in (
        *("plan_request", "DriftCheck", "ready_mount", "shared_errors_of"),
        *("tube_sag", "focal_length_mm", "tell_tube_sag"),
    ):
        monkeypatch.setattr(drift_run, name, lambda *_: SimpleNamespace(pointing=True))
    monkeypatch.setattr(drift_run, "choose_fields", lambda *_, **__: [])
    drift_run.run_drift(rig, None, drift_run.DriftSettings(two_fields=False))


@pytest.mark.parametrize("finish", [finish_measuring, finish_drifting])
def test_a_planned_stop_that_is_not_confirmed_is_told(
    finish: Callable[[Rig, pytest.MonkeyPatch], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """[run] afterwards = "stop" asks for a mount that stands: else the run did not end well."""
    for module in (measurement, drift_run):
        monkeypatch.setattr(module, "watched", lambda _rig: nullcontext())
    mount = Mount(MotionState.MOVING)
    config = Config.model_validate({"run": {"afterwards": "stop"}})
    rig = SimpleNamespace(
        telescope=mount,
        clock=SystemClock(),
        emit=lambda _event: None,
        note=lambda _text: None,
        config=config,
        site=None,
        atmosphere=None,
    )

    with pytest.raises(MotionUnknown):
        finish(cast("Rig", rig), monkeypatch)

    assert mount.stops == 2


# -- the session ---------------------------------------------------------------------------


def no_devices(_config: Config, _clock: Clock, _cancel: CancelToken, _emit: EventSink) -> Rig:
    raise DeviceError("nothing there")


def test_a_session_whose_journal_cannot_be_read_back_fails_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It ends as failed with an exit code; nothing is raised."""
    journal = Journal(tmp_path / "one.journal.jsonl")
    session = AlignSession(
        no_devices,
        Config(),
        SystemClock(),
        journal,
        lambda _event: None,
        session_id="one",
        resumed=True,
    )

    def unreadable(path: Path) -> None:
        raise JournalUnusable(str(path), "input/output error")

    monkeypatch.setattr("polewright.session.session.read_journal", unreadable)

    assert session.run() is ExitCode.USAGE
    assert session.step is Step.FAILED
    journal.close()
