"""The published devices are never safe by an older word, and nothing in the folder hangs them."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from publishing.test_publishing_status import FINISHED, RULES, SWEPT, reading, step, write
from support.measured import NIGHT_S, RESULT

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import config_from_text
from polewright.foundation.errors import ExitCode
from polewright.interfaces.publishing import journal_status, publish
from polewright.interfaces.publishing.devices import AlignmentFigures, AlignmentMonitor
from polewright.interfaces.publishing.journal_status import (
    NOTHING_RECORDED,
    JournalStatus,
    standing_of,
)
from polewright.interfaces.publishing.status import AlignmentStatus, RunState, why_unsafe
from polewright.records.result import MeasurementResult
from polewright.session import journal as journal_module
from polewright.session.journal import Journal, Record
from polewright.session.journal_files import SUFFIX
from polewright.session.opening import MeasurementJournal, open_interrupted, open_new

HOUR_S = 3600.0


def config(folder: Path) -> Any:
    return config_from_text("", overrides={"run.journal_folder": str(folder)})


def session(folder: Path, utc_s: float, *records: tuple[str, dict[str, Any]]) -> Journal:
    """Begin a session as the program does, at a time of the computer's clock."""
    journal = open_new(config(folder), SystemClock(1.0, utc_s)).journal
    for number, (kind, data) in enumerate(records):
        journal.write(utc_s + number, kind, data)
    return journal


def measured_at(utc_s: float, **axis: Any) -> dict[str, Any]:
    when = datetime.fromtimestamp(utc_s, UTC).isoformat()
    return {**RESULT, "finished_utc": when, "axis": {**RESULT["axis"], **axis}}


def verified_at(folder: Path, utc_s: float) -> None:
    ended = [step("sweeping"), ("measured", measured_at(utc_s)), step("finished")]
    session(folder, utc_s, *ended, ("end", {"outcome": 0, "step": "finished"})).close()


def why(folder: Path, now_s: float) -> str:
    return why_unsafe(JournalStatus(folder).status(), RULES, now_s)


def test_a_session_after_the_clock_was_corrected_supersedes_the_one_before(tmp_path: Path) -> None:
    """Verified while the clock was an hour ahead; then corrected, and a session found 60'."""
    verified_at(tmp_path, NIGHT_S + HOUR_S)
    far_off = ("measured", measured_at(NIGHT_S + 60.0, total_upper95_arcmin=60.4))
    stopped = [step("checking"), step("sweeping"), far_off, step("adjusting"), step("stopped")]
    session(tmp_path, NIGHT_S, *stopped, ("end", {"outcome": 130, "step": "stopped"})).close()

    status = JournalStatus(tmp_path).status()

    assert status.run_state is RunState.STOPPED
    for later_s in (0.0, 0.5 * HOUR_S, HOUR_S + 60.0, 1.9 * HOUR_S, 12.0 * HOUR_S):
        assert why_unsafe(status, RULES, NIGHT_S + later_s)


def test_a_verification_from_before_the_clock_was_set_back_is_told(tmp_path: Path) -> None:
    """Nothing but a check of the devices came since: its earlier time gives the clock away."""
    verified_at(tmp_path, NIGHT_S + HOUR_S)
    assert "set back" in why(tmp_path, NIGHT_S)

    failed = [step("checking"), step("failed"), ("end", {"outcome": 3, "step": "failed"})]
    session(tmp_path, NIGHT_S, *failed).close()

    assert "set back" in why(tmp_path, NIGHT_S)
    # The corrected clock reaches the time that the wrong one had told: still an older word.
    assert "set back" in why(tmp_path, NIGHT_S + HOUR_S + 60.0)


def test_a_record_once_seen_in_the_future_stays_unsafe(tmp_path: Path) -> None:
    """The monitor remembers what it saw when the clock catches up with it."""
    verified_at(tmp_path, NIGHT_S + HOUR_S)

    class Hand(SystemClock):
        now_s = NIGHT_S

        def utc_s(self) -> float:
            return self.now_s

    clock = Hand()
    source = JournalStatus(tmp_path)
    monitor = AlignmentMonitor(source, RULES, clock, name="m", unique_id="1")
    monitor.put_connected(True)
    figures = AlignmentFigures(source, clock, name="f", unique_id="2")
    assert not monitor.get_issafe()
    with pytest.raises(Exception, match="future"):
        figures.get_getswitchvalue(4)  # an age of 0 would be a lie
    clock.now_s = NIGHT_S + HOUR_S + 60.0

    assert not monitor.get_issafe()
    assert "set back" in monitor.run_action("WhyUnsafe", "")


