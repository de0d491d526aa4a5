"""Journals that were damaged, or written by something else: read as far as they make sense."""

from __future__ import annotations

import json

import pytest

from polewright.serving.journals import session_items
from polewright.session.journal import read_journal
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
