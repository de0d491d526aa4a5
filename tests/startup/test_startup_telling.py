"""What an unattended run leaves behind: log, notification, and a word to the service manager."""

from __future__ import annotations

import json
import logging
import socket
import sys
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from polewright.foundation.config import LogSection, NotifySection
from polewright.foundation.errors import ConfigError, ExitCode
from polewright.interfaces import logs
from polewright.interfaces.logs import (
    LogNotWritable,
    end_log,
    logged_event,
    set_run,
    start_log,
    without_secrets,
)
from polewright.interfaces.notify import check_notify, notify
from polewright.interfaces.service_manager import tell_manager, watchdog_every_s
from polewright.records.events import Note, Progress


@pytest.fixture
def log_at():
    """Begin a log; closed afterwards."""

    def start(section: LogSection):
        return start_log(section)

    yield start
    end_log()


def lines(path) -> list[dict]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def test_each_line_is_a_json_document(tmp_path, log_at) -> None:
    """Events by name and the standard library's warnings, with the run; progress is left out."""
    path = tmp_path / "made" / "polewright.log"
    log = log_at(LogSection(file=str(path)))

    set_run("night-7")
    logged_event(log, Note(utc_s=1.0, severity="warning", text="a cloud"))
    logged_event(log, Progress(utc_s=1.0, step="slew", point=1, points=3, done_s=0.0, total_s=None))
    logging.getLogger("elsewhere").warning("disk %s", "full")

    first, second = lines(path)
    assert (first["event"], first["run"], first["text"]) == ("note", "night-7", "a cloud")
    assert second["run"] == "night-7"
    assert first["level"] == "info"
    assert first["timestamp"].endswith("Z")
    assert (second["event"], second["logger"], second["level"]) == (
        "disk full", "elsewhere", "warning",
    )  # fmt: skip


def test_secrets_are_not_written(tmp_path, log_at) -> None:
    """Tokens in keys, links, headers and addresses are hidden; the rest stays."""
    path = tmp_path / "polewright.log"
    log = log_at(LogSection(file=str(path)))

    log.info(
        "started",
        token="s3cret-1",
        link="http://10.0.0.7:8787/?token=s3cret-2&x=1",
        header={"Authorization": "s3cret-3", "Accept": "text/html"},
        database="postgresql://me:s3cret-4@db/polewright",
        lines=["Bearer s3cret-5"],
    )
    logging.getLogger("http").warning("GET /?token=s3cret-6")

    text = path.read_text(encoding="utf-8")
    assert "s3cret" not in text
    assert "&x=1" in text
    assert "text/html" in text
    assert "@db/polewright" in text
    assert without_secrets({"n": 3, "keep": "monkey"}) == {"n": 3, "keep": "monkey"}


def test_files_are_rotated(tmp_path, log_at, monkeypatch) -> None:
    """No file grows beyond its limit, and only so many old ones are kept."""
    path = tmp_path / "polewright.log"
    monkeypatch.setattr(logs, "MAX_BYTES", 2000)
    monkeypatch.setattr(logs, "KEPT_FILES", 2)
    log = log_at(LogSection(file=str(path)))

    for number in range(100):
        log.info("line", number=number, padding="x" * 50)

    files = sorted(tmp_path.iterdir())
    assert [file.name for file in files] == [
        "polewright.log",
        "polewright.log.1",
        "polewright.log.2",
    ]
    assert all(file.stat().st_size <= 2000 for file in files)
    assert lines(path)[-1]["number"] == 99


def test_a_log_that_cannot_be_written_is_told(tmp_path) -> None:
    """A file where the folder should be: the sentence names the path."""
    (tmp_path / "taken").write_text("")
    with pytest.raises(LogNotWritable, match="taken"):
        start_log(LogSection(file=str(tmp_path / "taken" / "polewright.log")))


def test_a_command_is_told_the_outcome(tmp_path) -> None:
    """Its places are filled in, each as one argument."""
    out = tmp_path / "told"
    script = "import sys; open(sys.argv[1], 'w').write('|'.join(sys.argv[2:]))"
    command = f'"{sys.executable}" -c "{script}" {out.as_posix()} {{title}} {{text}} {{exit_code}}'

    section = NotifySection(command=command)
    assert notify(section, "Startup: ok", "0.3 arcmin; all well", ExitCode.OK) is None
    assert out.read_text() == "Startup: ok|0.3 arcmin; all well|0"


def test_only_trouble_is_told_when_that_is_wished(tmp_path) -> None:
    """when = trouble: nothing for exit code 0, the command's own failure otherwise."""
    section = NotifySection(command=f'"{sys.executable}" -c "raise SystemExit(3)"', when="trouble")
    assert notify(section, "t", "x", ExitCode.OK) is None
    told = notify(section, "t", "x", ExitCode.UNSAFE)
    assert told is not None
    assert "exit code 3" in told


def test_an_address_gets_a_json_document_and_is_never_told() -> None:
    """POST with the outcome; a refusal is told by its number, without the address."""
    got: list[dict] = []

    class Ear(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200 if len(got) == 1 else 403)
            self.end_headers()

        def log_message(self, *_args) -> None:
            return

    with HTTPServer(("127.0.0.1", 0), Ear) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
        thread.start()
        section = NotifySection(url=f"http://127.0.0.1:{server.server_port}/hook-s3cret")
        first = notify(section, "Startup: unsafe", "rain", ExitCode.UNSAFE)
        second = notify(section, "Startup: unsafe", "rain", ExitCode.UNSAFE)
        server.shutdown()
        thread.join()

    assert first is None
    assert got[0] == {
        "title": "Startup: unsafe",
        "text": "rain",
        "outcome": "unsafe",
        "exit_code": "10",
    }
    assert second == "the notification by [notify] url failed: HTTP 403"


def test_a_misspelt_place_is_told_at_the_start() -> None:
    """Before the run, not at its end."""
    with pytest.raises(ConfigError, match=r"unknown \{titel\}"):
        check_notify(NotifySection(command="mail {titel}"))


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no such sockets here")
def test_the_service_manager_gets_its_datagrams(tmp_path, monkeypatch) -> None:
    """READY and STATUS arrive as lines; without a socket nothing is sent."""
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert tell_manager(READY=1) is False
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "notify"))
        ear.settimeout(5.0)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        assert tell_manager(READY=1, STATUS="idle\nEVIL=1") is True
        assert ear.recv(1000) == b"READY=1\nSTATUS=idle"


def test_the_watchdog_is_fed_at_half_its_limit(monkeypatch) -> None:
    """WATCHDOG_USEC counts microseconds; another process's limit is not ours."""
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    assert watchdog_every_s() == 15.0
    monkeypatch.setenv("WATCHDOG_PID", "1")
    assert watchdog_every_s() is None
