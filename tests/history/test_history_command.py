"""`polewright history`, and recording at the end of a run."""

from __future__ import annotations

import base64
import csv
import io
import json
import time

import numpy as np
import pytest
from history.history_made import NIGHT_UTC_S, made_result, made_run
from PIL import Image
from support.measured import record_measurement
from support.printed import printed
from support.stars import star_list
from typer.testing import CliRunner

from polewright.calculation.images.frame import Frame
from polewright.devices.alpaca.errors import ServerUnreachable, Where
from polewright.foundation.clock import SystemClock
from polewright.foundation.config import config_from_text
from polewright.foundation.errors import ExitCode
from polewright.interfaces.cli.app import build_app
from polewright.records import events
from polewright.records.history import exchange, store
from polewright.records.history import run_recorder as recording
from polewright.records.history.errors import TooFewRuns
from polewright.records.history.run_recorder import RunRecorder, recorded
from polewright.records.history.store import History

DAY_S = 86400.0


@pytest.fixture
def url(tmp_path, monkeypatch) -> str:
    """A history of half a year: a creeping pier, aligned anew in between, and a rehearsal."""
    url = f"sqlite:///{tmp_path / 'h.sqlite3'}"
    with History(url) as history:
        history.add(made_run("old-00001", NIGHT_UTC_S - 9 * DAY_S, (40.0, 3.0)))
        history.add(made_run("align-001", NIGHT_UTC_S - DAY_S, (41.0, 3.0), (0.1, 0.1)))
        for n in range(10):
            history.add(made_run(f"night-{n:03d}", NIGHT_UTC_S + 9 * n * DAY_S, (0.1 + 0.2 * n, 0)))
        history.add(made_run("rehearsal1", NIGHT_UTC_S + 400 * DAY_S, (99, 0), rehearsal=True))
    return url


