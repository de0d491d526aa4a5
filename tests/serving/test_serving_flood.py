"""Connections that are opened and left half done, by the hundred: STOP stays within reach."""

from __future__ import annotations

import json
import resource
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from typing import Any

import pytest
import requests

pytestmark = [
    pytest.mark.e2e,
    pytest.mark.skipif(sys.platform != "linux", reason="needs 127.0.0.2 and file limits"),
]
FILES = 256
FLOOD = 1100
HALF = b"POST /api/session HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: y"


@pytest.fixture
def many_files() -> Iterator[None]:
    """Let this process, which floods, open more files than usual."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < FLOOD + 200:
        pytest.skip(f"at most {hard} files")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, FLOOD + 500), hard))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.fixture
def flooded_service(tmp_path) -> Iterator[dict[str, Any]]:
    """Start the command on loopback with a token, few files, and no mount to be reached."""
    config = tmp_path / "night.toml"
    config.write_text(
        '[telescope]\nhost = "127.0.0.1"\nport = 9\ndevice_number = 0\n'
        f'[run]\njournal_folder = "{tmp_path}"\n'
    )
    # A limit that is set by the process itself: a preexec_fn is not safe beside threads.
    run = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_NOFILE, "
        f"({FILES}, {FILES})); from polewright.interfaces.cli import main; "
        "sys.argv[0] = 'polewright'; main()"
    )
    words = ["serve", "-c", str(config), "--lan", "--host", "127.0.0.1", "--port", "0", "--json"]
    words += ["--alpaca-port", "0", "--alpaca-discovery-port", "0"]
    with subprocess.Popen(
        [sys.executable, "-c", run, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        assert process.stdout is not None
        try:
            yield json.loads(process.stdout.readline())
        finally:
            process.terminate()
            process.wait(300.0)


def half_open(stack: ExitStack, port: int, address: str) -> None:
    """Open a connection from this address and leave its request half done."""
    one = stack.enter_context(socket.socket())
    one.settimeout(5.0)
    one.bind((address, 0))
    with suppress(OSError):  # dropped already, or not even taken
        one.connect(("127.0.0.1", port))
        one.sendall(HALF)


def test_eleven_hundred_half_open_requests_leave_stop_within_reach(
    many_files, flooded_service
) -> None:
    """From one address and from many, on the page's port and on that of the published devices.

    The service may open 256 files. A connection that was open before goes on as well.
    """
    url, token = flooded_service["links"][0].split("?token=")
    port = int(url.rstrip("/").rsplit(":", 1)[1])
    bearer = {"Authorization": f"Bearer {token}"}
    with ExitStack() as stack, requests.Session() as known:
        known.headers.update(bearer)
        assert known.get(f"{url}api/session", timeout=300).status_code == 200
        for number in range(FLOOD):
            address = "127.0.0.1" if number % 3 else f"127.0.0.{2 + number % 200}"
            where = flooded_service["alpaca_port"] if number % 4 == 3 else port
            half_open(stack, where, address)
        for ask in (requests, known):
            answer = ask.post(f"{url}api/stop", headers=bearer, timeout=300)
            assert answer.status_code == 200
            assert answer.json()["motion"] == "unknown"
