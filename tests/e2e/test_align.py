"""A whole session with a hand that does only what the advice says."""

from __future__ import annotations

import pytest
from support.hand import Hand

from polewright.foundation.errors import ExitCode
from polewright.observing.runs.connect import connect_rig
from polewright.session.journal import Journal, read_journal
from polewright.session.session import AlignSession, Command
from polewright.session.states import ENDED, Step

pytestmark = pytest.mark.e2e


def hand(night, session: AlignSession, limit_s: float) -> int:
    """Turn the simulated knobs as told until the session ends; return the number of moves."""
    version, at_knobs = 0, Hand(night.rig)
    deadline = night.clock.monotonic_s() + limit_s
    while session.step not in ENDED:
        assert night.clock.monotonic_s() < deadline, session.snapshot()
        now = night.next_snapshot(session, version)
        version = now.version
        action = at_knobs.follow(now)
        if action == "snug_and_recheck":
            session.command(Command.SNUGGED)
        elif action in ("stop_and_sweep", "done"):
            session.command(Command.SWEEP)
    return at_knobs.moves


def test_a_hand_that_follows_the_advice_aligns_the_mount(start_night, tmp_path) -> None:
    """In the south, from a degree off, with backlash: it ends within tolerance in truth too.

    The demonstration (`test_demo.py`) does the same in the north.
    """
    latitude = -31.4
    night = start_night(
        {
            "site": {"latitude_deg": latitude},
            "adjusters": {
                "altitude": {"backlash_arcmin": 3.0, "rate_arcmin_per_s": 30.0},
                "azimuth": {"backlash_arcmin": 5.0, "rate_arcmin_per_s": 30.0},
            },
        },
    )
    config = night.config(
        {
            "site.latitude_deg": latitude,
            "sweep.start_azimuth_deg": 40.0,
            "sweep.settle_s": 8.0,
        }
    )
    journal = Journal(tmp_path / "night.journal.jsonl")
    session = AlignSession(
        connect_rig, config, night.clock, journal, night.events.append, session_id="test"
    )
    running = night.beside(session.run)

    moves = hand(night, session, 3600.0)
    assert running.wait(60.0)
    journal.close()

    snapshot = session.snapshot()
    assert session.outcome is ExitCode.OK, snapshot.failure
    assert snapshot.step is Step.FINISHED
    assert night.truth["axis"]["total_arcmin"] < 1.0
    assert 2 <= moves <= 25
    kinds = {record.kind for record in read_journal(journal.path)}
    assert {"step", "anchor", "measured", "event", "end"} <= kinds