def history(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(build_app(), ["history", *words])
    return result.exit_code, result.stdout


def test_runs_are_listed_and_shown(url) -> None:
    """The list is newest first and leaves rehearsals out; a run is shown by its first letters."""
    code, out = history("list", "--url", url, "--json")
    rows = printed("history list", out)["runs"]
    shown = printed("history show", history("show", "align", "--url", url, "--json")[1])

    assert code == 0
    assert [row["run_id"] for row in rows[:2]] == ["night-009", "night-008"]
    assert len(rows) == 12
    assert len(shown["sweeps"]) == 2
    assert "night-00" in history("list", "--url", url)[1]
    told = history("show", "align", "--url", url)[1]
    assert "too high" in told
    assert "Move the axis" not in told, "what was to be turned then is no order for now"
    assert history("show", "night", "--url", url)[0] == ExitCode.USAGE


def test_the_trend_raises_the_alarm_by_exit_code(url) -> None:
    """Ten nights after the alignment the pier creeps; beyond the limit the code is 9."""
    code, out = history("trend", "--url", url, "--json", "--limit-arcmin", "5")
    found = printed("history trend", out)
    alarmed, _ = history("trend", "--url", url, "--limit-arcmin", "1.5")

    assert code == 0
    assert found["model"] == "creeping"
    assert found["measurements"] == 11
    assert found["rate_alt_arcmin_per_30_days"] == pytest.approx(0.2 / 9 * 30, rel=0.1)
    assert found["reaches_limit_in_days"] == pytest.approx((5 - 1.9) / 0.2 * 9, rel=0.1)
    assert alarmed == ExitCode.OUT_OF_TOLERANCE


def test_the_picture_is_written(url, tmp_path) -> None:
    """The drift of the only pier is drawn without asking which."""
    code, _ = history("plot", "--url", url, "--chart", str(tmp_path / "drift.svg"))

    assert code == 0
    assert "</svg>" in (tmp_path / "drift.svg").read_text()


def test_runs_go_to_another_machine_and_only_once(url, tmp_path) -> None:
    """Export and import carry runs whole; importing again, or overlapping files, adds nothing."""
    file, other = tmp_path / "runs.jsonl", f"sqlite:///{tmp_path / 'other.sqlite3'}"
    assert history("export", "-o", str(file), "--url", url, "--rehearsals")[0] == 0

    first = printed("history import", history("import", str(file), "--url", other, "--json")[1])
    again = json.loads(history("import", str(file), "--url", other, "--json")[1])

    assert (first["added"], first["known"]) == (13, 0)
    assert (again["added"], again["known"]) == (0, 13)
    with History(url) as ours, History(other) as theirs:
        wanted = store.RunFilter(rehearsals=True)
        assert list(ours.records(wanted)) == list(theirs.records(wanted))


def test_a_run_with_the_same_id_and_other_content_is_told(tmp_path) -> None:
    """Ours is kept and the difference is named."""
    with History(f"sqlite:///{tmp_path / 'h.sqlite3'}") as ours:
        ours.add(made_run("night-001"))
        done = exchange.import_runs([made_run("night-001", NIGHT_UTC_S, (7.0, 7.0))], ours)

    assert done.differing == ("night-001",)


def test_a_torn_file_is_refused_whole(url, tmp_path) -> None:
    """A line that is no run is named by its number, and nothing is imported."""
    file = tmp_path / "runs.jsonl"
    file.write_text(made_run("good-0001").model_dump_json() + '\n{"run_id": 3}\n')
    other = f"sqlite:///{tmp_path / 'other.sqlite3'}"

    code, out = history("import", str(file), "--url", other, "--json")

    assert code == ExitCode.USAGE
    assert "line 2" in json.loads(out)["error"]["message"]
    assert json.loads(history("list", "--url", other, "--json")[1])["runs"] == []


def test_tables_go_to_other_programs(url, tmp_path) -> None:
    """CSV, JSON and Parquet hold a row for each measurement."""
    for kind in ("csv", "json", "parquet"):
        pytest.importorskip("pyarrow")
        assert history("export", "-o", str(tmp_path / f"m.{kind}"), "--url", url)[0] == 0
    import pyarrow.parquet

    with (tmp_path / "m.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    document = json.loads((tmp_path / "m.json").read_text())
    table = pyarrow.parquet.read_table(tmp_path / "m.parquet").to_pylist()

    assert len(rows) == len(document["measurements"]) == len(table) == 13
    assert float(rows[-1]["d_alt_arcmin"]) == table[-1]["d_alt_arcmin"] == pytest.approx(1.9)


def test_without_pyarrow_parquet_says_what_to_install(url, tmp_path, monkeypatch) -> None:
    """The advice names the extra."""

    def missing(name: str):
        raise ModuleNotFoundError(name)

    monkeypatch.setattr(exchange, "import_module", missing)
    result = CliRunner().invoke(
        build_app(), ["history", "export", "-o", str(tmp_path / "m.parquet"), "--url", url]
    )

    assert result.exit_code == ExitCode.USAGE
    assert "polewright[parquet]" in result.output


# -- what a new user meets --------------------------------------------------------------------


def said(*words: str) -> tuple[int, str]:
    """Exit code and all that was printed, lines joined."""
    result = CliRunner().invoke(build_app(), ["history", *words])
    return result.exit_code, " ".join(result.output.split())


@pytest.fixture
def rehearsed(tmp_path) -> str:
    """A history of nothing but three rehearsals of one pier."""
    url = f"sqlite:///{tmp_path / 'r.sqlite3'}"
    with History(url) as history:
        for n in range(3):
            history.add(made_run(f"rehearsal{n}", NIGHT_UTC_S + n * DAY_S, rehearsal=True))
    return url


@pytest.mark.parametrize("where", ["foo://bar", "sqlite+foo:///x.db"])
def test_an_unknown_kind_of_database_says_which_are_known(where, tmp_path) -> None:
    """By option or by the file: exit code 2, what is wrong, and what works."""
    (tmp_path / "polewright.toml").write_text(f'[history]\nurl = "{where}"\n')

    for words in (["--url", where], ["--config", str(tmp_path / "polewright.toml")]):
        code, out = said("list", *words)
        assert code == ExitCode.USAGE
        assert f"kind of database '{where.split(':')[0]}' is unknown here" in out
        assert "sqlite:///" in out
        assert "postgresql+psycopg://" in out


def test_rehearsals_left_out_of_a_list_are_told(rehearsed, tmp_path) -> None:
    """A list of nothing says how many rehearsals it leaves out, and how to see them."""
    code, out = said("list", "--url", rehearsed)
    since = said("list", "--url", rehearsed, "--since", "2026-09-22T16:00")[1]
    never = said("list", "--url", rehearsed, "--pier", "nowhere")[1]
    export = said("export", "--url", rehearsed, "-o", str(tmp_path / "m.csv"))[1]

    assert code == 0
    assert "3 rehearsals are recorded here; --rehearsals shows them too" in out
    assert "recorded yet" not in out
    assert "1 rehearsal is recorded here; --rehearsals shows it too" in since
    assert "No run of a pier 'nowhere' is recorded; piers that have runs: bench." in never
    assert "3 rehearsals are recorded here" in export


def test_the_only_pier_may_be_one_of_rehearsals(rehearsed, tmp_path) -> None:
    """With --rehearsals their pier counts; without, they are told."""
    picture = tmp_path / "p.svg"

    assert said("trend", "--url", rehearsed, "--rehearsals")[0] == 0
    assert said("plot", "--url", rehearsed, "--rehearsals", "--chart", str(picture))[0] == 0
    assert picture.is_file()
    for words in (["trend"], ["plot", "--chart", str(picture)], ["trend", "--pier", "bench"]):
        code, out = said(*words, "--url", rehearsed)
        assert code == ExitCode.USAGE
        assert "3 rehearsals are recorded here; --rehearsals shows them" in out


@pytest.mark.parametrize("more", [[], ["--rehearsals"]])
@pytest.mark.parametrize("command", ["plot", "trend", "export"])
def test_a_wrong_pier_is_an_error_that_names_those_there_are(url, tmp_path, command, more) -> None:
    """No empty picture, no empty file."""
    out = tmp_path / "p.json" if command == "export" else tmp_path / "p.svg"
    to = [] if command == "trend" else ["-o", str(out)]

    code, text = said(command, "--url", url, "--pier", "wrong", *to, *more)

    assert code == ExitCode.USAGE
    assert "no run of a pier 'wrong' is recorded; known: bench" in text
    assert not out.exists()


def test_nothing_measured_makes_no_picture(url, tmp_path) -> None:
    """A known pier without a measurement in that time is an error."""
    out = tmp_path / "p.png"

    code, text = said("plot", "--url", url, "--since", "2035-01-01", "--chart", str(out))

    assert code == ExitCode.USAGE
    assert "no run of the pier 'bench' since 2035-01-01 00:00 UTC came to a measurement" in text
    assert not out.exists()


def test_too_few_measurements_are_no_unexpected_fault(tmp_path) -> None:
    """Exit code 2, and one measurement is not "1 measurements"."""
    url = f"sqlite:///{tmp_path / 'h.sqlite3'}"
    with History(url) as history:
        history.add(made_run("night-001"))

    code, out = said("trend", "--url", url)
    exported = said("export", "--url", url, "-o", str(tmp_path / "runs.jsonl"))[1]
    table = said("export", "--url", url, "-o", str(tmp_path / "m.csv"))[1]
    again = said("import", str(tmp_path / "runs.jsonl"), "--url", url)[1]

    assert code == ExitCode.USAGE
    assert "1 measurement since the adjusters were last turned" in out
    assert str(TooFewRuns(2, 3)).startswith("2 measurements since")
    assert exported.startswith("1 run written")
    assert table.startswith("1 measurement written")
    assert again == "0 runs added; already here: 1."


@pytest.mark.parametrize(
    "words", [["list"], ["show", "abc"], ["plot"], ["trend"], ["export", "-o", "runs.jsonl"]]
)
def test_reading_a_history_that_is_not_there_makes_none(words, tmp_path, monkeypatch) -> None:
    """A mistyped path is told, and neither folder nor database appears."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "missing" / "none.db"

    code, out = said(*words, "--url", f"sqlite:///{path}")

    assert code == ExitCode.USAGE
    assert "there is no file" in out
    assert "none.db" in out
    assert not list(tmp_path.iterdir())


def test_the_users_own_history_and_imports_need_no_file_yet(tmp_path, monkeypatch) -> None:
    """The first look says that nothing is recorded yet; an import makes its database."""
    monkeypatch.setattr(store, "default_folder", lambda: tmp_path / "own")
    monkeypatch.delenv(store.URL_VARIABLE, raising=False)
    (tmp_path / "runs.jsonl").write_text(made_run().model_dump_json() + "\n")
    new = f"sqlite:///{tmp_path / 'new' / 'h.db'}"

    code, out = said("list")

    assert code == 0
    assert "No run is recorded yet" in out
    assert said("import", str(tmp_path / "runs.jsonl"), "--url", new)[0] == 0
    assert said("list", "--url", new)[0] == 0


def test_an_export_overwrites_only_when_forced(url, tmp_path) -> None:
    """What is there stays, and the database is not even opened."""
    file = tmp_path / "runs.jsonl"
    file.write_text("mine")

    code, out = said("export", "-o", str(file), "--url", f"sqlite:///{tmp_path / 'none.db'}")

    assert code == ExitCode.USAGE
    assert "already exists" in out
    assert "--force" in out
    assert file.read_text() == "mine"
    assert said("export", "-o", str(file), "--url", url, "--force")[0] == 0
    assert len(file.read_text().splitlines()) == 12


# -- recording --------------------------------------------------------------------------------


def connected() -> events.Connected:
    return events.Connected(
        utc_s=time.time(), device="telescope", name="bench mount", address="rig:1",
        interface_version=4,
    )  # fmt: skip


def test_a_measurement_is_recorded_with_devices_versions_and_configuration(tmp_path) -> None:
    """A run's end writes it down; its verdict is the outcome; no password goes along."""
    url = f"sqlite:///{tmp_path / 'h.sqlite3'}"
    config = config_from_text(f'[history]\nurl = "{url}"\npier = "north"\n')

    with recorded(config, SystemClock(), "measure", pytest.fail) as recorder:
        recorder(connected())
        recorder(
            events.SweepPlanned(
                utc_s=0.0, hour_angles_deg=(1.0,), declination_deg=2.0, altitudes_deg=(3.0,),
                azimuths_deg=(4.0,), predicted_sigma_arcsec=5.0,
            )
        )  # fmt: skip
        recorder.measured(made_result())
    with History(url) as history:
        (run,) = history.records()

    assert (run.pier, run.kind, run.outcome) == ("north", "measure", ExitCode.OUT_OF_TOLERANCE)
    assert run.sweeps[0].plan is not None
    assert run.sweeps[0].plan.predicted_sigma_arcsec == 5.0
    assert run.devices[0].name == "bench mount"
    assert "numpy" in run.versions
    assert run.config["sweep"]["points"] == 3
    assert "url" not in run.config["history"]


def test_a_failed_run_is_recorded_with_its_reason(tmp_path) -> None:
    """An error goes on to the caller, and the run is there with code and advice."""
    url = f"sqlite:///{tmp_path / 'h.sqlite3'}"
    config = config_from_text(f'[history]\nurl = "{url}"\n')

    def fail() -> None:
        with recorded(config, SystemClock(), "measure", pytest.fail) as recorder:
            recorder(connected())
            raise ServerUnreachable(Where("rig", 1, "telescope", 0), "", "connection refused")

    with pytest.raises(ServerUnreachable):
        fail()
    with History(url) as history:
        (run,) = history.records()

    assert run.outcome == ExitCode.DEVICE
    assert run.failure is not None
    assert run.failure.code == ServerUnreachable.code
    assert run.pier == "bench mount"


def test_a_server_that_is_down_fails_no_run_and_loses_none(tmp_path, monkeypatch) -> None:
    """The run waits in a file, the user is told, and the next recording brings it in."""
    monkeypatch.setattr(store, "default_folder", lambda: tmp_path)
    (tmp_path / "blocked").write_text("a file where the folder should be")
    url = f"sqlite:///{tmp_path / 'blocked' / 'h.sqlite3'}"
    config = config_from_text(f'[history]\nurl = "{url}"\n')

    trouble = record_measurement(made_result(), config, SystemClock())
    assert trouble is not None
    assert "waits in" in trouble
    (tmp_path / "blocked").unlink()
    assert record_measurement(made_result(), config, SystemClock()) is None

    with History(url) as history:
        assert len(history.list_runs()) == 2
    assert not list(tmp_path.rglob("*.jsonl"))


def test_a_run_says_by_what_a_report_finds_it(monkeypatch) -> None:
    """A real one is the newest; a rehearsal is no newest run, and is kept where one was named."""
    monkeypatch.delenv(store.URL_VARIABLE, raising=False)
    off = config_from_text("[history]\nenabled = false\n")
    named = config_from_text("", overrides={"history.url": "sqlite:///kept.sqlite3"})
    rehearsed = RunRecorder(named, SystemClock(60.0), "measure")

    assert RunRecorder(config_from_text(""), SystemClock(), "measure").kept_as == ""
    assert RunRecorder(off, SystemClock(), "measure").kept_as is None
    assert RunRecorder(config_from_text(""), SystemClock(60.0), "measure").kept_as is None
    assert rehearsed.kept_as
    assert rehearsed.run_id.startswith(rehearsed.kept_as)


def test_rehearsals_and_switched_off_histories_write_nothing(tmp_path, monkeypatch) -> None:
    """A simulated night stays out of the user's own history; enabled = false writes nowhere."""
    monkeypatch.setattr(store, "default_folder", lambda: tmp_path)
    monkeypatch.delenv(store.URL_VARIABLE, raising=False)
    off = config_from_text("[history]\nenabled = false\n")

    assert record_measurement(made_result(), config_from_text(""), SystemClock(60.0)) is None
    assert record_measurement(made_result(), off, SystemClock()) is None
    assert not list(tmp_path.iterdir())

    url = f"sqlite:///{tmp_path / 'asked.sqlite3'}"
    monkeypatch.setenv(store.URL_VARIABLE, url)
    assert record_measurement(made_result(), config_from_text(""), SystemClock(60.0)) is None
    with History(url) as history:
        assert [run.rehearsal for run in history.records(store.RunFilter(rehearsals=True))] == [
            True
        ]


def test_only_readings_that_tell_something_are_kept(tmp_path) -> None:
    """Hundreds of like readings of an untouched axis become a few."""
    recorder = recording.RunRecorder(config_from_text(""), SystemClock(), "align")
    for second in range(600):
        recorder(
            events.ReadingTaken(
                utc_s=float(second), state="settled", d_alt_arcmin=1.0 if second < 300 else 4.0,
                d_az_sky_arcmin=0.0, total_arcmin=1.0, sigma_alt_arcmin=0.1,
                sigma_az_sky_arcmin=0.1, upper95_arcmin=1.2, verdict="", action="", sentence="",
            )
        )  # fmt: skip

    assert 20 <= len(recorder._readings) <= 25


def test_a_warning_of_a_slew_is_no_caution_of_the_record() -> None:
    """ "In 10 s the mount moves" is of no use to who reads the report afterwards."""
    recorder = recording.RunRecorder(config_from_text(""), SystemClock(), "align")
    recorder(events.Note(utc_s=1.0, severity="warning", text="In 10 s it moves.", passing=True))
    recorder(events.Note(utc_s=2.0, severity="warning", text="Two frames are blurred."))

    assert recorder._notes == ["Two frames are blurred."]


def test_the_first_frame_of_the_last_measured_sweep_is_kept_small(tmp_path) -> None:
    """Not one of the frames before or after the sweep, nor one of a sweep that came to nothing."""
    url = f"sqlite:///{tmp_path / 'h.sqlite3'}"
    config = config_from_text("", overrides={"history.url": url})
    recorder = recording.RunRecorder(config, SystemClock(), "align")
    planned = events.SweepPlanned(
        utc_s=NIGHT_UTC_S,
        hour_angles_deg=(0.0,), declination_deg=0.0, altitudes_deg=(0.0,), azimuths_deg=(0.0,),
    )  # fmt: skip
    connected = events.Connected(
        utc_s=NIGHT_UTC_S,
        device="telescope",
        name="bench mount",
        address="rig:11111",
        interface_version=4,
    )
    dark = np.random.default_rng(1).normal(900.0, 12.0, (1500, 2000)).astype(np.uint16)

    def saw(stars: int) -> None:
        recorder.saw(Frame(dark, 0.0, 2.0), star_list(np.arange(stars), np.arange(stars)))

    saw(1)
    recorder(connected)
    recorder(planned)
    saw(2)
    saw(3)
    recorder.measured(made_result())
    saw(4)
    recorder(planned)
    saw(5)
    recorder.finish(ExitCode.OK)

    with History(url) as kept:
        (record,) = kept.records()
    assert record.frame is not None
    assert (record.frame.star_count, record.frame.exposure_s) == (2, 2.0)
    with Image.open(io.BytesIO(base64.b64decode(record.frame.jpeg_base64))) as picture:
        assert max(picture.size) <= recording.PICTURE_PX
    assert len(record.frame.jpeg_base64) < 60_000


def test_a_list_at_80_columns_cuts_nothing(tmp_path, monkeypatch) -> None:
    """Ids, times and figures stay whole in their line; a pier's long name takes several."""
    url = f"sqlite:///{tmp_path / 'h.sqlite3'}"
    pier = "Ropewalk 7: mount of the garden house"
    with History(url) as kept:
        kept.add(made_run("abcdefgh1", NIGHT_UTC_S, (-38.12, 71.03), rehearsal=True, pier=pier))
    monkeypatch.setenv("COLUMNS", "80")

    _code, out = history("list", "--url", url, "--rehearsals")

    (line,) = [line for line in out.splitlines() if "measure*" in line]
    assert "…" not in out
    at = line.index("Ropewalk")
    under = [other[at:].split("  ")[0] for other in out.splitlines() if other.startswith("   ")]
    assert all(word in " ".join([line[at:], *under]) for word in pier.split())
    for whole in ("abcdefgh ", "measure*", "-38.12"):
        assert whole in line
    assert all(len(other) <= 80 for other in out.splitlines())
