"""The command that starts the rig, as far as it does not start it."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from polewright.interfaces.cli.app import build_app

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
