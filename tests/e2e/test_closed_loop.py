"""The closed loop on the whole simulated rig: motors over HTTP, rendered frames, real solves."""

from __future__ import annotations

import pytest

from polewright.foundation.errors import ExitCode
from polewright.observing.runs.connect import connect_rig
from polewright.session.journal import Journal, read_journal
from polewright.session.session import AlignSession

pytestmark = pytest.mark.e2e


@pytest.fixture
def small_error(start_night):
    """A rig some arcminutes off, whose motors are wired badly; and a session nobody attends."""

    def start(tmp_path, config=None):
        night = start_night(
            {
                "misalignment": {"alt_arcmin": 9.0, "az_arcmin": -14.0},
                "adjusters": {
                    "altitude": {"backlash_arcmin": 3.0, "gain": -0.6},
                    "azimuth": {"backlash_arcmin": 5.0, "gain": 1.7},
                },
            },
        )
        changes = {
            "adjuster.name": "simulated",
            "adjuster.options": {"url": night.running.url},
            "pole.tolerance_arcmin": 0.4,
            "sweep.settle_s": 8.0,
            **(config or {}),
        }
        if changes.get("safety.host") == "rig":
            changes |= {"safety.host": night.running.host, "safety.port": night.running.port}
        journal = Journal(tmp_path / "night.journal.jsonl")
        session = AlignSession(
            connect_rig,
            night.config(changes),
            night.clock,
            journal,
            night.events.append,
            session_id="test",
            attended=False,
        )
        return night, session, journal

    return start


def test_motors_with_a_wrong_sign_and_lost_motion_align_by_themselves(
    small_error, tmp_path
) -> None:
    """Nobody there: it ends within tolerance, under 30 arcsec in truth, every turn written down."""
    night, session, journal = small_error(tmp_path)

    outcome = session.run()
    journal.close()

    assert outcome is ExitCode.OK, session.snapshot().failure
    assert night.truth["axis"]["total_arcmin"] < 0.5
    turns = [record for record in read_journal(journal.path) if record.kind == "turn"]
    assert len(turns) == len(night.rig.adjusters.history) >= 4


def test_nothing_turns_while_it_is_not_safe(small_error, tmp_path) -> None:
    """The monitor says unsafe with the first turn: no second one follows, and the mount stops."""
    night, session, journal = small_error(tmp_path, {"safety.host": "rig"})
    turn_knobs = night.rig.turn_knobs

    def turn_and_cloud_over(**turns):
        night.rig.safe = False
        return turn_knobs(**turns)

    night.rig.turn_knobs = turn_and_cloud_over
    assert night.beside(session.run).wait(3600.0)
    journal.close()

    assert session.outcome is ExitCode.UNSAFE, session.snapshot()
    assert len(night.rig.adjusters.history) == 1
    assert night.truth["mount"]["tracking"] is False


def test_with_hands_only_nobody_there_is_refused_before_anything_moves(
    small_error, tmp_path
) -> None:
    """[adjuster] manual and unattended contradict: exit code 2, the mount still parked."""
    night, session, journal = small_error(
        tmp_path, {"adjuster.name": "manual", "adjuster.options": {}}
    )

    outcome = session.run()
    journal.close()

    assert outcome is ExitCode.USAGE
    assert session.snapshot().failure.code == "needs_hands"
    assert night.truth["mount"]["at_park"]
