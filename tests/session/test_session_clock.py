"""A computer's clock that is set back during the adjustment."""

from __future__ import annotations

import queue
import threading
from types import SimpleNamespace

import pytest

from polewright.calculation.adjusting.errors import FramesOutOfOrder
from polewright.foundation.config import Config
from polewright.observing.safety.guard_errors import ClockWasSet, MovedBySomebodyElse
from polewright.session.session import AlignSession


class Engine:
    """Refuses frames that are older than the one before, as the real one does."""

    def __init__(self) -> None:
        self.last_s = 0.0

    def update(self, utc_s: float) -> SimpleNamespace:
        if utc_s < self.last_s:
            raise FramesOutOfOrder(utc_s, self.last_s)
        self.last_s = utc_s
        advice = SimpleNamespace(action=None)
        return SimpleNamespace(utc_s=utc_s, advice=advice, settled=True)

    def go_on_from(self, utc_s: float) -> None:
        self.last_s = utc_s


def test_a_clock_that_is_set_back_is_told_and_the_reading_goes_on(monkeypatch) -> None:
    """The session does not end: a warning says by how much, what it spoils, and what to do."""
    frames = iter([1000.0, 1005.0, 805.0, 810.0])
    notes: list[tuple[str, bool]] = []
    read: list[float] = []
    session = object.__new__(AlignSession)
    session._commands = queue.SimpleQueue()  # type: ignore[assignment]
    session._sweep_wanted = threading.Event()
    session._paused, session._hands_free, session._by_itself = False, None, False
    session._attended, session.config = True, Config()
    rig = SimpleNamespace(
        clock=SimpleNamespace(monotonic_s=lambda: 0.0),
        guards=SimpleNamespace(while_tracking=lambda: None),
        note=lambda text, *, warning=False: notes.append((text, warning)),
    )
    live = SimpleNamespace(under_way=True, begin=lambda: None, next=lambda: next(frames))

    def tell(_rig, reading) -> None:
        read.append(reading.utc_s)
        if len(read) == 4:
            session._sweep_wanted.set()

    monkeypatch.setattr(session, "_clear_to_sweep", lambda _rig: True)
    monkeypatch.setattr(session, "_read", lambda _rig, frame, **_more: frame)
    monkeypatch.setattr(session, "_tell", tell)
    monkeypatch.setattr(session, "_obey", lambda _engine, _asked: None)

    session._read_on(rig, Engine(), live)  # type: ignore[arg-type]

    assert read == [1000.0, 1005.0, 805.0, 810.0]
    ((text, warning),) = notes
    assert warning
    assert "set back, by 200.0 s" in text
    # 200 s of the sky's 15.04 degrees an hour.
    assert float(text.split("wrong by ")[1].split("°")[0]) == pytest.approx(0.84, abs=0.01)
    assert "new sweep" in text


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (ClockWasSet(3600.0), "This computer's clock was set forward by 3600.0 s during the run."),
        (MovedBySomebodyElse(12.0, slewing=True), "Somebody else moved or synchronised the mount"),
    ],
)
def test_what_interferes_with_an_adjustment_is_told_and_the_reading_goes_on(
    monkeypatch, error, told
) -> None:
    """A clock set forward and another program's slew: named, and neither ends the session."""
    looks = iter([None, error])
    notes: list[str] = []
    moved: list[float] = []
    read: list[float] = []
    session = object.__new__(AlignSession)
    session._commands = queue.SimpleQueue()  # type: ignore[assignment]
    session._sweep_wanted = threading.Event()
    session._paused, session._hands_free, session._by_itself = False, None, False
    session._attended, session.config = True, Config()
    engine = Engine()
    engine.mount_was_moved = moved.append  # type: ignore[attr-defined]

    def guarded() -> None:
        trouble = next(looks, None)
        if trouble is not None:
            raise trouble

    rig = SimpleNamespace(
        guards=SimpleNamespace(while_tracking=guarded),
        note=lambda text, **_more: notes.append(text),
        clock=SimpleNamespace(monotonic_s=lambda: 0.0),
    )
    frames = iter([1000.0, 4600.0])
    live = SimpleNamespace(under_way=True, begin=lambda: None, next=lambda: next(frames))

    def tell(_rig, reading) -> None:
        read.append(reading.utc_s)
        if len(read) == 2:
            session._sweep_wanted.set()

    monkeypatch.setattr(session, "_clear_to_sweep", lambda _rig: True)
    monkeypatch.setattr(session, "_read", lambda _rig, frame, **_more: frame)
    monkeypatch.setattr(session, "_tell", tell)
    monkeypatch.setattr(session, "_obey", lambda _engine, _asked: None)

    session._read_on(rig, engine, live)  # type: ignore[arg-type]

    assert read == [1000.0, 4600.0]
    assert notes[0].startswith(told)
    assert len(moved) == isinstance(error, MovedBySomebodyElse)
