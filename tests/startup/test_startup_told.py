"""What `startup` says at its end, and how long its steps took."""

from __future__ import annotations

import socket
from types import SimpleNamespace
from typing import Any, cast

import pytest
from support.measured import RESULT
from typer.testing import CliRunner

from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.config import Config
from polewright.foundation.errors import PolewrightError
from polewright.interfaces.cli.app import build_app
from polewright.observing.runs import startup as module
from polewright.observing.runs.startup import Startup, StartupStep
from polewright.observing.safety.guard_errors import NoLight
from polewright.records.result import MeasurementResult


def run_startup(tmp_path, *words: str) -> tuple[int, str]:
    rest = ["--run-journal-folder", str(tmp_path), "--no-history-enabled", "--startup-wait-s", "0"]
    done = CliRunner().invoke(build_app(), ["startup", *words, *rest], env={"COLUMNS": "500"})
    return done.exit_code, done.output


def ending(monkeypatch, came_to: MeasurementResult | PolewrightError, *last: StartupStep) -> None:
    """Have a start without devices come to this."""

    def run(self: Startup, **_how: object) -> MeasurementResult:
        self.steps += [StartupStep(name="devices", outcome="ok", text="all connected"), *last]
        if isinstance(came_to, PolewrightError):
            raise came_to
        return came_to

    monkeypatch.setattr(Startup, "run", run)


def test_trouble_is_told_as_by_the_other_commands(tmp_path) -> None:
    """No rig: what happened, why most likely, what to do, and how the mount is."""
    with socket.socket() as taken:  # bound and not listening: every connection is refused
        taken.bind(("127.0.0.1", 0))
        port = str(taken.getsockname()[1])
        code, told = run_startup(
            tmp_path, "--telescope-host", "127.0.0.1", "--telescope-port", port
        )

    assert code == 3
    for line in (
        "Error: no telescope found",
        "Most likely: the Alpaca server",
        "What to do: Start",
    ):
        assert f"\n{line}" in told
    assert "\nThe mount was not reached in this run: it is as it was before." in told


@pytest.mark.parametrize(
    ("last", "said"),
    [
        ((), "The mount was not moved: it is as it was before."),
        (("mount", "sweep"), "The mount stands still; tracking is off."),
    ],
)
def test_how_the_mount_was_left_is_told(tmp_path, monkeypatch, last, said) -> None:
    """By what was sent to it before the trouble."""
    steps = [StartupStep(name=name, outcome="ok", text=name) for name in last]
    trouble = NoLight(10.0, 500.0, 1.0, 499.0)
    ending(monkeypatch, trouble, *steps)

    code, told = run_startup(tmp_path)

    assert code == trouble.exit_code
    assert f"Most likely: {trouble.likely}\nWhat to do: {trouble.advice}\n" in told
    assert told.rstrip().endswith(said)


def test_a_refusal_gives_no_orders_to_a_hand_and_says_what_comes_next(
    tmp_path, monkeypatch
) -> None:
    """Nobody stands there: refused, by what, how the mount was left, and the next command."""
    result = MeasurementResult.model_validate(
        {
            **RESULT,
            "within_tolerance": False,
            "tolerance_arcmin": 0.3,
            "advice": ["Raise the axis 18 arcsec."],
        }
    )
    parked = StartupStep(name="afterwards", outcome="ok", text="the mount is parked")
    ending(
        monkeypatch,
        result,
        StartupStep(name="alignment", outcome="warning", text="3 points"),
        parked,
    )

    code, told = run_startup(tmp_path)

    assert code == 9
    assert "Raise the axis" not in told
    *_, refused, after = told.splitlines()
    assert refused == (
        "Refused: the axis is 30 ± 3 arcsec off, under 36 arcsec (95 %), and the tolerance is "
        "18 arcsec; the mount is parked."
    )
    assert after == "Next: `polewright align`: turn the adjusters by the live reading."


def test_the_sweep_is_a_step_with_its_seconds(monkeypatch) -> None:
    """52 s of slews and exposures belong to it, and to neither focus nor verdict."""
    clock = SystemClock()
    passed_s = 0.0
    monkeypatch.setattr(clock, "monotonic_s", lambda: passed_s)
    quality = SimpleNamespace(hfd_px=3.0, elongation=1.1)
    point = SimpleNamespace(rest=None, quality=quality)

    def swept(*_: object) -> Any:
        nonlocal passed_s
        passed_s += 52.0
        return SimpleNamespace(points=[point] * 3)

    monkeypatch.setattr(module, "sweep", swept)
    for name in ("begin", "planned_points"):
        monkeypatch.setattr(module, name, lambda _rig: None)
    monkeypatch.setattr(
        module, "measured_axis", lambda *_, **_how: SimpleNamespace(result="the result")
    )
    run = Startup(Config(), clock, CancelToken(), lambda _event: None)
    monkeypatch.setattr(run, "_verdict", lambda _measured: "3 points")

    assert cast("Any", run._check(cast("Any", None))) == "the result"

    assert [(step.name, step.took_s) for step in run.steps] == [
        ("sweep", 52.0),
        ("focus", 0.0),
        ("alignment", 0.0),
    ]
