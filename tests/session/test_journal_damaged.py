"""Journals that were damaged, or written by something else: read as far as they make sense."""

from __future__ import annotations

import json
import os

import pytest

from polewright.interfaces.web.journals import session_items
from polewright.session import journal
from polewright.session.journal import JournalUnusable, read_journal
from polewright.session.journal_files import SUFFIX
from polewright.session.resume import Anchor, CannotTakeUp, anchor_from_record, recall

STEP = json.dumps({"utc_s": 1.0, "kind": "step", "data": {"step": "failed"}})
ANCHOR = {
    "axis": [0.0, 0.7, 0.7],
    "covariance": [[1e-9, 0, 0], [0, 1e-9, 0], [0, 0, 1e-9]],
    "reference": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    "reference_covariance": [[1e-9, 0, 0], [0, 1e-9, 0], [0, 0, 1e-9]],
    "utc_s": 5.0,
    "elongation": None,
    "hfd_px": None,
    "star_count": None,
    "tracking": True,
    "declination_deg": 40.0,
    "side_of_pier": None,
}


def write(tmp_path, *lines: str):
    path = tmp_path / f"s{SUFFIX}"
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize(
    "line",
    [
        '{"utc_s": 1' + "0" * 400 + ', "kind": "step", "data": {}}',
        '{"utc_s": Infinity, "kind": "step", "data": {}}',
        '{"utc_s": NaN, "kind": "step", "data": {}}',
        "[" * 100_000,
        '{"utc_s": 1, "kind": "step", "data": 3}',
    ],
    ids=["number too large", "infinite", "no number", "nested too deeply", "no table"],
)
def test_a_line_that_is_no_record_is_left_out(tmp_path, line) -> None:
    """Whatever makes it unreadable; the lines around it count."""
    records = read_journal(write(tmp_path, STEP, line, STEP))

    assert [record.utc_s for record in records] == [1.0, 1.0]


@pytest.mark.parametrize("data", [{}, {"outcome": "finished"}, {"outcome": None}])
def test_an_end_without_a_number_is_listed_as_unexpected(tmp_path, data) -> None:
    """Found by fuzzing: one such journal made the list of all sessions fail."""
    write(tmp_path, STEP, json.dumps({"utc_s": 2.0, "kind": "end", "data": data}))

    (item,) = session_items(tmp_path, None)

    assert item.outcome == 1
    assert not item.interrupted


def test_moves_that_are_no_number_do_not_count(tmp_path) -> None:
    """The last count that makes sense stands."""
    lines = [
        json.dumps({"utc_s": 1.0, "kind": "moved", "data": {"moves": moves}})
        for moves in (4, "many", None)
    ]

    assert recall(read_journal(write(tmp_path, *lines))).moves == 4


def test_a_whole_reference_is_taken_up() -> None:
    """What the other tests damage is good as it stands."""
    assert isinstance(anchor_from_record(ANCHOR), Anchor)


@pytest.mark.parametrize(
    "damage",
    [
        {"axis": [0.0, 1.0]},
        {"axis": [0.0, 1.0, float("nan")]},
        {"reference": [1, 2, 3]},
        {"covariance": "x"},
        {"utc_s": "yesterday"},
        {"declination_deg": None},
    ],
)
def test_a_damaged_reference_is_never_taken_up(damage) -> None:
    """An axis of the wrong shape would be followed as if it were one."""
    with pytest.raises(CannotTakeUp, match="reference frame"):
        anchor_from_record({**ANCHOR, **damage})


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no queues here")
def test_what_is_no_journal_does_not_hold_up_the_list(tmp_path) -> None:
    """A queue, a folder and 600 MB beside a session: it is listed, and taken up."""
    write(tmp_path, json.dumps({"utc_s": 1.0, "kind": "step", "data": {"step": "checking"}}))
    os.mkfifo(tmp_path / f"queue{SUFFIX}")
    (tmp_path / f"folder{SUFFIX}").mkdir()
    with (tmp_path / f"huge{SUFFIX}").open("wb") as file:
        file.truncate(600_000_000)

    items = session_items(tmp_path, None)

    assert [item.last_step for item in items] == ["checking"]
    for name in ("queue", "folder", "huge"):
        with pytest.raises(JournalUnusable, match=name):
            read_journal(tmp_path / f"{name}{SUFFIX}")


def test_a_long_session_is_listed_by_its_ends(tmp_path, monkeypatch) -> None:
    """Thousands of readings after its last step: begin, end and step, from two pieces."""
    reading = json.dumps({"utc_s": 3.0, "kind": "event", "data": {"kind": "reading_taken"}})
    path = write(tmp_path, STEP, *[reading] * 20_000)
    read: list[int] = []
    read_at = journal.read_at

    def counted(file, start: int, size: int) -> bytes:
        read.append(size)
        return read_at(file, start, size)

    monkeypatch.setattr(journal, "read_at", counted)
    (item,) = session_items(tmp_path, None)

    assert (item.started_utc_s, item.last_utc_s) == (1.0, 3.0)
    assert (item.last_step, item.interrupted) == ("adjusting", True)
    assert sum(read) <= 2 * journal.PIECE < path.stat().st_size
