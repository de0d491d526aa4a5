"""Past drift checks of a rig: what they teach of its tube, and what teaches nothing."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from history.history_made import NIGHT_UTC_S, made_check, made_reading, made_result, made_run

from polewright.calculation.geometry.shared_errors import standard_sag
from polewright.foundation.angles import ARCSEC
from polewright.foundation.clock import SystemClock
from polewright.foundation.config import Config
from polewright.observing.plan.rig_past import ask_history, sweep_of
from polewright.observing.plan.tube_sag import (
    check_of,
    focal_length_mm,
    tell_tube_sag,
    tube_sag,
)
from polewright.observing.runs.drift_run import DriftResult
from polewright.records.history.run_record import RunRecord
from polewright.records.history.store import History
from polewright.records.result import MeasurementResult, SagResult
from polewright.session.journal import Journal, adjusting_unfinished

SCALE = 5.98 * ARCSEC
PIXEL_UM = 5.8
FOCAL_MM = PIXEL_UM * 1e-3 / SCALE
"""200 mm: 6.8 arcsec are usual."""


class Rig:
    """As much of a rig as is asked."""

    def __init__(self, url: str, scale: float | None = SCALE, **optics: Any) -> None:
        self.config = Config.model_validate(
            {"history": {"url": url, "pier": "bench"}, "optics": {"pixel_um": PIXEL_UM, **optics}}
        )
        self.plates = SimpleNamespace(scale=scale)
        self.telescope = SimpleNamespace(name=lambda: "bench mount")
        self.camera = SimpleNamespace(name=lambda: "bench camera")
        self.clock: Any = SystemClock()
        self.past_sweeps: tuple[Any, ...] = ()
        self.past_checks: tuple[Any, ...] = ()
        self.notes: list[str] = []
        self.warnings: list[str] = []

    def note(self, text: str, *, warning: bool = False) -> None:
        (self.warnings if warning else self.notes).append(text)


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'history.sqlite3'}"


def fill(url: str, *runs: RunRecord) -> None:
    with History(url) as history:
        for run in runs:
            history.add(run)


def learnt(rig: Any) -> SagResult:
    """Ask, and return the droop as a document."""
    ask_history(rig)
    tell_tube_sag(rig)
    return SagResult.of(tube_sag(rig, focal_length_mm(rig)), (0.0, 0.0))  # type: ignore[arg-type]


def test_a_rigs_drift_checks_are_learnt_from_and_told(url: str) -> None:
    """A tube that droops 10 arcsec: its sweeps come out 7 lower than its drift checks."""
    fill(url, *(made_check(n) for n in range(1, 13)))
    few = Rig(url)
    sag = learnt(few)

    assert sag.checks == 12
    assert 6.0 < sag.arcsec < 10.0
    assert abs(sag.arcsec - 10.0) < 1.96 * sag.sigma_arcsec
    assert sag.sigma_arcsec < 4.0
    assert few.notes == [sag.sentence()]
    assert "Sag learnt from 12 drift checks" in few.notes[0]
    assert not few.warnings


def test_what_an_earlier_sweep_had_taken_out_is_not_taught_away(url: str) -> None:
    """Once most of the droop is taken out sweep and drift agree; that confirms it, and does not
    say that there is none."""
    wrong = made_check(1).drifts[0]["compared"]["sag"]
    corrected = {"sag": {**wrong, "arcsec": 8.0, "sigma_arcsec": 4.0, "checks": 9}}
    runs = [made_check(n, (0.0, -7.0 + 0.7 * 8.0), sweep=corrected) for n in range(1, 13)]
    fill(url, *runs)
    plain = [check_of(made_check(n).drifts[0]) for n in range(1, 13)]
    later = [check_of(run.drifts[0]) for run in runs]

    assert learnt(Rig(url)).arcsec > 6.0
    for one, other in zip(plain, later, strict=True):
        assert one is not None
        assert other is not None
        assert other.pair.apart == pytest.approx(one.pair.apart)


@pytest.mark.parametrize(
    "other",
    [
        {"rehearsal": True},
        {"pier": "elsewhere"},
        {"camera": "another camera"},
        {"telescope": "another mount"},
        {"scale": 2.0},
        {"scale": None},
        {"optics": {"sag_arcsec": 6.8}},
        {"sweep": {"nothing_turned": None}},
        {"sweep": {"nothing_turned": False}},
        {"sweep": {"camera": "another camera"}},
        {"sweep": {"finished_utc": "2026-09-20T02:00:00+00:00"}},
        {"sweep": {"finished_utc": "2026-11-20T02:00:00+00:00"}},
        {"sweep": {"finished_utc": "yesterday"}},
        {"drift": {"verdict": "disagrees", "cause": "axis"}},
        {"drift": {"verdict": "measured", "compared": None}},
        {"drift": {"minus_predicted_alt_arcmin": None}},
        {"drift": {"compared": None, "sag": None, "correlation": None}},
    ],
)
def test_what_is_not_this_rig_or_no_pair_teaches_nothing(url: str, other: dict[str, Any]) -> None:
    rig = Rig(url, *((other.pop("scale"),) if other.get("scale", 0.0) is None else ()),
              **other.pop("optics", {}))  # fmt: skip
    if "scale" in other:
        rig.plates.scale = SCALE * other.pop("scale")
    fill(url, made_check(1, **other))
    sag = learnt(rig)

    usual = standard_sag(focal_length_mm(rig)) / ARCSEC  # type: ignore[arg-type]
    told = rig.config.optics.sag_arcsec
    assert (sag.arcsec, sag.checks) == (0.0, 0)
    assert sag.sigma_arcsec == pytest.approx(usual if told is None else told)
    assert not rig.notes
    assert not rig.warnings


def test_an_older_check_is_read_as_before(url: str) -> None:
    """Results from before these fields were kept are valid, and teach nothing."""
    older = dict(made_check(1).drifts[0])
    for key in ("compared", "sag", "correlation", "svg"):
        del older[key]
    fill(url, made_check(1).model_copy(update={"drifts": (older,)}))

    assert DriftResult.model_validate(older).compared is None
    assert check_of(older) is None
    assert learnt(Rig(url)).checks == 0


def test_nonsense_in_a_history_teaches_nothing() -> None:
    document = made_check(1).drifts[0]
    for broken in ({}, {**document, "compared": 3}, {**document, "correlation": float("nan")},
                   {**document, "minus_predicted_alt_arcmin": float("inf")},
                   {**document, "started_utc": "2026-09-22T01:46:40"}):  # fmt: skip
        assert check_of(broken) is None


def measured(utc_s: float = NIGHT_UTC_S) -> MeasurementResult:
    result = made_result(utc_s)
    sag = SagResult(arcsec=0.0, sigma_arcsec=6.8, checks=0, moves_az_sky=0.0, moves_alt=-0.7)
    axis = result.axis.model_copy(update={"sag": sag, "noise_dof": 6.0})
    return result.model_copy(update={"axis": axis})


def nothing_unfinished(_since_utc_s: float) -> bool:
    return False


def test_a_session_that_was_killed_may_have_turned_the_axis(url: str, tmp_path: Path) -> None:
    """It never came into the history; its journal tells that it had begun to follow the axis."""
    document = measured().model_dump_json()
    journal = Journal(tmp_path / "one.journal.jsonl")
    unfinished = partial(adjusting_unfinished, tmp_path)

    def turned() -> bool | None:
        kept = sweep_of(Rig(url), document, unfinished)  # type: ignore[arg-type]
        assert kept is not None
        return kept.nothing_turned

    journal.write(NIGHT_UTC_S + 900.0, "step", {"step": "sweeping"})
    assert turned() is True
    journal.write(NIGHT_UTC_S + 1000.0, "anchor", {})
    assert turned() is False
    assert not unfinished(NIGHT_UTC_S + 1100.0)
    journal.write(NIGHT_UTC_S + 1200.0, "end", {"outcome": 0})  # now the history tells
    assert turned() is True
    journal.close()


def test_a_check_keeps_its_sweep_and_whether_the_axis_was_followed_since(url: str) -> None:
    """Where it looked and when; a session that followed the axis after it may have turned it."""
    document = measured().model_dump_json()
    fill(url, made_run("b" * 32, NIGHT_UTC_S - 3600.0, (3.0, -4.0), (0.5, 0.2),
                       readings=(made_reading(NIGHT_UTC_S - 3000.0, 1.0, 0.5, 1),)))  # fmt: skip
    rig: Any = Rig(url)
    kept = sweep_of(rig, document, nothing_unfinished)

    assert kept is not None
    assert kept.nothing_turned is True
    assert kept.finished_utc == measured().finished_utc
    assert kept.hour_angles_deg == (-40.0, -20.0, 0.0)
    assert 20.0 < kept.declination_deg < 50.0
    assert kept.camera == "bench camera"

    fill(url, made_run("c" * 32, NIGHT_UTC_S + 900.0, (0.5, 0.2), (0.4, 0.1),
                       readings=(made_reading(NIGHT_UTC_S + 1000.0, 1.0, 0.5, 1),)))  # fmt: skip
    kept = sweep_of(rig, document, nothing_unfinished)
    assert kept is not None
    assert kept.nothing_turned is False


def test_a_check_without_a_history_or_with_an_older_sweep_says_that_it_does_not_know(
    url: str, tmp_path: Path
) -> None:
    rig: Any = Rig(url)
    rig.clock = SimpleNamespace(rate=6.0)
    kept = sweep_of(rig, measured().model_dump_json(), nothing_unfinished)
    assert kept is not None
    assert kept.nothing_turned is None

    (tmp_path / "history.sqlite3").write_bytes(b"no database at all " * 400)
    kept = sweep_of(Rig(url), measured().model_dump_json(), nothing_unfinished)  # type: ignore[arg-type]
    assert kept is not None
    assert kept.nothing_turned is None
    assert sweep_of(rig, made_result().model_dump_json(), nothing_unfinished) is None
    assert sweep_of(rig, json.dumps({"axis": {}}), nothing_unfinished) is None
