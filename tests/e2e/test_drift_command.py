"""Measuring, checking by drift and reporting, as a script does it."""

from __future__ import annotations

import json
import math

import pytest
from support.printed import printed
from typer.testing import CliRunner

from polewright.interfaces.cli.app import build_app

pytestmark = pytest.mark.e2e


@pytest.mark.timeout(600)
def test_a_measured_axis_is_checked_by_drift_and_both_are_in_the_report(
    start_night, monkeypatch, tmp_path
) -> None:
    """The measurement's document is the prediction; verdict, picture, history and report agree."""
    night = start_night({"mount": {"past_meridian_deg": 30.0}})
    database = f"sqlite:///{tmp_path / 'history.db'}"
    here = ["--run-journal-folder", str(tmp_path), "--history-url", database]
    for kind in ("telescope", "camera"):
        here += [f"--{kind}-host", night.running.host, f"--{kind}-port", str(night.running.port)]
    here += ["--site-latitude-deg", "44.62", "--site-longitude-deg", "9.31"]
    here += ["--optics-focal-length-mm", "202"]

    def call(*words: object):
        return CliRunner().invoke(build_app(), [str(word) for word in words])

    measured = call("measure", "--json", *here)
    assert measured.exit_code == 9, measured.output
    axis = tmp_path / "axis.json"
    axis.write_text(measured.stdout)
    picture = tmp_path / "drift.png"
    checked = call(
        "drift", "--axis", axis, "--chart", picture, "--json", "--one-field",
        "--goal-arcsec", 30, "--minutes", 8, *here,
    )  # fmt: skip

    assert checked.exit_code == 0, checked.output
    drift = printed("drift", checked.stdout)
    assert drift["verdict"] == "agrees"
    found = printed("measure", measured.stdout)["axis"]
    off_arcmin = drift["d_az_sky_arcmin"] - found["d_az_sky_arcmin"]
    assert abs(off_arcmin) < 4.0 * drift["sigma_az_sky_arcmin"]
    points = json.loads(measured.stdout)["points"]
    assert drift["compared"]["hour_angles_deg"] == [point["hour_angle_deg"] for point in points]
    assert drift["compared"]["nothing_turned"] is None  # a rehearsal has no past
    lever = math.cos(math.radians(44.62))
    for tracked, swept_deg in (
        (drift["sag"], drift["fields"][0]["declination_deg"]),
        (drift["compared"]["sag"], drift["compared"]["declination_deg"]),
    ):
        wanted = -lever * math.sin(math.radians(swept_deg))
        assert tracked["moves_alt"] == pytest.approx(wanted, abs=0.04)
        assert tracked["moves_az_sky"] == pytest.approx(0.0, abs=0.04)
    assert picture.read_bytes()[:4] == b"\x89PNG"

    listed = json.loads(call("history", "list", "--url", database, "--rehearsals", "--json").stdout)
    assert [run["kind"] for run in listed["runs"]] == ["drift", "measure"]
    page = tmp_path / "report.html"
    nameless = call("report", "--url", database, "--out", page)
    assert nameless.exit_code == 2
    assert "rehearsals do not count" in nameless.output
    written = call(
        "report", listed["runs"][1]["run_id"], "--url", database, "--out", page, "--force"
    )
    assert written.exit_code == 0, written.output
    assert drift["sentence"] in page.read_text()
    assert not night.truth["mount"]["moving"]
