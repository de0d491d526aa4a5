"""The command in a process of its own, as a person starts it."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time

import pytest
import requests
from support.printed import printed

pytestmark = pytest.mark.e2e


WAIT_S = 90.0


@pytest.fixture
def started():
    """Start the command; whatever a test leaves running is ended afterwards."""
    processes: list[subprocess.Popen[str]] = []

    def start(*arguments: str, **environment: str) -> subprocess.Popen[str]:
        processes.append(
            subprocess.Popen(
                [sys.executable, "-m", "polewright", "serve", "--port", "0", *arguments],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                env={**os.environ, **environment},
            )
        )
        return processes[-1]

    yield start
    for process in processes:
        if process.poll() is None:
            process.kill()
            process.communicate()


def test_it_serves_this_computer_only_and_ends_on_a_signal(started) -> None:
    """One JSON line says where; without a session, Ctrl-C ends it with code 0."""
    process = started("--json")
    try:
        assert process.stdout is not None
        said = printed("serve", process.stdout.readline())
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", said["url"])
        assert said["links"] == [said["url"]]
        assert requests.get(said["url"] + "api/health", timeout=300).json()["ok"] is True
        assert "What to do now" in requests.get(said["url"], timeout=300).text
    finally:
        process.send_signal(signal.SIGINT)
        _out, err = process.communicate(timeout=WAIT_S)
    assert process.returncode == 0, err


def test_an_address_of_the_network_needs_lan(started) -> None:
    """Opening the service to others by a slip of --host is refused with advice."""
    process = started("--json", "--host", "0.0.0.0")
    out, err = process.communicate(timeout=WAIT_S)

    assert process.returncode == 2
    assert json.loads(out)["error"]["code"] == "lan_not_asked"
    assert "--lan" in err


def test_with_lan_it_shows_a_link_with_a_token_and_its_qr_code(started) -> None:
    """The link opens the page; without the token nothing is told. Loopback is tried here."""
    process = started("--lan", "--host", "127.0.0.1", COLUMNS="120")
    try:
        assert process.stderr is not None
        line = process.stderr.readline()
        found = re.search(r"(http://127\.0\.0\.1:\d+)/\?token=(\S+)", line)
        assert found is not None, line
        url, token = found.groups()
        assert requests.get(f"{url}/api/session", timeout=300).status_code == 401
        with requests.Session() as client:
            opened = client.get(found[0], timeout=300)
            assert opened.status_code == 200
            key = opened.url.partition("#key=")[2]
            assert client.get(f"{url}/api/session?key={key}", timeout=300).status_code == 200
        drawn = process.stderr.readline()  # the service answers before its code is drawn
        while sum(drawn.count(block) for block in "█▀▄") <= 100:
            more = process.stderr.readline()
            assert more, drawn
            drawn += more
    finally:
        process.send_signal(signal.SIGTERM)
        _out, err = process.communicate(timeout=WAIT_S)
    assert process.returncode == 0
    assert token not in drawn + err


def test_ctrl_c_stops_a_running_session_and_the_mount(start_night, started, tmp_path) -> None:
    """In the middle of a slew: the mount stands still when the command has ended."""
    night = start_night(real_rate=4.0)
    address = [
        *("--telescope-host", night.running.host, "--telescope-port", str(night.running.port)),
        *("--camera-host", night.running.host, "--camera-port", str(night.running.port)),
        *("--optics-focal-length-mm", "202", "--run-journal-folder", str(tmp_path)),
    ]
    clock = night.clock
    process = started(
        "--json",
        *address,
        POLEWRIGHT_REHEARSAL_CLOCK=f"{clock.start_utc_s},{clock.origin_real_s},{clock.rate}",
    )
    try:
        assert process.stdout is not None
        url = json.loads(process.stdout.readline())["url"]
        requests.post(url + "api/session", json={}, timeout=300).raise_for_status()
        deadline = time.monotonic() + 300.0
        while not night.truth["mount"]["slewing"]:
            assert time.monotonic() < deadline, requests.get(url + "api/session", timeout=300).text
            time.sleep(0.02)
    finally:
        process.send_signal(signal.SIGINT)
        _out, err = process.communicate(timeout=WAIT_S)
    assert process.returncode == 0, err
    assert "stands still" in err
    assert not night.truth["mount"]["moving"]
    assert not night.truth["mount"]["tracking"]
