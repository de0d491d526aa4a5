"""Frames exposed ahead: told in the run's own thread, stopped at any moment, never mixed up."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from polewright.calculation.images.frame import Frame
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.errors import Cancelled, DeviceError, GuardError
from polewright.observing.capture import live_frames
from polewright.observing.capture.live_frames import LiveFrames


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

    def __post_init__(self) -> None:
        self.guards = self
        self.emit = lambda event: self.told.append((event, threading.current_thread()))

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
    """An exposure of a hundred seconds ends at once; the next frame is a new one."""
    lengths = iter([100.0, 0.01])
    live = LiveFrames(rig, lambda: next(lengths))  # type: ignore[arg-type]
    live.begin()
    time.sleep(0.05)
    began_s = time.monotonic()
    live.stop()

    assert time.monotonic() - began_s < 10.0
    assert rig.aborted == [0]
    frame = live.next().frame
    assert frame is not None
    assert frame.utc_mid_s == 1.0


def test_a_stop_of_the_run_is_heard_while_a_frame_is_waited_for(rig: FakeRig) -> None:
    """Long before the exposure of a hundred seconds is over, which is aborted."""
    live = LiveFrames(rig, lambda: 100.0)  # type: ignore[arg-type]
    threading.Timer(0.1, rig.cancel.cancel).start()
    began_s = time.monotonic()
    with pytest.raises(Cancelled):
        live.next()
    live.stop(hurry=True)

    assert time.monotonic() - began_s < 10.0
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
