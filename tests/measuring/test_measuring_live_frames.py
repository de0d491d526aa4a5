"""Frames exposed ahead: told in the run's own thread, stopped at any moment, never mixed up."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np
import pytest

from polewright.calculation.images.frame import Frame
from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.config import Config
from polewright.foundation.errors import Cancelled, DeviceError, GuardError
from polewright.observing.capture import live_frames
from polewright.observing.capture.live_frames import LiveFrames
from polewright.observing.rig import camera_setup
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.rig.camera_setup import camera_left_whole
from polewright.observing.safety.stopping import motion_stopped_on_trouble


class Horizon(GuardError):
    """The mount is where it must not be."""


@dataclass
class FakeRig:
    """What a live frame needs; exposures are counted, and last 0.05 s."""

    clock: SystemClock = field(default_factory=SystemClock)
    cancel: CancelToken = field(default_factory=CancelToken)
    times: Any = None
    told: list[tuple[str, threading.Thread]] = field(default_factory=list)
    begun: list[float] = field(default_factory=list)
    aborted: list[int] = field(default_factory=list)
    trouble: Exception | None = None
    guards: Any = None
    emit: Any = None
    at_camera: list[Any] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    config: Any = field(default_factory=Config)
    camera: Any = None

    def __post_init__(self) -> None:
        self.guards = self
        self.emit = lambda event: self.told.append((event, threading.current_thread()))

    def note(self, text: str, *, warning: bool = False) -> None:
        assert warning
        self.notes.append(text)

    def while_tracking(self) -> None:
        self.told.append(("look", threading.current_thread()))
        if self.trouble is not None:
            raise self.trouble


@pytest.fixture
def rig(monkeypatch: pytest.MonkeyPatch) -> FakeRig:
    def take(its: Any, exposure_s: float) -> Frame:
        number = len(its.begun)
        its.begun.append(time.monotonic())
        its.emit(f"exposing {number}")
        its.guards.while_tracking()
        try:
            its.clock.sleep(exposure_s, its.cancel)
        except Cancelled:
            its.aborted.append(number)
            raise
        if exposure_s > 50.0:
            raise AssertionError("never reached")
        return Frame(np.zeros((4, 4), np.uint16), float(number), exposure_s)

    monkeypatch.setattr(live_frames, "take_frame", take)
    return FakeRig()


def test_the_next_frame_is_exposed_while_one_is_read(rig: FakeRig) -> None:
    """Each exposure begins when the one before is fetched and not when that is read."""
    live = LiveFrames(rig, lambda: 0.05)  # type: ignore[arg-type]
    read_s = []
    for number in range(3):
        frame = live.next().frame
        assert frame is not None
        live.begin()
        assert frame.utc_mid_s == number
        while len(rig.begun) < number + 2:
            time.sleep(0.005)
        read_s.append(time.monotonic())
    live.stop()

    assert len(rig.begun) == 4
    assert all(begun < read for begun, read in zip(rig.begun[1:], read_s, strict=True))
    assert not live.under_way


def test_events_and_guards_stay_in_the_thread_of_the_run(rig: FakeRig) -> None:
    """Listeners need no locks, and a guard that objects is heard by the run itself."""
    live = LiveFrames(rig, lambda: 0.02)  # type: ignore[arg-type]
    live.next()
    assert {event for event, _ in rig.told} == {"exposing 0", "look"}
    assert {thread for _, thread in rig.told} == {threading.current_thread()}

    rig.trouble = Horizon("too low")
    with pytest.raises(Horizon):
        live.next()
    live.stop(hurry=True)
    assert not live.under_way


def test_a_frame_that_is_not_wanted_is_aborted(rig: FakeRig) -> None:
    """An exposure of a day is aborted; the next frame is a new one."""
    lengths = iter([86400.0, 0.01])
    live = LiveFrames(rig, lambda: next(lengths))  # type: ignore[arg-type]
    live.begin()
    time.sleep(0.05)
    live.stop()

    assert rig.aborted == [0]
    frame = live.next().frame
    assert frame is not None
    assert frame.utc_mid_s == 1.0


def test_a_stop_of_the_run_is_heard_while_a_frame_is_waited_for(rig: FakeRig) -> None:
    """Long before the exposure of a day is over, which is aborted."""
    live = LiveFrames(rig, lambda: 86400.0)  # type: ignore[arg-type]
    threading.Timer(0.1, rig.cancel.cancel).start()
    with pytest.raises(Cancelled):
        live.next()
    live.stop(hurry=True)
    assert all(task.wait(300.0) for task in rig.at_camera)

    assert rig.aborted == [0]


def test_trouble_of_the_camera_comes_out_where_the_frame_would(
    rig: FakeRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not when it happens, but when the frame is asked for."""

    def broken(*_: object) -> Frame:
        raise DeviceError("no camera")

    monkeypatch.setattr(live_frames, "take_frame", broken)
    live = LiveFrames(rig, lambda: 1.0)  # type: ignore[arg-type]
    live.begin()
    with pytest.raises(DeviceError, match="no camera"):
        live.next()
    assert not live.under_way


