"""A disk that is full or read-only costs what it would have held, and nothing else."""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from support.measured import NIGHT_S, RESULT
from typer.testing import CliRunner

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import LogSection, config_from_text
from polewright.foundation.errors import ExitCode
from polewright.foundation.files import write_whole
from polewright.foundation.programs import Program
from polewright.interfaces.cli.app import build_app
from polewright.interfaces.cli.streams import Enduring
from polewright.interfaces.logs import end_log, start_log
from polewright.observing.safety.disk_space import check_room
from polewright.records.history import run_recorder as recording
from polewright.records.result import MeasurementResult
from polewright.session import journal
from polewright.session.journal import JournalUnusable, read_journal
from polewright.session.opening import MeasurementJournal, open_new

posix = pytest.mark.skipif(sys.platform == "win32", reason="the limit is a POSIX one")
FAR_OFF = MeasurementResult.model_validate({**RESULT, "within_tolerance": False})


def no_room(*_args: Any, **_kwargs: Any) -> Any:
    raise OSError(errno.ENOSPC, "No space left on device")


@contextlib.contextmanager
def room_for(size: int) -> Any:
    """Let this process write no file beyond so many bytes, as on a disk that has no more."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


# -- journals --------------------------------------------------------------------------------


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EDQUOT])
def test_a_session_begins_without_its_journal_and_writes_it_when_there_is_room(
    tmp_path: Path, monkeypatch, code: int
) -> None:
    """Each record is tried again; the first that finds room brings those before along."""
    config = config_from_text("", overrides={"run.journal_folder": str(tmp_path / "later")})

    def refused(*_args: Any, **_kwargs: Any) -> None:
        raise OSError(code, os.strerror(code))

    with monkeypatch.context() as patch:
        patch.setattr(Path, "mkdir", refused)
        opened = open_new(config, SystemClock(1.0, NIGHT_S)).journal
        with pytest.raises(JournalUnusable, match=os.strerror(code).lower()):
            opened.write(NIGHT_S, "step", {"step": "checking"})
    opened.write(NIGHT_S + 1.0, "step", {"step": "planning"})
    opened.close()

    assert [record.utc_s for record in read_journal(opened.path)] == [NIGHT_S, NIGHT_S + 1.0]


def test_a_journal_folder_that_is_a_file_is_an_error_of_the_configuration(tmp_path: Path) -> None:
    """That is no full disk: it is told before anything moves."""
    (tmp_path / "taken").write_text("")
    config = config_from_text("", overrides={"run.journal_folder": str(tmp_path / "taken")})

    with pytest.raises(JournalUnusable, match="taken"):
        open_new(config, SystemClock(1.0, NIGHT_S))


def test_a_measurement_whose_journal_finds_no_room_is_told_once(
    tmp_path: Path, monkeypatch
) -> None:
    """The sentence says what is missed by it."""
    config = config_from_text("", overrides={"run.journal_folder": str(tmp_path)})
    told: list[str] = []
    monkeypatch.setattr(journal.os, "fsync", no_room)

    with MeasurementJournal(config, SystemClock(1.0, NIGHT_S), told.append) as noted:
        noted.moves()
        noted.measured(FAR_OFF, ExitCode.OUT_OF_TOLERANCE)

    assert len(told) == 1
    assert "no space left" in told[0]
    assert "will not publish" in told[0]


def test_frames_that_find_no_folder_are_told_before_anything_moves(tmp_path: Path) -> None:
    """A file where the folder should be, or one in which nothing can be written."""
    (tmp_path / "taken").write_text("")
    (tmp_path / "closed").mkdir(mode=0o500)
    told: list[str] = []
    for name in ("taken/frames", "closed", "new"):
        config = config_from_text("", overrides={"run.keep_frames": str(tmp_path / name)})
        rig = SimpleNamespace(config=config, note=lambda text, **_kw: told.append(text))
        check_room(rig)  # type: ignore[arg-type]
    check_room(SimpleNamespace(config=config_from_text("")))  # type: ignore[arg-type]

    assert "taken/frames cannot be made" in told[0]
    assert all("new" not in text for text in told)
    assert len(told) == 1 + (not os.access(tmp_path / "closed", os.W_OK))


# -- commands --------------------------------------------------------------------------------


@pytest.fixture
def measured(monkeypatch, tmp_path: Path) -> Callable[..., Any]:
    """Call `measure` with a rig that has measured already."""
    monkeypatch.setattr(
        "polewright.observing.runs.connect.connect_rig", lambda *_a: SimpleNamespace()
    )
    monkeypatch.setattr("polewright.observing.runs.measurement.measure_axis", lambda *_a: FAR_OFF)
    monkeypatch.setenv("POLEWRIGHT_HISTORY_URL", f"sqlite:///{tmp_path}/h.db")

    def call(*words: str) -> Any:
        folder = ["--run-journal-folder", str(tmp_path / "journals")]
        return CliRunner().invoke(build_app(), ["measure", *words, *folder])

    return call


def test_the_figure_is_out_before_anything_is_written_down(measured, monkeypatch) -> None:
    """History and journal may take their time, or fail: standard output has the result."""
    had: list[str] = []

    def store(*_args: Any) -> None:
        had.append(cast("Any", sys.stdout.buffer).getvalue().decode())

    monkeypatch.setattr(recording, "store", store)

    done = measured("--json")

    assert done.exit_code == 9
    assert json.loads(had[0])["axis"]["total_arcmin"] == 0.5


@posix
def test_no_room_for_anything_costs_no_result(measured) -> None:
    """Journal, history, lock, log: the exit code is the measurement's, trouble is told in words."""
    with room_for(0):
        done = measured("--json")

    assert done.exit_code == 9, done.output
    assert json.loads(done.stdout)["axis"]["total_arcmin"] == 0.5
    assert "journal" in done.stderr
    assert "history" in done.stderr
    assert "Traceback" not in done.output


