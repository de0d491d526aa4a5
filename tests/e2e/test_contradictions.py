"""Every command that would move a mount refuses one whose site or clock contradicts ours."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from polewright.interfaces.cli.app import build_app
from polewright.observing.runs.measurement import measure_axis

pytestmark = pytest.mark.e2e


@pytest.mark.parametrize("command", ["measure", "align", "adjust"])
@pytest.mark.parametrize(
    ("mount", "says"),
    [
        ({"site_longitude_deg": -9.31}, "east and west"),
        ({"site_latitude_deg": -44.62}, "north and south"),
        ({"clock_offset_s": 3600.0}, "daylight saving"),
    ],
    ids=["longitude", "latitude", "clock"],
)
def test_a_contradiction_ends_a_command_before_the_mount_is_unparked(
    start_night, monkeypatch, tmp_path, command, mount, says
) -> None:
    """Exit code 3, both figures, the likely cause, and how to go on all the same."""
    night = start_night({"mount": mount})
    config = tmp_path / "night.toml"
    at = f'host = "{night.running.host}"\nport = {night.running.port}\n'
    config.write_text(
        f"[telescope]\n{at}[camera]\n{at}[site]\nlatitude_deg = 44.62\nlongitude_deg = 9.31\n"
        f'[run]\njournal_folder = "{tmp_path}"\n'
    )

    answer = CliRunner().invoke(build_app(), [command, "--json", "-c", str(config)])

    assert answer.exit_code == 3, answer.output
    error = json.loads(answer.stdout)["error"]
    assert error["code"] == "mount_contradicts"
    assert says in error["message"]
    assert "--accept-site" in error["advice"]
    assert night.truth["mount"]["at_park"]
    assert not night.rig.recorded


def test_what_was_accepted_stands_in_the_result(start_night) -> None:
    """One explicit option, one run: site, times, and what was accepted are in its document."""
    night = start_night({"mount": {"site_longitude_deg": 8.5}})
    config = night.config({"sweep.points": 3}).accepting_site()

    result = measure_axis(night.connect_with(config))

    assert "another place" in result.site.accepted
    told = result.site.sentence(result.started_utc, result.finished_utc)
    assert "44.620° N" in told
    assert "9.310° E" in told
    assert "2026-11-20 21:3" in told
    assert "another place" in told
    assert any("Accepted for this session" in one for one in result.notes)
