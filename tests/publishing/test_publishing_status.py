"""When the alignment counts as safe, told by journals that sessions leave behind."""

from __future__ import annotations

import copy
import dataclasses
import math
from pathlib import Path
from typing import Any

import pytest
from support.measured import NIGHT_S, RESULT

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import config_from_text
from polewright.foundation.errors import ExitCode
from polewright.interfaces.cli.status import _lines
from polewright.interfaces.publishing import status_now as module
from polewright.interfaces.publishing.journal_status import JournalStatus
from polewright.interfaces.publishing.status import (
    AlignmentStatus,
    Rules,
    RunState,
    Verified,
    why_unsafe,
)
from polewright.interfaces.publishing.status_now import status_now
from polewright.observing.safety.mount_lock import HeldMount
from polewright.records.result import MeasurementResult
from polewright.session.journal import Journal, latest_journal
from polewright.session.journal_files import SUFFIX
from polewright.session.opening import MeasurementJournal

RULES = Rules(tolerance_arcmin=1.0, pole="true", fresh_s=3600.0)
GOOD = Verified(upper95_arcmin=0.6, tolerance_arcmin=1.0, pole="true", trusted=True, utc_s=NIGHT_S)


def result(**axis: Any) -> dict[str, Any]:
    document = copy.deepcopy(RESULT)
    document["axis"].update(axis)
    return document


def reading(utc_s: float, state: str = "settled", total: float = 12.0) -> dict[str, Any]:
    return {
        "kind": "reading_taken",
        "utc_s": utc_s,
        "state": state,
        "d_alt_arcmin": total,
        "d_az_sky_arcmin": 0.0,
        "total_arcmin": total,
        "sigma_alt_arcmin": 0.1,
        "sigma_az_sky_arcmin": 0.2,
        "upper95_arcmin": total + 0.2,
        "verdict": "outside",
        "action": "lower",
        "sentence": "s",
        "notices": [],
    }


def write(folder: Path, name: str, start_s: float, *records: tuple[str, dict[str, Any]]) -> Journal:
    journal = Journal(folder / f"{name}.journal.jsonl")
    for number, (kind, data) in enumerate(records):
        journal.write(start_s + number, kind, data)
    return journal


def step(name: str) -> tuple[str, dict[str, Any]]:
    return ("step", {"step": name})


SWEPT = [step("checking"), step("planning"), step("sweeping"), ("measured", RESULT)]
FINISHED = [*SWEPT, step("finished"), ("end", {"outcome": 0, "step": "finished"})]


def test_a_fresh_confirmed_sweep_is_safe_and_only_that() -> None:
    """Everything known, within tolerance and fresh: nothing is against it."""
    assert why_unsafe(AlignmentStatus(RunState.FINISHED, verified=GOOD), RULES, NIGHT_S + 60) == ""


@pytest.mark.parametrize(
    ("changes", "rules", "age_s", "why"),
    [
        ({"upper95_arcmin": 1.01}, {}, 60.0, "may be 1.01 arcmin"),
        ({"upper95_arcmin": math.nan}, {}, 60.0, "may be nan"),
        ({"tolerance_arcmin": 0.5}, {}, 60.0, "tolerance is 30 arcsec"),
        ({}, {"tolerance_arcmin": 0.5}, 60.0, "tolerance is 30 arcsec"),
        ({"trusted": False}, {}, 60.0, "contradict"),
        ({"pole": "refracted"}, {}, 60.0, "refracted pole"),
        ({}, {}, 3600.5, "60 min old"),
        ({}, {}, -60.0, "set back"),
        ({"utc_s": math.nan}, {}, 60.0, "set back"),
    ],
)
def test_each_condition_alone_makes_it_unsafe(
    changes: dict[str, Any], rules: dict[str, Any], age_s: float, why: str
) -> None:
    """One thing wrong is enough, and the reason is told."""
    status = AlignmentStatus(RunState.FINISHED, verified=dataclasses.replace(GOOD, **changes))

    assert why in why_unsafe(status, dataclasses.replace(RULES, **rules), NIGHT_S + age_s)


def test_an_empty_folder_is_idle_and_unsafe(tmp_path: Path) -> None:
    """Nothing known is not safe."""
    status = JournalStatus(tmp_path / "none").status()

    assert status.run_state is RunState.IDLE
    assert "no sweep" in why_unsafe(status, RULES, NIGHT_S)


