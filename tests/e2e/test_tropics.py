"""A session near the equator: sweep after sweep, from a home position at a low pole."""

from __future__ import annotations

import pytest

from polewright.calculation.planning.slew_paths import meridian_side
from polewright.foundation.angles import DEG
from polewright.observing.runs.connect import connect_rig
from polewright.records.events import SweepPlanned
from polewright.session.journal import Journal
from polewright.session.session import AlignSession, Command
from polewright.session.states import ENDED, Step

pytestmark = pytest.mark.e2e

SWEEPS = 3


def test_sweep_after_sweep_at_three_degrees_south(start_night, tmp_path) -> None:
    """The pole stands below the lowest altitude allowed, and a side is never changed: the mount
    comes up from there, and each further sweep begins on the side where the one before ended."""
    night = start_night({"site": {"latitude_deg": -3.0}})
    changes = {
        "site.latitude_deg": -3.0,
        "sweep.start_azimuth_deg": None,
        "sweep.start_altitude_deg": None,
        "sweep.settle_s": 4.0,
    }
    journal = Journal(tmp_path / "night.journal.jsonl")
    session = AlignSession(
        connect_rig, night.config(changes), night.clock, journal, night.events.append,
        session_id="tropics",
    )  # fmt: skip
    running = night.beside(session.run)

    asked = 0
    now = session.snapshot()
    while now.step not in ENDED:
        now = night.next_snapshot(session, now.version)
        if now.step is Step.ADJUSTING and now.error is not None and now.sweeps > asked:
            asked = now.sweeps
            if asked == SWEEPS:
                session.stop()
            else:
                session.command(Command.SWEEP)
    assert running.wait(60.0)
    journal.close()

    assert asked == SWEEPS, session.snapshot().failure
    plans = night.of_kind(SweepPlanned)
    sides = {meridian_side(angle * DEG) for plan in plans for angle in plan.hour_angles_deg}
    assert len(plans) == SWEEPS
    assert len(sides) == 1
