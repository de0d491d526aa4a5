"""The command `polewright tolerance`, and a session's tolerance that follows from the night."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from polewright.angles import ARCMIN
from polewright.cli.app import build_app
from polewright.config import BadConfig, config_from_text
from polewright.tolerance.imaging import Imaging, Target
from polewright.tolerance.tolerance import cost

OPTICS = ["--focal-length-mm", "600", "--pixel-um", "3.76"]


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(build_app(), ["tolerance", *OPTICS, *words])
    return result.exit_code, result.stdout


def test_the_largest_error_costs_what_was_allowed() -> None:
    """Forward and reverse agree: no direction of the largest error trails more than the limit."""
    code, out = run("--exposure-s", "120", "--trail-px", "0.8", "--json")
    arcmin = json.loads(out)["largest_axis_error_arcmin"]

    assert code == 0
    worst = max(
        cost(
            Imaging(600, 3.76, 120), Target(45.0), east * ARCMIN, up * ARCMIN, southern=False
        ).worst_px
        for east, up in ((arcmin, 0.0), (0.0, arcmin), (0.71 * arcmin, -0.7 * arcmin))
    )
    assert 0.75 < worst <= 0.8 * 1.002


def test_an_error_beyond_the_tolerance_ends_with_nine() -> None:
    """A script learns from the exit code that the measured error is too large, or is not."""
    bad, out = run("--alt-arcmin", "30", "--json")
    good, _ = run("--alt-arcmin", "0.2", "--az-arcmin", "-0.2")

    assert bad == 9
    assert json.loads(out)["cost"]["good_enough"] is False
    assert good == 0


def test_the_picture_is_written(tmp_path) -> None:
    """A picture is an SVG or a PNG by its ending; another ending is refused."""
    assert run("--picture", str(tmp_path / "sky.svg"))[0] == 0
    assert (tmp_path / "sky.svg").read_text().lstrip().startswith("<?xml")
    assert run("--picture", str(tmp_path / "sky.gif"))[0] == 2


def test_a_missing_focal_length_is_asked_for() -> None:
    """Without optics the command says which option gives them."""
    result = CliRunner().invoke(build_app(), ["tolerance", "--json"])

    assert result.exit_code == 2
    assert "--focal-length-mm" in json.loads(result.stdout)["error"]["advice"]


def test_a_session_may_take_its_tolerance_from_tonight() -> None:
    """[pole] tolerance_from_tonight puts what the exposures demand in place of the fixed one."""
    night = "[pole]\ntolerance_from_tonight = true\n[tonight]\nexposure_s = 120\n"
    config = config_from_text(night + "focal_length_mm = 600\npixel_um = 3.76\n")
    expected = json.loads(run("--exposure-s", "120", "--json")[1])["largest_axis_error_arcmin"]

    assert config.pole.tolerance_arcmin == pytest.approx(expected, rel=0.01)
    with pytest.raises(BadConfig, match="focal_length_mm"):
        config_from_text(night)