def test_a_finished_session_outlives_its_program(tmp_path: Path) -> None:
    """A new reader of the same folder, as after a restart, finds the verified error."""
    write(tmp_path, "a", NIGHT_S - 3, *FINISHED).close()

    status = JournalStatus(tmp_path).status()

    assert status.run_state is RunState.FINISHED
    assert status.figures is not None
    assert status.figures.total_arcmin == 0.5
    assert why_unsafe(status, RULES, NIGHT_S + 60.0) == ""
    assert "61 min old" in why_unsafe(status, RULES, NIGHT_S + 3660.0)


@pytest.mark.parametrize(
    ("records", "doubtful"),
    [
        # Without an end nobody knows what it did since: a full disk keeps records back.
        ([step("checking")], True),
        ([step("checking"), step("failed"), ("end", {"outcome": 3})], False),
        ([step("checking"), step("planning"), step("sweeping")], True),
        ([step("checking"), step("sweeping"), step("failed"), ("end", {"outcome": 5})], True),
        ([*SWEPT, step("adjusting"), step("stopped"), ("end", {"outcome": 130})], True),
        ([*SWEPT, step("adjusting"), ("event", reading(NIGHT_S))], True),
        ([step("checking"), step("adjusting"), ("event", reading(NIGHT_S))], True),
        ([*SWEPT, step("adjusting"), *SWEPT], False),
    ],
)
def test_what_moved_since_must_be_confirmed(
    tmp_path: Path, records: list[tuple[str, dict[str, Any]]], doubtful: bool
) -> None:
    """A later session that only checked changes nothing; one that moved anything must confirm."""
    write(tmp_path, "a", NIGHT_S - 100.0, *FINISHED).close()
    write(tmp_path, "b", NIGHT_S, *records).close()

    status = JournalStatus(tmp_path).status()

    assert bool(status.doubt) is doubtful
    assert bool(why_unsafe(status, RULES, NIGHT_S + 60.0)) is doubtful


def test_the_run_state_follows_the_newest_session(tmp_path: Path) -> None:
    """Running, then interrupted when its program is gone without an end."""
    source = JournalStatus(tmp_path)
    journal = write(tmp_path, "a", NIGHT_S, step("checking"), step("sweeping"))
    assert source.status().run_state is RunState.SWEEPING

    journal.write(NIGHT_S + 9.0, "step", {"step": "adjusting"})
    assert source.status().run_state is RunState.ADJUSTING

    journal.close()  # as the system does for a program that is killed
    assert source.status().run_state is RunState.INTERRUPTED


def test_a_refused_run_beside_a_running_session_is_not_the_state(tmp_path: Path) -> None:
    """The newer journal ended at once (its mount was taken); the older one is being written."""
    session = write(tmp_path, "00001-a", NIGHT_S, step("checking"), step("adjusting"))
    refused = [step("checking"), step("failed"), ("end", {"outcome": 3})]
    write(tmp_path, "00002-b", NIGHT_S + 60.0, *refused).close()

    assert JournalStatus(tmp_path).status().run_state is RunState.ADJUSTING
    session.close()


def test_live_readings_are_the_latest_figures_but_verify_nothing(tmp_path: Path) -> None:
    """Settled readings count as figures, others do not; a good one alone is not safe."""
    records = [*SWEPT, step("adjusting")]
    events = [
        ("event", reading(NIGHT_S + 20.0, total=0.1)),
        ("event", reading(NIGHT_S + 30.0, "moving", 7.0)),
    ]
    journal = write(tmp_path, "a", NIGHT_S, *records, *events)

    status = JournalStatus(tmp_path).status()
    journal.close()

    assert status.figures is not None
    assert status.figures.total_arcmin == 0.1
    assert status.figures.utc_s == NIGHT_S + 20.0
    assert "not confirmed" in why_unsafe(status, RULES, NIGHT_S + 40.0)


def test_a_result_outside_tolerance_is_unsafe(tmp_path: Path) -> None:
    """Measured is not aligned."""
    outside = ("measured", result(total_upper95_arcmin=9.0))
    write(tmp_path, "a", NIGHT_S, step("sweeping"), outside).close()

    assert "may be 9.0 arcmin" in why_unsafe(JournalStatus(tmp_path).status(), RULES, NIGHT_S + 9.0)


