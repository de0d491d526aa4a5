"""The journal: append-only, whole after a torn write."""

from __future__ import annotations

import errno
import os
import threading
import time
from pathlib import Path
from typing import Any, cast

import pytest

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import Config
from polewright.session.journal import (
    Journal,
    JournalInUse,
    JournalUnusable,
    in_use,
    latest_journal,
    read_journal,
)
from polewright.session.opening import open_interrupted, open_new
from polewright.session.resume import CannotTakeUp, find_anchor


def write(path: Path, *records: tuple[str, dict]) -> None:
    journal = Journal(path)
    for number, (kind, data) in enumerate(records):
        journal.write(float(number), kind, data)
    journal.close()


def test_records_come_back_in_order(tmp_path: Path) -> None:
    """What was written is what is read, also over two sittings."""
    path = tmp_path / "a.journal.jsonl"
    write(path, ("step", {"step": "checking"}))
    write(path, ("step", {"step": "planning"}))

    assert [record.data["step"] for record in read_journal(path)] == ["checking", "planning"]
    assert latest_journal(tmp_path, rehearsal=False) == path


@pytest.mark.parametrize("cut", range(1, 40))
def test_a_torn_last_line_costs_that_line_only(tmp_path: Path, cut: int) -> None:
    """A power cut at any byte of the last record leaves the others and later ones readable."""
    path = tmp_path / "a.journal.jsonl"
    write(path, ("step", {"step": "checking"}), ("step", {"step": "planning"}))
    whole = path.read_bytes()
    path.write_bytes(whole[:-cut])
    write(path, ("step", {"step": "sweeping"}))

    steps = [record.data["step"] for record in read_journal(path)]

    assert steps[0] == "checking"
    assert steps[-1] == "sweeping"
    assert len(steps) == (3 if cut == 1 else 2)


def test_a_folder_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    """A journal that cannot be kept is told before anything moves."""
    blocked = tmp_path / "file"
    blocked.write_text("")

    with pytest.raises(JournalUnusable, match="not usable"):
        Journal(blocked / "a.journal.jsonl")


def test_an_ended_session_cannot_be_taken_up(tmp_path: Path) -> None:
    """A finished, stopped or failed session says that it had already ended."""
    path = tmp_path / "a.journal.jsonl"
    write(path, ("step", {"step": "stopped"}), ("end", {"outcome": 130}))

    with pytest.raises(CannotTakeUp, match="had already ended"):
        find_anchor(read_journal(path))


def test_a_session_torn_from_its_sweep_begins_with_a_new_one(tmp_path: Path) -> None:
    """Nothing measured before the interruption is used."""
    path = tmp_path / "a.journal.jsonl"
    write(path, ("step", {"step": "checking"}), ("step", {"step": "sweeping"}))

    anchor, why = find_anchor(read_journal(path))

    assert anchor is None
    assert "new sweep" in why


CHECKING, FAILED = ("step", {"step": "checking"}), ("step", {"step": "failed"})
END = ("end", {"outcome": 3})
ADJUSTING = ("step", {"step": "adjusting"})


def test_a_run_that_was_refused_does_not_hide_the_interrupted_session(tmp_path: Path) -> None:
    """It has moved nothing: --resume takes up what was interrupted before it, if anything was."""
    config = Config.model_validate({"run": {"journal_folder": str(tmp_path)}})
    clock = SystemClock()
    write(tmp_path / "00002-refused.journal.jsonl", CHECKING, FAILED, END)
    with pytest.raises(CannotTakeUp, match="no journal of a real session that was interrupted"):
        open_interrupted(config, clock)

    write(tmp_path / "00001-torn.journal.jsonl", CHECKING, ADJUSTING, ("anchor", ANCHOR))
    write(tmp_path / "00003-killed.journal.jsonl", CHECKING)
    opened = open_interrupted(config, clock)
    opened.journal.close()
    assert opened.session_id == "torn"
    assert opened.anchor is not None

    # One that moved the mount since is the newest, and what was before it holds no more.
    write(tmp_path / "00009-later.journal.jsonl", CHECKING, ADJUSTING, FAILED, END)
    with pytest.raises(CannotTakeUp, match="had already ended"):
        open_interrupted(config, clock)


