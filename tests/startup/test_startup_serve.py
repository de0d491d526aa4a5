"""The service under a service manager: ready, status, watchdog, and its log."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time

import pytest


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no such sockets here")
def test_serve_tells_the_service_manager_and_logs(tmp_path) -> None:
    """READY, STATUS and WATCHDOG arrive, STOPPING at the end; the log has no token."""
    log = tmp_path / "polewright.log"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "notify"))
        ear.settimeout(60.0)
        service = subprocess.Popen(
            [sys.executable, "-m", "polewright", "serve", "--port", "0", "--json",
             "--log-file", str(log)],
            env={
                **os.environ,
                "NOTIFY_SOCKET": str(tmp_path / "notify"),
                "WATCHDOG_USEC": "1000000",
            },
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )  # fmt: skip
        try:
            told = [ear.recv(1000).decode() for _ in range(4)]
            service.send_signal(signal.SIGTERM)
            deadline = time.monotonic() + 300.0
            while told[-1] != "STOPPING=1" and time.monotonic() < deadline:
                told.append(ear.recv(1000).decode())
            out, _err = service.communicate(timeout=300.0)
        finally:
            service.kill()
            service.wait()

    assert told[0] == "READY=1"
    assert "STATUS=no session" in told
    assert told.count("WATCHDOG=1") >= 2
    assert told[-1] == "STOPPING=1"
    url = json.loads(out)["url"]
    entries = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    assert [entry["event"] for entry in entries] == ["serving", "session_step", "stopping"]
    assert entries[0]["url"] == url
