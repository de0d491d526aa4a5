"""`startup` and `check` as scripts call them."""

from __future__ import annotations

import json

import pytest
from support.printed import printed
from typer.testing import CliRunner

from polewright.interfaces.cli.app import build_app
from polewright.observing.safety.mount_lock import only_run
from polewright.records.history.store import History, RunFilter
from polewright_sim.scenario import Fault, Scenario

pytestmark = pytest.mark.e2e


@pytest.fixture
def called(start_night, monkeypatch, tmp_path):
    """Call the command line against a rig that shares its clock."""

    def call(changes, *arguments: str):
        night = start_night(changes)
        here = []
        for kind in ("telescope", "camera", "cover", "safety"):
            here += [f"--{kind}-host", night.running.host, f"--{kind}-port", night.running.port]
        site = ["--site-latitude-deg", 44.62, "--site-longitude-deg", 9.31]
        rest = ["--run-journal-folder", str(tmp_path), "--optics-focal-length-mm", 202.0]
        words = [str(word) for word in (*arguments, "--json", *here, *site, *rest)]
        return night, CliRunner().invoke(build_app(), words)

    return call


def test_a_cover_that_is_not_there_answers_with_code_3_and_the_steps_done(called, tmp_path) -> None:
    """One JSON document with the error and how far it came; log and notification say the same.

    The history has it as a startup."""
    log, told = tmp_path / "night.log", tmp_path / "told"
    url = f"sqlite:///{tmp_path / 'runs.db'}"
    night, answer = called(
        {},
        "startup",
        "--startup-wait-s", "0",
        "--log-file", str(log),
        "--startup-clock-tolerance-s", "60",
        "--notify-command", f"cp {__file__} {told}",
        "--cover-device-number", "7",
        "--history-url", url,
    )  # fmt: skip
    assert answer.exit_code == 3, answer.output
    document = printed("startup", answer.stdout)
    assert document["ok"] is False
    assert document["exit_code"] == 3
    assert document["error"]["code"] == "device_not_found"
    assert document["afterwards"] == "untouched"
    assert [(step["name"], step["outcome"]) for step in document["steps"]] == [
        ("devices", "ok"),
        ("site and clock", "ok"),
        ("safety", "ok"),
        ("cover", "failed"),
    ]
    assert told.exists()
    assert json.loads(log.read_text().splitlines()[-1])["event"] == "startup_ended"
    assert night.truth["mount"]["at_park"]
    with History(url) as history:
        (row,) = history.list_runs(RunFilter(rehearsals=True))
        assert (row["kind"], row["outcome"]) == ("startup", 3)


def test_check_answers_with_a_document(called) -> None:
    """A frame at the park position: solved, exit code 0, and the mount not moved."""
    night, answer = called({}, "check", "--exposure", "1")

    document = printed("check", answer.stdout)
    assert document["exposure_s"] == 1.0
    assert document["star_count"] > 20
    assert (answer.exit_code, document["solved"]) in [(0, True), (5, False)]
    assert night.truth["mount"]["at_park"]


def test_the_loop_ends_after_its_frames_and_rings(called) -> None:
    """--loop --frames 2 --tone: the last frame as a document, unsolved on purpose."""
    _night, answer = called({}, "check", "--loop", "--frames", "2", "--tone", "--exposure", "0.5")

    assert answer.exit_code == 0, answer.output
    assert json.loads(answer.stdout)["solved"] is None


def test_the_list_of_devices_cuts_nothing(start_night, monkeypatch) -> None:
    """Names and ids go into the configuration: they are whole, and brackets are no markup."""
    night = start_night({})
    where = ["--host", night.running.host, "--port", str(night.running.port)]
    monkeypatch.setattr(night.running.telescope, "name", "Mount [a] [/b]")

    listed = printed(
        "devices", CliRunner().invoke(build_app(), ["devices", *where, "--json"]).stdout
    )
    monkeypatch.setenv("COLUMNS", "80")
    shown = CliRunner().invoke(build_app(), ["devices", *where]).stdout

    assert len(listed["devices"]) >= 5
    assert "Mount [a] [/b]" in shown
    for row in listed["devices"]:
        assert row["name"] in shown


def test_check_leaves_a_running_alignment_alone(start_night, monkeypatch) -> None:
    """Both would expose with one camera: it is refused, and nothing is exposed."""
    night = start_night({})
    rig = night.connect()
    words = ["check", "--json", "--site-latitude-deg", "44.62", "--site-longitude-deg", "9.31"]
    for kind in ("telescope", "camera"):
        words += [f"--{kind}-host", night.running.host, f"--{kind}-port", str(night.running.port)]

    with only_run(rig.telescope.where):
        answer = CliRunner().invoke(build_app(), words)

    assert answer.exit_code == 3
    assert json.loads(answer.stdout)["error"]["code"] == "mount_taken"
    assert not night.rig.recorded


def test_what_a_driver_says_ends_align_as_any_other_trouble(
    start_night, monkeypatch, tmp_path
) -> None:
    """Brackets, escape sequences and turned lines in its message: exit code 3, the words as they
    are, nothing obeyed, and the run is in the history."""
    night = start_night({})
    said = "axis [/bold] stalled [fd12::5]\x1b[2J\u202e\nWithin the tolerance"
    fault = Fault(
        kind="error_number",
        device="telescope",
        member="tracking",
        method="PUT",
        parameters={"message": said},
    )
    night.running.load_faults(Scenario(fault=(fault,), seed=1))
    url = f"sqlite:///{tmp_path / 'runs.db'}"
    config = tmp_path / "night.toml"
    at = f'host = "{night.running.host}"\nport = {night.running.port}\n'
    config.write_text(
        f"[telescope]\n{at}[camera]\n{at}[site]\nlatitude_deg = 44.62\nlongitude_deg = 9.31\n"
        f'[optics]\nfocal_length_mm = 202.0\n[history]\nurl = "{url}"\n'
        f'[run]\njournal_folder = "{tmp_path}"\n[sweep]\nstart_azimuth_deg = 140.0\n'
        "start_altitude_deg = 55.0\n"
    )

    answer = CliRunner().invoke(
        build_app(), ["align", "--plain", "-c", str(config)], env={"COLUMNS": "500"}
    )

    assert answer.exit_code == 3, answer.output
    assert "axis [/bold] stalled [fd12::5]␛[2J<U+202E> Within the tolerance" in answer.output
    assert "\x1b" not in answer.output
    with History(url) as history:
        (row,) = history.list_runs(RunFilter(rehearsals=True))
        assert row["outcome"] == 3