def test_damage_is_doubt(tmp_path: Path) -> None:
    """A measurement that is not understood leaves nothing to rely on."""
    write(tmp_path, "a", NIGHT_S - 100.0, *FINISHED).close()
    write(tmp_path, "b", NIGHT_S, step("sweeping"), ("measured", {"axis": "?"})).close()

    status = JournalStatus(tmp_path).status()

    assert status.verified is None
    assert "b.journal.jsonl cannot be relied on" in why_unsafe(status, RULES, NIGHT_S)
    (tmp_path / "c.journal.jsonl").mkdir()
    assert JournalStatus(tmp_path).status().run_state is RunState.UNKNOWN


def test_a_bad_measurement_after_a_good_session_is_not_safe(tmp_path: Path) -> None:
    """A lone measurement counts too, and it is no session that could be taken up."""
    config = config_from_text("", overrides={"run.journal_folder": str(tmp_path)})
    clock = SystemClock(1.0, NIGHT_S)
    good = Journal(tmp_path / f"good{SUFFIX}")
    good.write(NIGHT_S - 60.0, "step", {"step": "sweeping"})
    good.write(NIGHT_S - 30.0, "measured", RESULT)
    good.close()
    now_s = NIGHT_S + 60.0
    assert why_unsafe(JournalStatus(tmp_path).status(), RULES, now_s) == ""

    bad = result(total_arcmin=9.0, total_upper95_arcmin=9.2)
    with MeasurementJournal(config, clock, print) as noted:
        noted.moves()
        noted.measured(MeasurementResult.model_validate(bad), ExitCode.OUT_OF_TOLERANCE)

    assert why_unsafe(JournalStatus(tmp_path).status(), RULES, now_s) != ""
    assert latest_journal(tmp_path, rehearsal=False) == tmp_path / f"good{SUFFIX}"


def told(folder: Path, utc_s: float) -> str:
    """What `polewright status` prints, on one line."""
    config = config_from_text("", overrides={"run.journal_folder": str(folder)})
    now = status_now(config, SystemClock(1.0, utc_s), 9)
    return "\n".join(_lines(now))


def test_a_later_session_leaves_the_old_figure_to_be_seen(tmp_path: Path, monkeypatch) -> None:
    """With its age, and since when it does not hold: neither valid nor forgotten."""
    monkeypatch.setattr(module, "is_rehearsal", lambda _clock: False)
    write(tmp_path, "00001-a", NIGHT_S, *FINISHED).close()
    write(tmp_path, "00002-b", NIGHT_S + 3600.0, *SWEPT[:3], ("end", {})).close()

    later = told(tmp_path, NIGHT_S + 7200.0)

    assert (
        "Verified:  not since 2026-11-20 22:30 UTC, when something was moved again; the last "
        "sweep said under 36 arcsec (95 %), tolerance 1.00 arcmin, 2 hours ago"
    ) in later
    assert "NOT SAFE" in later


def test_within_a_session_the_sweep_before_the_turning_is_told(tmp_path: Path, monkeypatch) -> None:
    """Adjusting after a sweep makes its figure an old one; no sweep at all is said to be none."""
    monkeypatch.setattr(module, "is_rehearsal", lambda _clock: False)
    assert "no sweep has verified the axis" in told(tmp_path, NIGHT_S)
    turned = (step("adjusting"), ("event", reading(NIGHT_S)))
    write(tmp_path, "00001-a", NIGHT_S, *SWEPT, *turned).close()

    assert "Verified:  not since 2026-11-20 21:30 UTC" in told(tmp_path, NIGHT_S + 60.0)


@pytest.mark.parametrize(
    ("lock", "said"),
    [
        ("here-44131-0", "telescope 0 at this computer's port 44131 is held by process 4298"),
        ("192.168.1.7-11111-1", "telescope 1 at 192.168.1.7, port 11111 is held by"),
        ("anything", "anything is held by"),
    ],
)
def test_a_mount_of_another_run_is_named_by_its_place(
    tmp_path: Path, monkeypatch, lock: str, said: str
) -> None:
    """Beside "nothing runs" it is said that the run is one that writes into another folder."""
    held = HeldMount(lock, "process 4298 of root, since 21:00", NIGHT_S)
    monkeypatch.setattr(module, "held_mounts", lambda: (held,))

    (line,) = [line for line in told(tmp_path, NIGHT_S).splitlines() if "Mount:" in line]

    assert said in line
    assert line.endswith("; that run writes elsewhere")
