"""The notice board of a session."""

from __future__ import annotations

from polewright.clock import SystemClock
from polewright.measuring.events import Note
from polewright.session.board import KEPT_NOTES, Board


def test_the_board_keeps_the_last_notes_only() -> None:
    """A night that complains every second must not grow the snapshot that every page gets."""
    board = Board("night", 1.0, SystemClock())
    for number in range(KEPT_NOTES + 50):
        board.hears(Note(utc_s=0.0, severity="info", text=f"note {number}"))

    kept = board.snapshot().notes
    assert len(kept) == KEPT_NOTES
    assert kept[0] == "note 50"
    assert kept[-1] == f"note {KEPT_NOTES + 49}"
