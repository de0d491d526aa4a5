"""A sweep between sweeps that would take the mount across the meridian, with hands near it."""

from __future__ import annotations

import threading
from types import SimpleNamespace

import pytest

from polewright.records.events import Note
from polewright.session import session as session_module
from polewright.session.session import AlignSession


def adjusting(monkeypatch, *, crosses: bool, attended: bool = True):
    """A session that adjusts, its rig, what was told, and how it was planned."""
    told: list[Note] = []
    planned: list[dict] = []

    def plan(_rig, **how):
        planned.append(how)
        return SimpleNamespace(crosses_meridian=crosses)

    monkeypatch.setattr(session_module, "planned_sweep", plan)
    session = object.__new__(AlignSession)
    session.clock = SimpleNamespace(utc_s=lambda: 0.0)  # type: ignore[assignment]
    session._attended, session._crossing_told = attended, False
    session._sweep_wanted = threading.Event()
    return session, SimpleNamespace(emit=told.append), told, planned


def test_a_sweep_across_the_meridian_has_to_be_asked_for_twice(monkeypatch) -> None:
    """The first wish is answered with a warning, the second one goes on."""
    session, rig, told, planned = adjusting(monkeypatch, crosses=True)

    session._sweep_wanted.set()
    assert not session._clear_to_sweep(rig)
    assert not session._sweep_wanted.is_set()
    assert [note.severity for note in told] == ["warning"]
    assert "across" in told[0].text
    assert "once more" in told[0].text
    session._sweep_wanted.set()
    assert session._clear_to_sweep(rig)
    assert len(told) == 1
    assert planned == [{"again": True, "quiet": True}]


def test_a_sweep_that_begins_by_itself_does_not_cross_unasked(monkeypatch) -> None:
    """It is told once, and waits for somebody."""
    session, rig, told, _ = adjusting(monkeypatch, crosses=True)

    assert [session._clear_to_sweep(rig) for _ in range(3)] == [False] * 3
    assert len(told) == 1
    session._sweep_wanted.set()
    assert session._clear_to_sweep(rig)


@pytest.mark.parametrize(("crosses", "attended"), [(False, True), (True, False)])
def test_nothing_is_asked_where_nothing_crosses_or_nobody_is_there(
    monkeypatch, crosses, attended
) -> None:
    """A sweep on the same side begins at once, and so does one with nobody's hands near."""
    session, rig, told, _ = adjusting(monkeypatch, crosses=crosses, attended=attended)

    assert session._clear_to_sweep(rig)
    assert told == []
