"""What a night's frames told: kept, published for information, and counted only where wanted."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from history.history_made import made_result

from polewright.foundation.config import PublishSection
from polewright.interfaces.publishing.journal_status import JournalStatus
from polewright.interfaces.publishing.mqtt import passive_document
from polewright.interfaces.publishing.passive_word import keep_word, read_word
from polewright.interfaces.publishing.status import (
    AlignmentStatus,
    Rules,
    RunState,
    Verified,
    why_unsafe,
)
from polewright.records.passive_result import PassiveResult
from polewright.records.result import WeatherResult

NIGHT_S = 1_790_000_000.0
RULES = Rules(1.0, "true", 6.0 * 3600.0)
COUNTS = Rules(1.0, "true", 6.0 * 3600.0, passive_counts=True)
SWEPT = Verified(0.6, 1.0, "true", True, NIGHT_S - 3600.0)


def night(alt: float = 0.2, *, utc_s: float = NIGHT_S, **more: Any) -> PassiveResult:
    """A night whose frames tell an altitude error, arcmin."""
    swept = made_result(utc_s, alt, 0.1)
    given: dict[str, Any] = {
        "software": "polewright test",
        "night": "2026-09-20",
        "started_utc": swept.started_utc,
        "finished_utc": swept.finished_utc,
        "site": swept.site,
        "weather": WeatherResult(
            temperature_c=10.0,
            sigma_temperature_c=4.0,
            pressure_hpa=960.0,
            sigma_pressure_hpa=9.0,
            sigma_refraction_percent=1.7,
            source="made up",
        ),
        "telescope": "bench mount",
        "camera": "bench camera",
        "verdict": "measured",
        "sentence": "The axis is where it is.",
        "axis": swept.axis,
        "widest95_arcmin": 0.2,
        "asked_arcmin": 1.0,
        "frames": 40,
        "hours": 5.0,
        "unguided": False,
        "groups": (),
        "left_out": (),
        "tolerance_arcmin": 1.0,
        "within_tolerance": swept.within_tolerance,
    }
    return PassiveResult(**{**given, **more})


def moved(utc_s: float = NIGHT_S) -> PassiveResult:
    return night(
        utc_s=utc_s,
        verdict="moved",
        sentence="the axis moved",
        axis=None,
        within_tolerance=False,
    )


def status(folder: Path, result: PassiveResult, verified: Verified | None) -> AlignmentStatus:
    assert keep_word(folder, result, rehearsal=False) == ""
    word = read_word(folder, rehearsal=False)
    return AlignmentStatus(RunState.FINISHED, verified=verified, passive=word)


def test_frames_verify_nothing_unless_they_are_to_count(tmp_path: Path) -> None:
    found = status(tmp_path, night(), None)
    assert "no sweep" in why_unsafe(found, RULES, NIGHT_S + 60.0)
    assert why_unsafe(found, COUNTS, NIGHT_S + 60.0) == ""
    assert "min old" in why_unsafe(found, COUNTS, NIGHT_S + 7.0 * 3600.0)


def test_a_newer_night_that_is_off_or_moved_counts_against_a_sweep_only_then(
    tmp_path: Path,
) -> None:
    off = status(tmp_path, night(3.0), SWEPT)
    assert why_unsafe(off, RULES, NIGHT_S + 60.0) == ""
    assert "the tolerance is" in why_unsafe(off, COUNTS, NIGHT_S + 60.0)
    jumped = status(tmp_path, moved(NIGHT_S + 1.0), SWEPT)
    assert why_unsafe(jumped, RULES, NIGHT_S + 60.0) == ""
    assert why_unsafe(jumped, COUNTS, NIGHT_S + 60.0) == "the axis moved"


def test_a_sweep_after_the_frames_counts_more(tmp_path: Path) -> None:
    later = Verified(0.6, 1.0, "true", True, NIGHT_S + 3600.0)
    assert why_unsafe(status(tmp_path, moved(), later), COUNTS, NIGHT_S + 3660.0) == ""


def test_a_doubt_stays_whatever_the_frames_tell(tmp_path: Path) -> None:
    word = status(tmp_path, night(), None).passive
    doubtful = AlignmentStatus(RunState.STOPPED, doubt="somebody turned it", passive=word)
    assert why_unsafe(doubtful, COUNTS, NIGHT_S + 60.0) == "somebody turned it"


def test_an_older_night_does_not_replace_a_newer_one(tmp_path: Path) -> None:
    keep_word(tmp_path, night(0.2), rehearsal=False)
    keep_word(tmp_path, night(9.0, utc_s=NIGHT_S - 86400.0), rehearsal=False)
    word = read_word(tmp_path, rehearsal=False)
    assert word is not None
    assert word.figures is not None
    assert word.figures.d_alt_arcmin == 0.2
    assert read_word(tmp_path, rehearsal=True) is None


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"schema_version": "1"}', "\x00" * 10])
def test_a_damaged_word_is_no_word(tmp_path: Path, text: str) -> None:
    (tmp_path / "passive.json").write_text(text)
    assert JournalStatus(tmp_path, rehearsals=False).status().passive is None


def test_the_broker_is_told_verified_only_where_frames_count() -> None:
    for counts in (False, True):
        section = PublishSection(passive_counts=counts)
        document = passive_document(section, night())
        assert document["verified"] is counts
        assert "latitude" not in json.dumps(document)
    assert passive_document(PublishSection(passive_counts=True), moved())["verified"] is False
