"""Every command's ``--json`` has a published schema, and what it prints fits it.

What needs a rig is held against its schema where the rig is: see who uses `support.printed`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import responses
import typer.main
from support.printed import printed
from typer.testing import CliRunner

from polewright.interfaces.cli.app import build_app
from polewright.interfaces.report.write_schemas import DOCUMENTS, PRINTED
from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import Step

TESTS = Path(__file__).parents[1]
SITE = ["--site-latitude-deg", "44.62", "--site-longitude-deg", "9.31"]


def commands_with_json() -> Iterator[str]:
    root = typer.main.get_command(build_app())
    context = root.make_context("polewright", [], resilient_parsing=True)
    for name in root.list_commands(context):  # type: ignore[attr-defined]
        command = root.get_command(context, name)  # type: ignore[attr-defined]
        inner = getattr(command, "commands", None)
        for own, one in [(name, command)] if inner is None else [
            (f"{name} {key}", item) for key, item in inner.items()
        ]:  # fmt: skip
            if any("--json" in parameter.opts for parameter in one.params):
                yield own


def run(*words: str, given: str | None = None) -> str:
    return CliRunner().invoke(build_app(), list(words), input=given).stdout


def test_every_command_with_json_has_its_schemas() -> None:
    """A new command, or a new --json, comes with a schema; none is left over."""
    assert sorted(PRINTED) == sorted(commands_with_json())
    named = {name for names in PRINTED.values() for name in names}
    assert named | {"error", "session", "run"} == set(DOCUMENTS)


def test_every_schema_is_held_against_what_is_printed() -> None:
    """Somewhere in the tests the command's real output is validated."""
    text = "".join(path.read_text("utf-8") for path in sorted(TESTS.rglob("test_*.py")))
    used = set(re.findall(r'printed\(\s*"([a-z ]+)"', text))

    assert used == set(PRINTED)


def test_what_needs_no_rig_fits(tmp_path) -> None:
    """Horizon, plan, target, preset and profile of an invented site."""
    rig = ["--optics-focal-length-mm", "400", "--optics-pixel-um", "3.76"]
    night = ["--at", "2026-11-20T21:30"]

    horizon = run("horizon", "--json", "--out", str(tmp_path / "h.txt"), given="0 5\n90 30\nx y\n")
    target = ["--ra", "5.6", "--dec", "-5.4", *night]
    preset = ["--file", str(tmp_path / "nights.jsonl"), *SITE, "--magnetic-declination", "3.5"]
    profile = ["-c", str(tmp_path / "new.toml"), "--no-ask", "--altitude-name", "bolt"]

    printed("horizon", horizon)
    assert printed("plan", run("plan", "--json", *SITE, *rig, *night))["plans"]
    assert printed("bestpole", run("bestpole", "--json", *target, *SITE))["poles"]
    printed("preset", run("preset", "--json", *preset))
    assert printed("profile", run("profile", "--json", *profile))["ok"]


def test_an_error_is_a_document_with_a_schema_of_its_own(tmp_path) -> None:
    """Whatever command it ends."""
    document = printed("measure", run("measure", "--json", "-c", str(tmp_path / "nosuch.toml")))

    assert document["error"]["exit_code"] == 2
    with pytest.raises(AssertionError):
        printed("measure", json.dumps({**document, "more": 1}))


@responses.activate
def test_a_session_of_a_service_fits() -> None:
    """`adjust --attach` tells the snapshot that the service sends."""
    over = SessionSnapshot(
        session_id="s", version=1, step=Step.FINISHED, utc_s=0.0, tolerance_arcmin=1.0
    )
    responses.get("http://127.0.0.1:8787/api/session", json=over.model_dump(mode="json"))

    told = printed("adjust", run("adjust", "--attach", "http://127.0.0.1:8787", "--json"))

    assert told["session"]["step"] == "finished"


def test_units_and_status_fit(tmp_path) -> None:
    """Without systemd, without a service, and with a journal that is none."""
    place = ["--user", "--folder", str(tmp_path / "units"), "--json"]
    journals = tmp_path / "journals"
    journals.mkdir()
    (journals / "00001-x.journal.jsonl").write_bytes(b"\x00not a record\n")

    shown = printed("service show", run("service", "show", "--startup-at", "18:30", *place))
    written = printed("service install", run("service", "install", *place))
    gone = printed("service uninstall", run("service", "uninstall", *place))
    status = printed(
        "status", run("status", "--json", "--run-journal-folder", str(journals), "--port", "9")
    )

    assert len(shown["units"]) == 3
    assert written["written"] == gone["removed"] == [str(tmp_path / "units" / "polewright.service")]
    assert not status["safe"]
    assert "00001-x" in status["why_unsafe"]
    assert status["runs"] == []
    assert status["service"] is None
