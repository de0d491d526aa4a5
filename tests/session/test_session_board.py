"""The notice board of a session."""

from __future__ import annotations

import pytest

from polewright.foundation.clock import SystemClock
from polewright.foundation.errors import MotionUnknown, PolewrightError
from polewright.records.events import MotionStopped, Note
from polewright.session.snapshot_builder import KEPT_NOTES, Board


def test_the_board_keeps_the_last_notes_only() -> None:
    """A night that complains every second must not grow the snapshot that every page gets."""
    board = Board("night", 1.0, SystemClock())
    for number in range(KEPT_NOTES + 50):
        board.hears(Note(utc_s=0.0, severity="info", text=f"note {number}"))

    kept = board.snapshot().notes
    assert len(kept) == KEPT_NOTES
    assert kept[0] == "note 50"
    assert kept[-1] == f"note {KEPT_NOTES + 49}"


@pytest.mark.parametrize(
    ("stop", "error", "motion"),
    [
        (None, PolewrightError("no mount answers"), "unasked"),
        ("stopped", PolewrightError("clouds"), "still"),
        ("unknown", MotionUnknown("no answer"), "unknown"),
        (None, MotionUnknown("no answer"), "unknown"),
    ],
)
def test_a_failure_says_of_the_mount_only_what_was_seen(stop, error, motion) -> None:
    """A mount that was never asked is not called still, nor one whose stop was not confirmed."""
    board = Board("night", 1.0, SystemClock())
    if stop is not None:
        board.hears(MotionStopped(utc_s=0.0, state=stop, reason="end"))

    board.fails(error)

    assert board.snapshot().motion == motion
