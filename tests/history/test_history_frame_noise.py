"""Past sweeps of a rig, as the fit asks the history for them."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from history.history_made import NIGHT_UTC_S, made_run

from polewright.foundation.angles import ARCSEC
from polewright.foundation.clock import SystemClock
from polewright.foundation.config import Config
from polewright.observing.plan import rig_past as learning
from polewright.observing.plan.frame_noise import frame_noise, tell_frame_noise
from polewright.observing.plan.rig_past import ask_history
from polewright.records.history.run_record import RunRecord, Sweep
from polewright.records.history.store import History

SCALE = 5.98 * ARCSEC


class Rig:
    """As much of a rig as is asked."""

    def __init__(self, url: str, scale: float | None = SCALE, **sweep: Any) -> None:
        self.config = Config.model_validate(
            {"history": {"url": url, "pier": "bench"}, "sweep": sweep}
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


def noisy_run(number: int, chi2: float = 8.0, **axis: Any) -> RunRecord:
    """A run that left over so much; its stars alone are good."""
    run = made_run(f"{number:032d}", NIGHT_UTC_S + 86400.0 * number)
    result = run.sweeps[0].result
    result = result.model_copy(
        update={
            "axis": result.axis.model_copy(update={"chi2": chi2, **axis}),
            "points": tuple(
                point.model_copy(update={"sigma_pointing_arcsec": 0.1, "sigma_roll_arcsec": 0.1})
                for point in result.points
            ),
        }
    )
    config = {"sweep": {"frame_floor_arcsec": 1.0}}
    return run.model_copy(update={"sweeps": (Sweep(result=result),), "config": config})


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'history.sqlite3'}"


def fill(url: str, *runs: RunRecord) -> None:
    with History(url) as history:
        for run in runs:
            history.add(run)


def learnt(rig: Any) -> float:
    """Ask, and return the floor in arcsec."""
    ask_history(rig)
    tell_frame_noise(rig)
    return frame_noise(rig).floor / ARCSEC


def test_the_rigs_own_sweeps_are_learnt_from_and_told(url: str) -> None:
    fill(url, *(noisy_run(n) for n in range(9)))
    rig = Rig(url)

    assert 1.5 < learnt(rig) < 2.0
    assert any("learnt from 9 sweeps of this rig" in text for text in rig.notes)
    assert not rig.warnings


def test_a_sweep_fitted_with_a_learnt_floor_counts_by_that_floor(url: str) -> None:
    """Else a noisy rig would seem quiet as soon as it has learnt, and forget it."""
    fill(url, *(noisy_run(n, chi2=2.0, frame_floor_arcsec=2.0, noise_dof=9.0) for n in range(9)))

    assert 1.5 < learnt(Rig(url)) < 2.0


@pytest.mark.parametrize(
    "other",
    [
        {"rehearsal": True},
        {"pier": "elsewhere"},
        {"camera": "another camera"},
        {"telescope": "another mount"},
        {"trusted": False},
        {"dof": 0},
        {"scale": 2.0},
    ],
)
def test_what_is_not_this_rig_or_was_refused_teaches_nothing(
    url: str, other: dict[str, Any]
) -> None:
    run = noisy_run(1)
    result = run.sweeps[0].result
    axis: dict[str, Any] = {key: other[key] for key in ("trusted", "dof") if key in other}
    names: dict[str, Any] = {key: other[key] for key in ("camera", "telescope") if key in other}
    result = result.model_copy(update={"axis": result.axis.model_copy(update=axis), **names})
    own: dict[str, Any] = {key: other[key] for key in ("rehearsal", "pier") if key in other}
    fill(url, run.model_copy(update={"sweeps": (Sweep(result=result),), **own}))
    rig = Rig(url, SCALE * other.get("scale", 1.0))

    assert learnt(rig) == pytest.approx(1.0)
    assert not rig.notes
    assert not rig.warnings


def test_a_configured_floor_wins(url: str) -> None:
    fill(url, *(noisy_run(n) for n in range(9)))
    rig = Rig(url, frame_floor_arcsec=0.8)

    assert learnt(rig) == pytest.approx(0.8)
    assert not rig.notes


def test_a_rehearsal_and_an_unknown_scale_learn_nothing(url: str) -> None:
    fill(url, *(noisy_run(n) for n in range(9)))
    rehearsal = Rig(url)
    rehearsal.clock = SimpleNamespace(rate=6.0)

    assert learnt(rehearsal) == pytest.approx(1.0)
    assert learnt(Rig(url, None)) == pytest.approx(1.0)


def test_no_history_yet_is_none_made(url: str, tmp_path: Path) -> None:
    rig = Rig(url)

    assert learnt(rig) == pytest.approx(1.0)
    assert not rig.warnings
    assert not list(tmp_path.iterdir())


def test_a_damaged_history_is_a_warning(url: str, tmp_path: Path) -> None:
    (tmp_path / "history.sqlite3").write_bytes(b"no database at all " * 400)
    rig = Rig(url)

    assert learnt(rig) == pytest.approx(1.0)
    assert len(rig.warnings) == 1
    assert "Nothing learnt from past sweeps" in rig.warnings[0]


def test_a_damaged_run_is_passed_over(url: str, tmp_path: Path) -> None:
    fill(url, *(noisy_run(n) for n in range(3)))
    with sqlite3.connect(tmp_path / "history.sqlite3") as database:
        database.execute("UPDATE runs SET document = '{}' WHERE run_id LIKE '%1'")
        database.execute("UPDATE runs SET document = '{broken' WHERE run_id LIKE '%2'")
    database.close()
    rig = Rig(url)

    assert learnt(rig) > 1.0
    assert any("learnt from 1 sweep of this rig" in text for text in rig.notes)


def test_a_history_that_hangs_is_a_warning(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    release = threading.Event()

    def hang(*_args: Any) -> tuple[Any, ...]:
        release.wait(60.0)
        return (), ()

    monkeypatch.setattr(learning, "_past", hang)
    monkeypatch.setattr(learning, "ANSWER_S", 0.05)
    rig = Rig(url)
    try:
        assert learnt(rig) == pytest.approx(1.0)
    finally:
        release.set()
    assert "no answer" in rig.warnings[0]
