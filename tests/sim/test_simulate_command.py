"""The command that starts the rig, as far as it does not start it."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from polewright.interfaces.cli.app import build_app
from polewright_sim.command import evening_utc_s
from polewright_sim.fault_kinds import KINDS
from polewright_sim.scenario import scenario_from_words

DEMO = Path(__file__).resolve().parents[2] / "demo"


@pytest.mark.parametrize(
    ("file", "told"),
    [
        ("polewright.toml", "sweep: extra inputs are not permitted"),
        ("nosuch.toml", "no such file or directory"),
    ],
)
def test_a_wrong_rig_is_told_in_words(file: str, told: str) -> None:
    """The file and what is wrong with it; no numbers of the system, no links."""
    done = CliRunner().invoke(build_app(), ["simulate", "--spec", str(DEMO / file)])

    assert done.exit_code == 2
    assert told in done.output
    assert "Errno" not in done.output
    assert "http" not in done.output


def test_faults_in_short_are_those_of_a_file() -> None:
    """By name, with the first parameter's value, and with parameters by name."""
    given = scenario_from_words(
        [
            "site_sign_wrong",
            "clock_off=-2",
            "wind_shake=arcsec=30,period_s=0.8",
            "shutter_stuck=open",
        ]
    )
    asked = [(fault.kind, fault.parameters) for fault in given.fault]

    assert asked == [
        ("site_sign_wrong", {}),
        ("clock_off", {"hours": -2.0}),
        ("wind_shake", {"arcsec": 30.0, "period_s": 0.8}),
        ("shutter_stuck", {"how": "open"}),
    ]


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("clock_of=1", "did you mean clock_off?"),
        ("clock_off=noon", "hours must be a number"),
        ("clock_off=day=1", "it has: hours"),
        ("site_sign_wrong=1", "has no parameter"),
        ("nosuch.toml", "cannot be read"),
    ],
)
def test_a_wrong_fault_is_told_in_words(word: str, told: str) -> None:
    """Before the rig starts."""
    done = CliRunner().invoke(build_app(), ["simulate", "--faults", word])

    assert done.exit_code == 2
    assert told in done.output


@pytest.mark.parametrize("date", [None, "2026-11-20"])
def test_the_night_begins_in_the_evening_at_the_site(date: str | None) -> None:
    """At 21:30 mean solar time, 8 degrees east, of a date or of today."""
    began_s = evening_utc_s(8.0, date)

    solar = datetime.fromtimestamp(began_s + 8.0 * 240.0, UTC)
    assert f"{solar:%H:%M:%S}" == "21:30:00"
    if date is None:
        assert abs(began_s - time.time()) < 86400.0
    else:
        assert f"{solar:%Y-%m-%d}" == date


@pytest.mark.parametrize(
    ("words", "told"),
    [(["--night", "2026-11-20"], "needs --rate"), (["--rate", "4", "--night", "noon"], "no date")],
    ids=["no rate", "no date"],
)
def test_a_night_that_cannot_be_is_told(words: list[str], told: str) -> None:
    """In words, and no rig is started."""
    done = CliRunner().invoke(build_app(), ["simulate", "--port", "0", *words])

    assert done.exit_code == 2
    assert told in done.output
    assert "listening" not in done.output


def test_help_lists_every_fault() -> None:
    """With its parameters; nothing is started."""
    done = CliRunner().invoke(build_app(), ["simulate", "--faults", "help"])

    assert done.exit_code == 0
    assert all(kind in done.output for kind in KINDS)
