"""The preset and best-pole commands as a script calls them."""

from __future__ import annotations

import json

from typer.testing import CliRunner

from polewright.interfaces.cli.app import build_app

SITE = ["--site-latitude-deg", "48", "--site-longitude-deg", "8"]


def run(*arguments: str):
    return CliRunner().invoke(build_app(), list(arguments))


def test_recorded_nights_change_the_next_bearing(tmp_path) -> None:
    """Two nights with a compass that reads 6 degrees too much raise the bearing by 6 degrees."""
    file = ["--file", str(tmp_path / "nights.jsonl"), "--json", *SITE]
    declination = ["--magnetic-declination", "4"]
    before = json.loads(run("preset", *file, *declination).stdout)
    # Pole at magnetic 356; base centred 2 degrees west of it; the compass reads 6 more.
    for _ in range(2):
        answer = run("preset", *file, *declination, "--record", "0", "--base-turn", "2")
        assert answer.exit_code == 0, answer.output
    after = json.loads(run("preset", *file, *declination).stdout)
    assert before["preset"]["bearing_deg"] == 356.0
    assert after["preset"]["bearing_deg"] == 2.0
    assert after["preset"]["compass"]["nights"] == 2


def test_an_unknown_site_is_told_without_any_device(tmp_path) -> None:
    """Without a site the command ends with the exit code of a wrong input."""
    answer = run("preset", "--file", str(tmp_path / "n.jsonl"), "--json")
    assert answer.exit_code == 2
    assert json.loads(answer.stdout.splitlines()[0])["error"]["code"] == "site_unknown"


def test_best_pole_tells_gain_in_arcsec_and_pixels() -> None:
    """The document has three axes, and pixels once optics are known."""
    answer = run(
        "bestpole", "--ra", "5:36:00", "--dec", "40d", "--at", "2026-12-10T20:00",
        "--optics-focal-length-mm", "800", "--optics-pixel-um", "3.76", "--json", *SITE,
    )  # fmt: skip
    assert answer.exit_code == 0, answer.output
    document = json.loads(answer.stdout)
    scale_arcsec = 3.76e-3 / 800.0 * 206264.806
    assert [pole["name"] for pole in document["poles"]][:2] == ["true pole", "refracted pole"]
    assert abs(document["gain_px"] - document["gain_arcsec"] / scale_arcsec) < 1e-6
    assert document["gain_arcsec"] >= 0.0
