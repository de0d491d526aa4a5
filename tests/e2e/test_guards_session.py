"""Guards while a person adjusts: the session ends with the mount stopped and says why."""

from __future__ import annotations

import pytest

from polewright.foundation.errors import ExitCode
from polewright.observing.runs.connect import connect_rig
from polewright.records.events import MotionStopped
from polewright.session.journal import Journal
from polewright.session.session import AlignSession
from polewright.session.states import ENDED, Step

pytestmark = pytest.mark.e2e


def test_unsafe_weather_ends_adjusting(start_night, tmp_path) -> None:
    """The monitor is watched between sweeps too: step, exit code, sentence, standing mount."""
    night = start_night()
    config = night.config({"safety.device_number": 0, "sweep.settle_s": 0.0})
    journal = Journal(tmp_path / "night.journal.jsonl")
    session = AlignSession(
        connect_rig,
        config,
        night.clock,
        journal,
        night.events.append,
        session_id="guarded",
    )
    running = night.beside(session.run)

    now = session.snapshot()
    while now.step not in ENDED:
        now = night.next_snapshot(session, now.version)
        if now.step is Step.ADJUSTING and now.error is not None and now.advice is not None:
            night.rig.safe = False
    assert running.wait(60.0)
    journal.close()

    snapshot = session.snapshot()
    assert snapshot.step is Step.FAILED
    assert session.outcome is ExitCode.UNSAFE
    assert snapshot.failure is not None
    assert snapshot.failure.code == "safety_unsafe"
    assert snapshot.failure.exit_code == 10
    assert "while tracking" in snapshot.failure.message
    assert snapshot.failure.advice
    assert [event.state for event in night.of_kind(MotionStopped)] == ["stopped"]
    assert not night.rig.mount.tracking
