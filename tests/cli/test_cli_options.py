"""The configuration is found, old names of options are read, and nothing is overwritten."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from polewright.foundation import config_place, language
from polewright.foundation.config import BadConfig, config_from_text
from polewright.foundation.errors import ExitCode
from polewright.interfaces.cli.app import build_app
from polewright.interfaces.cli.old_options import renamed

OPTICS = "[optics]\nfocal_length_mm = {}\npixel_um = 3.76\n"


def run(*words: str) -> tuple[int, str, str]:
    """Return exit code, standard output, and standard error in one line."""
    done = CliRunner().invoke(build_app(), list(words))
    return done.exit_code, done.stdout, " ".join(done.stderr.split())


@pytest.fixture
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Stand in an empty folder, with an empty folder of one's own beside it."""
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    monkeypatch.delenv("POLEWRIGHT_CONFIG")
    own = tmp_path / "own" / "polewright.toml"
    own.parent.mkdir()
    monkeypatch.setattr(config_place, "users_file", lambda: own)
    return own


def focal_length_mm(*words: str) -> float:
    done = run("tolerance", "--json", *words)
    return float(json.loads(done[1])["imaging"]["focal_length_mm"])


def test_the_configuration_is_found_in_order_and_told(own_folder, tmp_path, monkeypatch) -> None:
    """The option, then the variable, then this folder, then the user's own; in one line."""
    assert run("tolerance", "--json")[0] == ExitCode.USAGE  # none is there
    own_folder.write_text(OPTICS.format(100))
    assert focal_length_mm() == 100.0
    assert "polewright.toml, found in your own folder." in run("tolerance")[2]
    Path("polewright.toml").write_text(OPTICS.format(200))
    assert focal_length_mm() == 200.0
    assert run("tolerance")[2] == "Configuration: polewright.toml, found in this folder."
    named = tmp_path / "pier.toml"
    named.write_text(OPTICS.format(300))
    monkeypatch.setenv("POLEWRIGHT_CONFIG", str(named))
    assert focal_length_mm() == 300.0
    assert "named by POLEWRIGHT_CONFIG" in run("tolerance")[2]
    assert focal_length_mm("-c", "polewright.toml") == 200.0
    assert run("tolerance", "-c", "polewright.toml")[2] == ""
    assert run("tolerance", "-c", "none")[0] == ExitCode.USAGE


def test_a_configuration_that_is_named_and_not_there_is_an_error(own_folder, monkeypatch) -> None:
    """Nothing else is taken in its place."""
    own_folder.write_text(OPTICS.format(100))
    monkeypatch.setenv("POLEWRIGHT_CONFIG", "gone.toml")

    code, _out, told = run("tolerance")

    assert code == ExitCode.USAGE
    assert "gone.toml is not usable" in told


def test_commands_without_a_configuration_speak_the_language_of_the_environment(
    monkeypatch,
) -> None:
    monkeypatch.setenv("LANG", "de_DE.UTF-8")
    monkeypatch.setenv("LC_ALL", "")
    try:
        assert "Fehler:" in run("devices", "--port", "11111")[2]
        monkeypatch.setenv("POLEWRIGHT_LANGUAGE", "en")
        assert "Error:" in run("devices", "--port", "11111")[2]
    finally:
        language.use(None)


@pytest.mark.parametrize(
    ("command", "words", "now"),
    [
        ("plan", ["--at-time", "x"], ["--at", "x"]),
        ("plan", ["--at-time=x", "--", "--at-time"], ["--at=x", "--", "--at-time"]),
        ("drift", ["--night", "--plot", "a.svg"], ["--theme", "night", "--chart", "a.svg"]),
        ("history export", ["--output", "a.csv"], ["--out", "a.csv"]),
        ("plan", ["--chart", "a.svg"], ["--chart", "a.svg"]),
        ("check", ["--at-time"], ["--at-time"]),
    ],
)
def test_an_old_name_is_read_as_the_new_one(command, words, now) -> None:
    got, notes = renamed(command, words)

    assert got == now
    assert bool(notes) == (got != words)


def test_an_old_name_is_told(tmp_path) -> None:
    """On standard error, so that a script's document stays whole."""
    code, out, told = run(
        "tolerance", "--json", "--focal-length-mm", "400", "--pixel-um", "3.76",
        "--picture", str(tmp_path / "t.svg"),
    )  # fmt: skip

    assert code == 0
    assert json.loads(out)["picture"] == str(tmp_path / "t.svg")
    assert told == "--picture is now --chart."


def test_no_picture_and_no_report_is_overwritten_unasked(tmp_path) -> None:
    """It is refused before any work, and --force writes it."""
    there = tmp_path / "t.svg"
    there.write_text("mine")
    optics = ["--focal-length-mm", "400", "--pixel-um", "3.76"]
    place = ["--site-latitude-deg", "44:37:12", "--site-longitude-deg", "9.3"]

    for words in (
        ["tolerance", *optics, "--chart", str(there)],
        ["plan", *place, "--at", "2026-11-20T21:30", "--chart", str(there)],
        ["drift", "--chart", str(there)],
        ["report", "--out", str(there)],
    ):
        code, _out, told = run(*words)
        assert code == ExitCode.USAGE, words
        assert "already exists" in told, words
        assert "--force" in told, words
        assert there.read_text() == "mine"
    assert run("tolerance", *optics, "--chart", str(there), "--force")[0] == 0
    assert there.read_text() != "mine"


@pytest.mark.parametrize(
    ("text", "degrees"),
    [("44.62", 44.62), ("44:37:12", 44.62), ("44 37 12", 44.62), ("44°37′12″ N", 44.62),
     ("44d37m12s", 44.62), ("33 52 10 S", -33.869444), ("-0:30:00", -0.5), ("44,62", 44.62)],
)  # fmt: skip
def test_a_direction_may_be_sexagesimal(text: str, degrees: float) -> None:
    """In the file, and so in the option of that name."""
    got = config_from_text(f'[site]\nlatitude_deg = "{text}"\n').site.latitude_deg

    assert got == pytest.approx(degrees, abs=1e-6)


@pytest.mark.parametrize(("text", "told"), [("44:37x", "is no angle"), ("144:00", "90")])
def test_a_direction_that_is_none_says_how_to_write_it(text: str, told: str) -> None:
    with pytest.raises(BadConfig, match=told):
        config_from_text(f'[site]\nlatitude_deg = "{text}"\n')


def test_a_targets_direction_may_be_sexagesimal() -> None:
    """Hours for right ascension, degrees for declination; nonsense is a sentence."""
    place = ["--site-latitude-deg", "44", "--site-longitude-deg", "9", "--site-elevation-m", "9"]
    orion = ["bestpole", "--ra", "5h35m17s", "--dec", "-5:23:28", "--at", "2026-11-30T23:00"]

    target = json.loads(run(*orion, *place, "--json")[1])["target"]
    refused = run("bestpole", "--ra", "5h35x", "--dec", "4", *place)

    assert target["right_ascension_deg"] == pytest.approx(83.8208, abs=1e-3)
    assert target["declination_deg"] == pytest.approx(-5.3911, abs=1e-3)
    assert refused[0] == ExitCode.USAGE
    assert "5:35:17" in refused[2]