def test_a_taken_up_session_counts_as_the_later_one(tmp_path: Path) -> None:
    """Interrupted while adjusting, then a measurement by hand, then taken up again: it turned."""
    session(tmp_path, NIGHT_S, *SWEPT, step("adjusting")).close()
    interrupted = next(tmp_path.glob(f"*{SUFFIX}"))
    verified_at(tmp_path, NIGHT_S + 600.0)
    assert why(tmp_path, NIGHT_S + 700.0) == ""

    clock = SystemClock(1.0, NIGHT_S + 700.0)
    opened = open_interrupted(config(tmp_path), clock, interrupted)
    opened.journal.write(clock.utc_s(), "step", {"step": "stopped"})
    opened.journal.write(clock.utc_s(), "end", {"outcome": 130, "step": "stopped"})
    opened.journal.close()

    status = JournalStatus(tmp_path).status()
    assert status.run_state is RunState.STOPPED
    assert "not confirmed" in why_unsafe(status, RULES, NIGHT_S + 800.0)


def test_a_rehearsal_verifies_no_real_axis(tmp_path: Path) -> None:
    """One of this afternoon, under the clock of tonight, in the same folder; and the reverse."""
    now_s = time.time()
    verified_at(tmp_path, now_s - 60.0)
    config_here = config(tmp_path)
    published = {
        tonight: publish.start(config_here, SystemClock(1.0, now_s + tonight))
        for tonight in (0.0, 2.0 * 86400.0)
    }

    def safe() -> list[bool]:
        for each in published.values():
            each.monitor.put_connected(True)
        return [each.monitor.get_issafe() for each in published.values()]

    try:
        assert safe() == [True, False]
        verified_at(tmp_path, now_s + 2.0 * 86400.0 - 60.0)
        assert safe() == [True, True]
        # The rehearsal's time has come: it is still no word of the real axis.
        (tmp_path / "real").mkdir()
        for path in tmp_path.glob(f"*rehearsal*{SUFFIX}"):
            path.rename(tmp_path / "real" / path.name)
        assert JournalStatus(tmp_path / "real", rehearsals=False).status().verified is None
    finally:
        for each in published.values():
            each.stop()


def test_two_sessions_that_began_at_the_same_moment_count_both(tmp_path: Path) -> None:
    """Whichever name sorts first, the one that turned something is not hidden by the other."""
    for names in (("aaaa", "bbbb"), ("bbbb", "aaaa")):
        folder = tmp_path / names[0]
        turned = [*SWEPT, step("adjusting"), step("stopped"), ("end", {"outcome": 130})]
        write(folder, f"00003-20261120-213000-{names[0]}", NIGHT_S, *FINISHED).close()
        write(folder, f"00003-20261120-213000-{names[1]}", NIGHT_S, *turned).close()

        assert "not confirmed" in why(folder, NIGHT_S + 60.0)


def test_a_running_session_is_unsafe_whatever_it_has_written(tmp_path: Path) -> None:
    """A disk that took no step since must not leave an older word standing."""
    verified_at(tmp_path, NIGHT_S)
    journal = session(tmp_path, NIGHT_S + 60.0, step("checking"))

    assert "under way" in why(tmp_path, NIGHT_S + 61.0)
    journal.close()
    assert "interrupted" in why(tmp_path, NIGHT_S + 61.0)


def test_a_session_that_could_write_nothing_is_unsafe(tmp_path: Path) -> None:
    """An empty journal is one whose disk was full."""
    verified_at(tmp_path, NIGHT_S)
    session(tmp_path, NIGHT_S + 60.0).close()

    assert "recorded nothing" in why(tmp_path, NIGHT_S + 61.0)


def test_a_lone_measurement_is_recorded_from_its_start(tmp_path: Path) -> None:
    """While it sweeps, and when it fails, the word before does not hold."""
    verified_at(tmp_path, NIGHT_S)
    clock = SystemClock(1.0, NIGHT_S + 60.0)

    def fails() -> None:
        with MeasurementJournal(config(tmp_path), clock, print) as noted:
            assert "under way" in why(tmp_path, NIGHT_S + 61.0)
            noted.moves()
            raise RuntimeError("clouds")

    with pytest.raises(RuntimeError, match="clouds"):
        fails()
    assert "not confirmed" in why(tmp_path, NIGHT_S + 61.0)

    good = MeasurementResult.model_validate(measured_at(NIGHT_S + 90.0))
    with MeasurementJournal(config(tmp_path), clock, print) as noted:
        noted.moves()
        noted.measured(good, ExitCode.OK)
    assert why(tmp_path, NIGHT_S + 91.0) == ""


