"""The terminal of a run is closed, and its disks are full: the mount and the result survive."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from support.printed import printed

from polewright.foundation.rehearsal import REHEARSAL_VARIABLE

pytestmark = [
    pytest.mark.e2e,
    pytest.mark.skipif(sys.platform == "win32", reason="terminals and limits are others there"),
]

#: Runs the command in a program that can write no file at all, as on a full disk.
NO_ROOM = (
    "import resource, runpy, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0)); "
    "sys.argv[0] = 'polewright'; runpy.run_module('polewright', run_name='__main__')"
)


def command(night: Any, folder: Path) -> tuple[list[str], dict[str, str]]:
    """Return options for a rig, every folder in ``folder``, and the environment."""
    clock = night.clock
    told = f"{clock.start_utc_s},{clock.origin_real_s},{clock.rate}"
    environment = {
        **os.environ,
        REHEARSAL_VARIABLE: told,
        "XDG_STATE_HOME": str(folder),
        "POLEWRIGHT_HISTORY_URL": f"sqlite:///{folder}/h.db",
    }
    options = [
        *("--site-latitude-deg", "44.62", "--site-longitude-deg", "9.31"),
        *("--optics-focal-length-mm", "202", "--sweep-settle", "fixed", "--sweep-settle-s", "4"),
    ]
    for kind in ("telescope", "camera"):
        options += [f"--{kind}-host", night.running.host, f"--{kind}-port", str(night.running.port)]
    return options, environment


@pytest.mark.parametrize("ignored", [True, False], ids=["nohup", "plain"])
def test_a_run_whose_terminal_is_closed(start_night, tmp_path: Path, ignored: bool) -> None:
    """Started with the signal ignored it measures on; otherwise it ends with the mount stopped."""
    import fcntl
    import pty
    import termios

    night = start_night(real_rate=12.0)
    options, environment = command(night, tmp_path)
    master, slave = pty.openpty()

    def own_terminal() -> None:
        os.setsid()
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)
        # Not as the tests themselves were started: with nohup, perhaps.
        signal.signal(signal.SIGHUP, signal.SIG_IGN if ignored else signal.SIG_DFL)

    with (tmp_path / "out.json").open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "polewright", "measure", "--json", *options],
            stdin=slave,
            stdout=out,
            stderr=slave,
            env=environment,
            preexec_fn=own_terminal,  # noqa: PLW1509 - the only way to a terminal of its own
        )
    os.close(slave)
    try:
        shown = b""
        while b"point 1 of 3" not in shown:
            shown += os.read(master, 65536)
        os.close(master)
        code = process.wait(300.0)
    finally:
        process.kill()
        process.wait()

    document = json.loads((tmp_path / "out.json").read_text())
    mount = night.truth["mount"]
    assert not mount["moving"]
    if ignored:
        assert code == 9
        assert document["axis"]["total_arcmin"] > 50.0
    else:
        assert code == 130
        assert "SIGHUP" in document["error"]["message"]
        assert not mount["tracking"]


def test_a_startup_with_no_room_for_anything(start_night, tmp_path: Path) -> None:
    """Journal, log, frames, history, watchdog's word: all full. Code 9, every step, parked."""
    night = start_night(real_rate=12.0)
    options, environment = command(night, tmp_path)
    done = subprocess.run(
        [
            *(sys.executable, "-c", NO_ROOM, "startup", "--json", *options),
            *("--startup-clock-tolerance-s", "600", "--log-file", str(tmp_path / "l.log")),
            *("--run-keep-frames", str(tmp_path / "frames")),
        ],
        env=environment,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )

    assert done.returncode == 9, done.stderr
    assert "Traceback" not in done.stderr
    document = printed("startup", done.stdout)
    outcomes = {step["name"]: step["outcome"] for step in document["steps"]}
    assert outcomes["alignment"] == "warning"
    assert outcomes["afterwards"] == "ok"
    assert document["measurement"]["axis"]["total_arcmin"] > 50.0
    told = " ".join(done.stderr.split())
    for lost in ("journal", "the log", "could not be kept", "watchdog.json", "history"):
        assert lost in told, lost
    assert night.truth["mount"]["at_park"]
    assert all(path.stat().st_size == 0 for path in tmp_path.rglob("*") if path.is_file())