ANCHOR = {
    "axis": [0.0, 0.7, 0.7],
    "covariance": [[0.0] * 3] * 3,
    "reference": [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
    "reference_covariance": [[0.0] * 3] * 3,
    "utc_s": 1.0,
    "elongation": 1.1,
    "hfd_px": 2.0,
    "star_count": 40,
    "tracking": True,
    "declination_deg": 20.0,
    "side_of_pier": 0,
}


@pytest.mark.parametrize(
    ("later", "kept"),
    [
        ([], True),
        (["checking"], True),
        (["checking", "adjusting"], True),
        (["planning"], False),
        (["planning", "sweeping", "adjusting"], False),
    ],
)
def test_an_anchor_serves_until_the_next_sweep_begins(
    tmp_path: Path, later: list[str], kept: bool
) -> None:
    """A reference frame from before a new sweep is out of date; a second crash does not lose it."""
    path = tmp_path / "a.journal.jsonl"
    steps = [("step", {"step": step}) for step in later]
    write(path, ("step", {"step": "adjusting"}), ("anchor", ANCHOR), *steps)

    anchor, why = find_anchor(read_journal(path))

    assert (anchor is not None) is kept
    assert ("same reference frame" in why) is kept


def test_a_journal_is_written_by_one_program_at_a_time(tmp_path: Path) -> None:
    """A second writer is refused and harms nothing; the lock ends with the first."""
    path = tmp_path / "a.journal.jsonl"
    first = Journal(path)
    first.write(0.0, "step", {"step": "checking"})

    assert in_use(path)
    with pytest.raises(JournalInUse, match="another program"):
        Journal(path)
    first.close()

    assert not in_use(path)
    assert len(read_journal(path)) == 1
    assert not in_use(tmp_path / "none.journal.jsonl")


class FullDisk:
    """A file on a disk that takes only so many bytes."""

    def __init__(self, file, room: int) -> None:
        self.file, self.room = file, room

    def write(self, data: bytes) -> int:
        taken = data[: self.room]
        if not taken:
            raise OSError(28, "No space left on device")
        self.room -= len(taken)
        return self.file.write(taken)

    def fileno(self) -> int:
        return self.file.fileno()

    def close(self) -> None:
        self.file.close()


@pytest.mark.parametrize("room", [0, 1, 30, 55, 90])
def test_a_full_disk_delays_records_and_loses_none(tmp_path: Path, room: int) -> None:
    """Records that find no room are told, and are all there in order when there is room again."""
    path = tmp_path / "a.journal.jsonl"
    journal = Journal(path)
    journal.write(0.0, "step", {"step": "checking"})
    disk = FullDisk(journal._file, room)
    cast("Any", journal)._file = disk
    failures = []
    for number in range(1, 6):
        if number == 5:
            disk.room = 10_000
        try:
            journal.write(float(number), "step", {"step": f"step {number}"})
        except JournalUnusable as error:
            failures.append(str(error))
    journal.close()

    assert len(failures) >= 3
    assert all("no space left" in text or "only part" in text for text in failures)
    assert [record.utc_s for record in read_journal(path)] == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]


def test_a_number_that_json_cannot_hold_is_written_as_null(tmp_path: Path) -> None:
    """A figure that is not finite does not end a session."""
    path = tmp_path / "a.journal.jsonl"
    write(path, ("event", {"value": float("nan"), "more": [1.0, float("inf")]}))

    assert read_journal(path)[0].data == {"value": None, "more": [1.0, None]}


def test_rehearsals_and_real_sessions_do_not_take_up_each_others_journals(tmp_path: Path) -> None:
    """Whichever was begun last, and also when its file is named."""
    folder = Config.model_validate({"run": {"journal_folder": str(tmp_path)}})
    real, rehearsed = SystemClock(), SystemClock(6.0)
    first = open_new(folder, real).journal
    second = open_new(folder, rehearsed).journal
    for journal in (first, second):
        journal.write(0.0, "step", {"step": "checking"})
        journal.close()

    assert latest_journal(tmp_path, rehearsal=False) == first.path
    assert latest_journal(tmp_path, rehearsal=True) == second.path
    with pytest.raises(CannotTakeUp, match="is the journal of a rehearsal, and this is a real"):
        open_interrupted(folder, real, second.path)
    with pytest.raises(CannotTakeUp, match="is the journal of a real session, and this is a reh"):
        open_interrupted(folder, rehearsed, first.path)
    first.path.unlink()
    with pytest.raises(CannotTakeUp, match="there is no journal of a real session"):
        open_interrupted(folder, real)


def test_a_slow_disk_holds_up_only_records_that_wait_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Records are in order all the same, and one that waits is on the disk with all before it."""
    path = tmp_path / "night.jsonl"
    journal = Journal(path)
    slow, fsync = threading.Event(), os.fsync
    stuck = threading.Event()

    def fsync_slowly(descriptor: int) -> None:
        stuck.set()
        assert slow.wait(30.0)
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", fsync_slowly)
    for number in range(5):
        journal.write(float(number), "event", {"number": number}, wait=False)
        assert stuck.wait(30.0)  # the disk is at it, and the session has gone on
    slow.set()
    journal.write(5.0, "anchor", {"number": 5})
    assert [record.data["number"] for record in read_journal(path)] == list(range(6))
    journal.close()


@pytest.mark.parametrize(
    "error", [OSError(errno.ENOSPC, "no space left"), ValueError("closed file"), MemoryError()]
)
def test_what_the_disk_refuses_meanwhile_is_told_at_the_next_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """Whatever it is: the thread goes on, and nothing is lost."""
    path = tmp_path / "night.jsonl"
    journal = Journal(path)
    tried = threading.Event()

    def full(_descriptor: int) -> None:
        tried.set()
        raise error

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        journal.write(0.0, "event", {"number": 0}, wait=False)
        assert tried.wait(30.0)
        told, number = False, 0
        while not told and number < 10_000:
            number += 1
            try:
                journal.write(float(number), "event", {"number": number}, wait=False)
            except JournalUnusable:
                told = True
            time.sleep(0.001)
        with pytest.raises(JournalUnusable):
            journal.write(float(number + 1), "anchor", {"number": number + 1})
    assert told
    journal.close()
    numbers = [record.data["number"] for record in read_journal(path)]
    assert numbers == list(range(len(numbers)))