def fifo(path: Path) -> None:
    os.mkfifo(path)


def huge(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(600_000_000)  # a hole: nothing is on the disk


def lines(*records: dict[str, Any]) -> Any:
    return lambda path: path.write_text("".join(json.dumps(r) + "\n" for r in records))


def record(kind: str, data: Any) -> dict[str, Any]:
    return {"utc_s": NIGHT_S + 60.0, "kind": kind, "data": data}


def read(**values: Any) -> dict[str, Any]:
    return record("event", {**values, "kind": "reading_taken"})


BROKEN = {
    "a list for a step": lines(record("step", {"step": ["sweeping"]})),
    "no step at all": lines(record("step", {})),
    "a table for a result": lines(record("measured", {"axis": {}})),
    "no number for a reading": lines(
        record("event", {"kind": "reading_taken", "state": "settled"})
    ),
    "no finite number": lines(read(**reading(NIGHT_S, total=math.nan))),
    "a list for a reading's state": lines(read(state=[])),
    "a folder": lambda path: path.mkdir(),
    "a link to nowhere": lambda path: path.symlink_to("nowhere"),
    "600 MB": huge,
    "no text": lambda path: path.write_bytes(b"\xff\x00" * 5000),
    "a queue": fifo,
}


@pytest.mark.skipif(sys.platform == "win32", reason="no queues and links there")
@pytest.mark.parametrize("name", ["x", "00009-20261120-220000-abcd"])
@pytest.mark.parametrize("make", BROKEN.values(), ids=BROKEN)
def test_a_broken_journal_is_unsafe_with_a_reason(tmp_path: Path, make: Any, name: str) -> None:
    """Whatever lies there under a journal's name, with a place in their order or without."""
    verified_at(tmp_path, NIGHT_S)
    make(tmp_path / f"{name}{SUFFIX}")

    status = JournalStatus(tmp_path).status()

    assert f"{name}{SUFFIX}" in status.doubt
    assert status.run_state is RunState.UNKNOWN
    assert why_unsafe(status, RULES, NIGHT_S + 61.0) == status.doubt


def test_a_broken_journal_of_before_does_not_count_against_a_later_session(tmp_path: Path) -> None:
    """What came later has measured afresh; else one bad file would be unsafe for ever."""
    (tmp_path / f"00001-20261120-200000-abcd{SUFFIX}").write_text("?\n")
    verified_at(tmp_path, NIGHT_S)

    assert why(tmp_path, NIGHT_S + 60.0) == ""


def test_reading_the_folder_never_raises_and_never_hangs(tmp_path: Path, monkeypatch) -> None:
    """A disk that does not answer is unsafe with a reason, at once when it was so before."""
    verified_at(tmp_path, NIGHT_S)
    source = JournalStatus(tmp_path)
    answers = threading.Event()

    def hang(*_args: Any) -> AlignmentStatus:
        answers.wait()
        raise RuntimeError("broken inside")

    monkeypatch.setattr(journal_status, "ANSWER_S", 0.05)
    monkeypatch.setattr(source, "_status", hang)
    assert "have not been read" in source.status().doubt
    assert "have not been read" in source.status().doubt
    (hanging,) = (t for t in threading.enumerate() if t.name == journal_status.READER)
    answers.set()
    hanging.join()
    monkeypatch.setattr(journal_status, "ANSWER_S", 20.0)
    assert "broken inside" in source.status().doubt
    monkeypatch.undo()

    assert source.status().doubt == ""


def test_reading_costs_the_same_after_5000_readings_as_after_one(
    tmp_path: Path, monkeypatch
) -> None:
    """By a program that has looked before and by a new one: bytes read and records parsed."""
    cost = {"bytes": 0, "records": 0}
    read_at, record_of = journal_module.read_at, journal_module.record_of

    def counted_read(file: Any, start: int, size: int) -> bytes:
        got = read_at(file, start, size)
        cost["bytes"] += len(got)
        return got

    def counted_record(line: bytes) -> Record | None:
        cost["records"] += 1
        return record_of(line)

    monkeypatch.setattr(journal_module, "read_at", counted_read)
    monkeypatch.setattr(journal_module, "record_of", counted_record)

    def spent(source: JournalStatus) -> tuple[int, int]:
        cost.update(bytes=0, records=0)
        status = source.status()
        assert status.figures is not None
        assert status.figures.total_arcmin == 12.0
        assert status.run_state is RunState.ADJUSTING
        return cost["bytes"], cost["records"]

    source = JournalStatus(tmp_path)
    journal = session(tmp_path, NIGHT_S, *SWEPT, step("adjusting"))
    monkeypatch.setattr(journal_module.os, "fsync", lambda _descriptor: None)
    journal.write(NIGHT_S + 10.0, "event", reading(NIGHT_S + 10.0))
    first = spent(source)
    for number in range(5000):
        journal.write(NIGHT_S + 11.0, "event", reading(NIGHT_S + 11.0 + number))
    last, fresh = spent(source), spent(JournalStatus(tmp_path))
    journal.close()

    assert last == fresh
    assert last[0] <= max(first[0], journal_module.PIECE)
    assert last[1] <= first[1]


STEPS = ("checking", "planning", "sweeping", "adjusting", "finished", "stopped", "failed")
RECORDS = st.one_of(
    st.sampled_from(STEPS).map(step),
    st.just(("measured", RESULT)),
    st.sampled_from(["settled", "bumped", "moving", "lost"]).map(
        lambda state: ("event", reading(NIGHT_S, state, 3.0))
    ),
    st.just(("event", {"kind": "note", "text": "x" * 400})),
    st.just(("end", {"outcome": 0})),
)


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=6,
)
DATA = st.dictionaries(
    st.sampled_from(["step", "kind", "state", "utc_s", *reading(0.0)]),
    st.sampled_from(["reading_taken", "settled", "sweeping", 1.0]) | ANYTHING,
)