def test_a_wrong_journal_folder_is_told_before_the_rig_is_asked(measured, tmp_path) -> None:
    """Not after the sweep, in place of its result."""
    (tmp_path / "journals").write_text("a file")

    done = measured("--json")

    assert done.exit_code == 2
    assert json.loads(done.stdout)["error"]["code"] == "journal_unusable"


def skyline(out: Path, *words: str) -> Any:
    arguments = ["horizon", "--out", str(out), *words]
    return CliRunner().invoke(build_app(), arguments, input="0 10\n90 20\n")


@posix
def test_a_skyline_that_finds_no_room_is_refused_before_it_is_recorded(tmp_path: Path) -> None:
    """And an older one is still whole."""
    out = tmp_path / "garden.txt"
    out.write_text("0 5\n")
    with room_for(0):
        done = skyline(out, "--force")

    assert done.exit_code == 2
    assert "cannot be written" in done.stderr
    assert out.read_text() == "0 5\n"
    assert list(tmp_path.iterdir()) == [out]


def test_a_recorded_skyline_whose_file_fails_stands_on_standard_output(
    tmp_path: Path, monkeypatch
) -> None:
    """An hour at the mount is not lost to a disk that filled up meanwhile."""
    monkeypatch.setattr("polewright.interfaces.cli.horizon.write_whole", no_room)

    done = skyline(tmp_path / "garden.txt")

    assert done.exit_code == 2
    assert "90" in done.stdout
    assert "copy them from there" in " ".join(done.stderr.split())


@posix
def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path) -> None:
    """Nothing half written stays behind either."""
    path = tmp_path / "a"
    write_whole(path, b"old")
    path.chmod(0o600)
    with room_for(3), pytest.raises(OSError, match="too large"):
        write_whole(path, b"new", b"er")

    assert path.read_bytes() == b"old"
    write_whole(path, b"new", b"er")
    assert path.read_bytes() == b"newer"
    assert path.stat().st_mode & 0o777 == 0o600
    assert list(tmp_path.iterdir()) == [path]


def test_a_users_command_runs_where_no_temporary_file_can_be_made(monkeypatch) -> None:
    """It may be the one that stops a motor; only what it prints is lost."""
    monkeypatch.setattr("tempfile.TemporaryFile", no_room)

    ended = Program([sys.executable, "-c", "print('x'); raise SystemExit(3)"]).finish(60.0)
    assert ended is not None

    assert (ended.exit_status, ended.printed) == (3, "")


# -- the log ---------------------------------------------------------------------------------


@posix
def test_a_log_that_finds_no_room_is_told_once_in_words(tmp_path: Path, capsys) -> None:
    """No traceback a line, and its end does not raise; with room again it goes on."""
    told: list[str] = []
    path = tmp_path / "polewright.log"
    try:
        with room_for(0):
            log = start_log(LogSection(file=str(path)), told.append)
            for number in range(3):
                log.info("lost", number=number)
        log.info("kept")
    finally:
        end_log()

    assert len(told) == 1
    assert "cannot be written" in told[0]
    assert capsys.readouterr().err == ""
    assert json.loads(path.read_text().splitlines()[-1])["event"] == "kept"


# -- standard output and error ---------------------------------------------------------------


class Broken(io.StringIO):
    """A stream of a terminal that was closed, or on a full disk."""

    def __init__(self, code: int) -> None:
        super().__init__()
        self.code = code

    def flush(self) -> None:
        raise OSError(self.code, os.strerror(self.code))


@pytest.mark.parametrize(("code", "kept"), [(errno.ENOSPC, True), (errno.EPIPE, False)])
def test_what_standard_output_does_not_take_goes_to_standard_error(code: int, kept: bool) -> None:
    """Unless its reader has gone away, who wants no more."""
    errors = io.StringIO()
    out = Enduring(Broken(code), errors)
    out.write('{"total": 0.5}\n')
    out.flush()
    out.flush()

    assert ('{"total": 0.5}' in errors.getvalue()) is kept
    assert errors.getvalue().count("total") == kept


@posix
def test_a_closed_standard_error_ends_no_command(tmp_path: Path) -> None:
    """Its document comes and the exit code is its own."""
    command = [sys.executable, "-m", "polewright", "plan", "--json", "--site-latitude-deg", "44.6"]
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        command, stdout=subprocess.PIPE, stderr=write, text=True, timeout=300, check=False
    )
    os.close(write)

    assert done.returncode == 2
    assert json.loads(done.stdout)["ok"] is False