class FakeDevices:
    """A mount and a camera that write down in which order they are asked."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.where = "camera"
        self.trouble: Exception | None = None

    def stop_motion(self, *, tracking_off: bool) -> MotionState:
        assert tracking_off
        self.asked.append("stop the mount")
        return MotionState.STOPPED

    def leave_whole(self, binning: int) -> None:
        self.asked.append(f"whole frame, binning {binning}")
        if self.trouble is not None:
            raise self.trouble


def ended_early(rig: FakeRig, devices: FakeDevices, live: LiveFrames) -> None:
    """A run that fails in the midst of a live frame, as a session has it."""
    rig.camera = devices
    anything: Any = rig
    with (
        camera_left_whole(anything),
        motion_stopped_on_trouble(cast("Any", devices), rig.clock, rig.emit),
    ):
        try:
            live.begin()
            rig.trouble = Horizon("too low")
            rig.while_tracking()
        except Horizon:
            live.stop(hurry=True)
            raise


def test_a_run_that_fails_stops_the_mount_first_and_leaves_the_camera_whole(rig: FakeRig) -> None:
    """The frame under way ends in between, so that nobody exposes while the camera is set."""
    devices = FakeDevices()
    live = LiveFrames(rig, lambda: 100.0)  # type: ignore[arg-type]

    with pytest.raises(Horizon):
        ended_early(rig, devices, live)

    assert devices.asked == ["stop the mount", "whole frame, binning 1"]
    assert not live.under_way
    assert (rig.at_camera, rig.notes) == ([], [])


def test_a_camera_that_hangs_does_not_hold_up_the_stop_of_the_mount(
    rig: FakeRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is waited for after that, not for ever, and told; nothing is sent to it meanwhile."""
    devices, free = FakeDevices(), threading.Event()
    waited: list[list[str]] = []

    def hangs(*_: object) -> Frame:
        assert free.wait(60.0)
        raise DeviceError("too late")

    class Counted(BackgroundTask[Any]):
        def wait(self, seconds: float) -> bool:
            waited.append(list(devices.asked))
            return super().wait(seconds)

    monkeypatch.setattr(live_frames, "take_frame", hangs)
    monkeypatch.setattr(live_frames, "BackgroundTask", Counted)
    monkeypatch.setattr(camera_setup, "LEAVE_S", 0.05)
    live = LiveFrames(rig, lambda: 1.0)  # type: ignore[arg-type]
    try:
        with pytest.raises(Horizon):
            ended_early(rig, devices, live)
    finally:
        free.set()

    assert waited == [["stop the mount"]]
    assert devices.asked == ["stop the mount"]
    assert len(rig.notes) == 1
    assert "still at work" in rig.notes[0]


def test_a_camera_that_refuses_the_whole_frame_is_told_and_hides_nothing(rig: FakeRig) -> None:
    devices = FakeDevices()
    devices.trouble = DeviceError("no camera")
    with pytest.raises(Horizon):
        ended_early(rig, devices, LiveFrames(rig, lambda: 100.0))  # type: ignore[arg-type]
    assert len(rig.notes) == 1
    assert "no camera" in rig.notes[0]
