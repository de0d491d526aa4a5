"""What the report of a failed night says: its seeds, and how to have it again."""

from __future__ import annotations

from support.night import SHAKE_VARIABLE, how_to_replay, start_night

from polewright_sim.simulated_clock import SimulatedClock

__all__ = ["start_night"]


def test_a_failed_night_tells_its_seeds_and_the_command(start_night, request, monkeypatch) -> None:
    """Rig, threads, and a command line that sets both again."""
    plain = start_night({"seed": 5})
    assert request.node.how_to_replay() == how_to_replay([plain], request.node.nodeid)

    monkeypatch.setenv(SHAKE_VARIABLE, "17")
    told = how_to_replay([plain], "tests/e2e/test_x.py::test_y[a b]")

    assert told.splitlines() == [
        "rig seed 5; simulated time, at 0.000 s, threads shaken, seed 17",
        "again: POLEWRIGHT_SHAKE=17 .venv/bin/python -m pytest -q "
        "'tests/e2e/test_x.py::test_y[a b]'",
    ]
    assert isinstance(plain.clock, SimulatedClock)
