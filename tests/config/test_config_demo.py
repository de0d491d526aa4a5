"""The demonstration's own configuration serves the commands that ask no device."""

from __future__ import annotations

import tomllib
from pathlib import Path

from typer.testing import CliRunner

from polewright.interfaces.cli.app import build_app
from polewright_sim.spec import RigSpec

DEMO = Path(__file__).parents[2] / "demo"


def test_tolerance_answers_from_the_demonstration_s_configuration() -> None:
    """Focal length and pixel size stand in the file."""
    answer = CliRunner().invoke(build_app(), ["tolerance", "-c", str(DEMO / "polewright.toml")])

    assert answer.exit_code == 0, answer.output
    assert "The axis may be up to" in answer.output


def test_pixel_and_site_are_those_of_the_demonstration_s_rig() -> None:
    """Two files tell of one garden."""
    rig = RigSpec.model_validate(tomllib.loads((DEMO / "rig.toml").read_text("utf-8")))
    told = tomllib.loads((DEMO / "polewright.toml").read_text("utf-8"))

    assert told["optics"]["pixel_um"] == rig.sensor.pixel_um
    assert told["site"]["latitude_deg"] == rig.site.latitude_deg
    assert told["site"]["longitude_deg"] == rig.site.longitude_deg
