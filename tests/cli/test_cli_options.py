"""The configuration is found, old names of options are read, and nothing is overwritten."""

from __future__ import annotations

import io
import json
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from polewright.foundation import config_place, language
from polewright.foundation.config import BadConfig, config_from_text
from polewright.foundation.errors import ExitCode
from polewright.interfaces.cli import devices
from polewright.interfaces.cli.app import build_app
from polewright.interfaces.cli.old_options import renamed
from polewright.interfaces.cli.terminal import Console
from polewright.observing.runs.drift_run import DriftResult

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


def test_a_plan_counts_turns_and_says_this_computers_time(monkeypatch) -> None:
    """Three points are two turns; a time zone that speaks against the longitude is told."""
    monkeypatch.setenv("TZ", "CET-1")
    time.tzset()
    plan = ["plan", "--site-latitude-deg", "44.6", "--at", "2026-11-20T21:30"]
    try:
        there = " ".join(run(*plan, "--site-longitude-deg", "9.3")[1].split())
        wrong = " ".join(run(*plan, "--site-longitude-deg", "-49.3")[1].split())
        document = json.loads(run(*plan, "--site-longitude-deg", "9.3", "--json")[1])
    finally:
        monkeypatch.undo()
        time.tzset()

    assert "from 2026-11-20 21:30 UTC (22:30 CET), best first" in there
    assert "3 points: 2 turns of 20°" in there
    assert "time zone" not in there
    assert "are east and west exchanged" in wrong
    assert document["at_local"] == "2026-11-20T22:30:00+01:00"
    assert there.endswith("Next: `polewright align`.")


def test_a_german_plan_fits_80_columns_and_its_letters_are_no_directions(monkeypatch) -> None:
    """Heads and minutes are whole; that nothing was asked of the mount is said first."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("POLEWRIGHT_LANGUAGE", "de")
    place = ["--site-latitude-deg", "44.6", "--site-longitude-deg", "9.3"]
    told = run("plan", *place, "--at", "2026-11-20T21:30")[1]

    assert "…" not in told
    assert told.startswith("Die Montierung wurde nichts gefragt")
    heads = next(line for line in told.splitlines() if "Stundenwinkel" in line)
    assert heads.split()[-4:] == ["Kosten", "min", "Sonne", "Mond"]
    rows = told.splitlines()[told.splitlines().index(heads) + 1 :][:5]
    assert [row.split()[0] for row in rows] == ["beste", "B", "C", "D", "F"]
    assert all(row.split()[-2] == "unten" for row in rows)


def test_a_target_that_sets_is_said_to_set() -> None:
    """With the time until which it counts; one that is never up is named, and what to change."""
    place = ["--site-latitude-deg", "40", "--site-longitude-deg", "9", "--site-elevation-m", "9"]
    sets = run("bestpole", "--ra", "18h", "--dec", "-10", "--at", "2026-11-30T16:00", *place)
    never = run("bestpole", "--ra", "18h", "--dec", "-75", "--at", "2026-11-30T16:00", *place)

    told = " ".join(sets[1].split())
    assert "The target sets below 10° at about 2026-11-30 1" in told
    assert "rises" not in told
    assert never[0] == ExitCode.PLAN
    assert "does not rise above 10°" in never[2]
    assert "--at" in never[2]


def test_a_tolerance_echoes_its_assumptions_and_asks_for_the_guide_star() -> None:
    """With their figures; a guide star whose distance is told is not asked for."""
    optics = ["--focal-length-mm", "400", "--pixel-um", "3.8", "--guided"]
    asked = " ".join(run("tolerance", *optics, "--sensor-diagonal-mm", "14")[1].split())
    told = " ".join(run("tolerance", *optics, "--guide-distance-deg", "2")[1].split())

    assert "exposures of 300 s, declination +45°, from hour angle -4 h" in asked
    assert "latitude +45°" in asked
    assert "How far is yours from the field's centre? Taken: 1°" in asked
    assert "How far" not in told


@pytest.mark.parametrize(
    ("link", "told"),
    [("127.0.0.1:9", "no service listens there"), ("http://", "the link is no address")],
)
def test_an_attached_terminal_without_a_service_says_so(link: str, told: str) -> None:
    code, _out, err = run("adjust", "--attach", link)

    assert code == ExitCode.DEVICE
    assert told in err
    assert "Start `polewright serve` there" in err
    assert "HTTPConnectionPool" not in err


@pytest.mark.parametrize(
    ("verdict", "upper", "code"),
    [
        ("agrees", 60.0, ExitCode.OK),
        ("disagrees", 0.5, ExitCode.AXIS_NOT_TRUSTED),
        ("needs longer", 60.0, ExitCode.UNDECIDED),
        ("measured", 60.0, ExitCode.OUT_OF_TOLERANCE),
        ("measured", 0.5, ExitCode.OK),
        ("measured", None, ExitCode.OK),
    ],
)
def test_a_drift_check_ends_by_what_it_came_to(verdict, upper, code) -> None:
    """A check that could not decide is told apart from one that disagrees."""
    known = {
        "verdict": verdict,
        "cause": "axis",
        "total_upper95_arcmin": upper,
        "tolerance_arcmin": 1.0,
    }
    result = DriftResult.model_construct(None, **known)

    assert result.exit_code is code


def test_the_list_of_devices_fits_eighty_columns() -> None:
    """Names are whole, and what comes next is said."""
    names = ["Long name of a mount in a garden", "A camera"]
    rows = [
        {"host": "192.168.1.20", "port": 11111, "type": kind, "number": 0, "name": name}
        for kind, name in zip(("telescope", "camera"), names, strict=True)
    ]
    screen = io.StringIO()

    devices._print(Console(file=screen, width=80), rows)
    devices._print(Console(file=screen, width=80), rows[:1])

    lines = screen.getvalue().splitlines()
    assert max(map(len, lines)) <= 80
    assert any(
        line.startswith("telescope  0    Long name of a mount in a garden") for line in lines
    )
    assert "Next: `polewright profile`" in screen.getvalue()
    assert "Missing here: camera." in screen.getvalue()
