"""Live frames that tell nothing: for ever with a person there, in time without one."""

from __future__ import annotations

import queue
import threading
from types import SimpleNamespace

import pytest

from polewright.calculation.adjusting.observation import NoReading
from polewright.foundation.config import Config
from polewright.foundation.errors import ExitCode
from polewright.session.session import AlignSession, NoReference


@pytest.mark.parametrize("attended", [False, True])
def test_frames_that_are_not_solved_end_a_session_that_nobody_attends(
    monkeypatch, attended
) -> None:
    """Every frame takes 10 s: warned at half of the 240 s, ended after them; a reading in between
    counts anew."""
    notes: list[str] = []
    now_s, frames = [0.0], [0]
    session = object.__new__(AlignSession)
    session._commands = queue.SimpleQueue()  # type: ignore[assignment]
    session._sweep_wanted = threading.Event()
    session._paused, session._hands_free, session._by_itself = False, None, False
    session._attended, session.config = attended, Config()
    session.clock = SimpleNamespace(utc_s=lambda: now_s[0])  # type: ignore[assignment]
    rig = SimpleNamespace(
        clock=SimpleNamespace(monotonic_s=lambda: now_s[0]),
        guards=SimpleNamespace(while_tracking=lambda: None),
        emit=lambda note: notes.append(note.text),
    )

    def read(_rig, _frame, **_more):
        now_s[0] += 10.0
        frames[0] += 1
        if frames[0] == 100:
            session._sweep_wanted.set()
        seen = frames[0] == 20
        return SimpleNamespace() if seen else NoReading("0 stars found", now_s[0])

    reading = SimpleNamespace(advice=SimpleNamespace(action=None), settled=True)
    engine = SimpleNamespace(update=lambda _seen: reading)
    live = SimpleNamespace(under_way=True, begin=lambda: None, next=lambda: None)
    monkeypatch.setattr(session, "_read", read)
    monkeypatch.setattr(session, "_tell", lambda *_: None)
    monkeypatch.setattr(session, "_obey", lambda *_: None)
    monkeypatch.setattr(session, "_clear_to_sweep", lambda _rig: True)

    if attended:
        session._read_on(rig, engine, live)  # type: ignore[arg-type]
        assert frames[0] == 100
        assert notes == []
    else:
        with pytest.raises(NoReference, match=r"25 frames .* 0 stars found") as caught:
            session._read_on(rig, engine, live)  # type: ignore[arg-type]
        assert caught.value.exit_code is ExitCode.SOLVE
        assert frames[0] == 45
        assert sum("No frame has been solved for 130 s" in note for note in notes) == 2