@given(kind=st.sampled_from(["step", "event", "measured", "end"]), data=DATA)
def test_whatever_a_record_holds_there_is_an_answer(kind: str, data: dict[str, Any]) -> None:
    """Never an error, and never a figure that no wire can carry."""
    found = standing_of([Record(NIGHT_S, kind, data)])

    assert found.verified is None
    if found.figures is not None:
        assert all(map(math.isfinite, dataclasses.astuple(found.figures)))


@given(told=st.lists(RECORDS, max_size=30))
def test_looking_from_the_end_finds_what_going_through_all_finds(
    told: list[tuple[str, dict[str, Any]]],
) -> None:
    """The last step, figures, verification and doubt, against a plain walk from the beginning."""
    verified = doubt = ended = complete = False
    figures = last = None
    for kind, data in told:
        if data.get("kind") == "note":
            continue
        if kind == "measured":
            verified, figures, doubt = True, 0.5, False
        elif kind == "step":
            doubt, last = doubt or data["step"] in ("sweeping", "adjusting"), data["step"]
        elif kind == "event":
            doubt, last = True, "adjusting"
            figures = 3.0 if data["state"] in ("settled", "bumped") else figures
        ended = kind == "end"
        complete = ended or kind == "measured" or data == {"step": "finished"}
    matter = any(data.get("kind") != "note" for _kind, data in told)

    found = standing_of([Record(NIGHT_S, kind, data) for kind, data in reversed(told)])

    assert found.broken == ("" if matter else NOTHING_RECORDED)
    assert (found.step, found.doubtful) == (last, doubt)
    assert (found.ended, found.complete) == (ended, complete)
    assert (None if found.figures is None else found.figures.total_arcmin) == figures
    assert doubt or (found.verified is not None) is verified


@pytest.mark.skipif(sys.platform == "win32", reason="rights are told otherwise there")
def test_a_folder_in_which_nothing_can_be_recorded_is_unsafe(tmp_path: Path, monkeypatch) -> None:
    """A run that cannot write down what it does would leave the older word standing."""
    verified_at(tmp_path, NIGHT_S)
    assert why(tmp_path, NIGHT_S + 60.0) == ""

    class Full:
        f_bavail, f_frsize, f_files, f_favail, f_flag = 3, 4096, 0, 0, 0

    monkeypatch.setattr("os.statvfs", lambda _path: Full)

    assert "12 kB" in why(tmp_path, NIGHT_S + 60.0)
