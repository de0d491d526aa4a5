"""Adjusters found by name: hands, a command, and the rig's own knobs over HTTP."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from polewright.devices.motors.base import AdjusterTrouble, NeedsHands
from polewright.devices.motors.registry import load_adjuster
from polewright.foundation.clock import SystemClock
from polewright.foundation.errors import Cancelled, ConfigError
from polewright.foundation.user_commands import UserCommand
from polewright_sim.motors import RigMotors
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.spec import RigSpec

CLOCK = SystemClock()
PYTHON = f'"{sys.executable}"'


def nothing() -> None:
    return None


def test_hands_are_the_default_and_turn_nothing() -> None:
    """The manual adjuster is not automatic and refuses to turn."""
    manual = load_adjuster("manual", {}, CLOCK)
    assert manual.automatic is False
    with pytest.raises(NeedsHands):
        manual.turn("altitude", 1.0, nothing)


def test_an_unknown_name_is_told_with_the_known_ones() -> None:
    """A misspelt adjuster lists what is installed."""
    with pytest.raises(ConfigError, match="available: command, manual"):
        load_adjuster("comand", {}, CLOCK)


def test_a_command_gets_axis_and_angle_as_single_arguments(tmp_path) -> None:
    """No shell: what looks like shell text stays one argument."""
    out = tmp_path / "out.txt"
    script = "import sys; open(sys.argv[1], 'w').write('|'.join(sys.argv[2:]))"
    command = f"{PYTHON} -c \"{script}\" {out} {{axis}} 'x {{arcmin}}; echo $HOME'"
    adjuster: Any = load_adjuster("command", {"command": command}, CLOCK)

    adjuster.turn("azimuth", -2.5, nothing)

    assert out.read_text() == "azimuth|x -2.500; echo $HOME"


def test_a_command_that_fails_is_told_with_what_it_said() -> None:
    """The exit code and output come through as trouble of that adjuster."""
    command = f"{PYTHON} -c \"print('jammed'); raise SystemExit(4)\" {{axis}} {{arcmin}}"
    with pytest.raises(AdjusterTrouble, match=r"exit code 4; it said: jammed"):
        load_adjuster("command", {"command": command}, CLOCK).turn("altitude", 1.0, nothing)


def test_a_turn_that_is_broken_off_ends_the_command_and_stops_the_motor(tmp_path) -> None:
    """What the tick raises comes through; the stop command has run by then."""
    stopped = tmp_path / "stopped"
    options = {
        "command": f'{PYTHON} -c "import time; time.sleep(60)" {{axis}} {{arcmin}}',
        "stop": f"{PYTHON} -c \"open('{stopped.as_posix()}', 'w')\"",
    }

    def cancelled() -> None:
        raise Cancelled("stopped by the user")

    adjuster: Any = load_adjuster("command", options, CLOCK)
    with pytest.raises(Cancelled):
        adjuster.turn("altitude", 1.0, cancelled)
    assert adjuster.stop_trouble() is None
    assert stopped.exists()


def alive(pid: int) -> bool:
    """Whether a process runs (one that ended and was not collected does not)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


CHILD = "import time; time.sleep(3600)"
WITH_A_CHILD = (
    "import subprocess, sys; from pathlib import Path;"
    f"child = subprocess.Popen([sys.executable, '-c', '{CHILD}']);"
    "Path(sys.argv[1]).write_text(str(child.pid)); child.wait()"
)


def cancel_when_written(path: Path):
    """A tick that breaks a turn off as soon as the file has text."""

    def tick() -> None:
        if path.exists() and path.read_text():
            raise Cancelled("stopped by the user")

    return tick


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes in /proc")
def test_a_turn_that_is_broken_off_ends_the_commands_children_too(tmp_path) -> None:
    """A child that holds the output open neither holds the stop up nor goes on by itself."""
    child = tmp_path / "child"
    command = f'{PYTHON} -c "{WITH_A_CHILD}" {child} {{axis}} {{arcmin}}'

    adjuster: Any = load_adjuster("command", {"command": command}, CLOCK)
    with pytest.raises(Cancelled):
        adjuster.turn("altitude", 1.0, cancel_when_written(child))

    assert adjuster.stop_trouble() is None
    while alive(int(child.read_text())):  # killed, but the system may take a moment over it
        time.sleep(0.01)


STUBBORN_TURN = """
import os, signal, sys, time
from pathlib import Path
signal.signal(signal.SIGTERM, signal.SIG_IGN)
Path(sys.argv[1]).write_text(str(os.getpid()))
stopper = Path(sys.argv[2])
def stopping():
    try:
        pid = stopper.read_text().split()[0]
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (OSError, IndexError):
        return not stopper.exists()
while stopping():
    time.sleep(0.01)
"""
STOP_THAT_LOOKS = """
import os, sys
from pathlib import Path
turner = Path(sys.argv[1]).read_text()
try:
    runs = Path(f"/proc/{turner}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
except OSError:
    runs = False
with Path(sys.argv[2]).open("a") as out:
    out.write(f"{os.getpid()} {'turning' if runs else 'ended'} ")
"""


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes in /proc")
def test_the_stop_command_does_not_wait_for_the_turn_to_end(tmp_path, monkeypatch) -> None:
    """It runs while the turning command still does, and once more after that."""
    monkeypatch.setattr("polewright.foundation.programs.GRACE_S", 200.0)
    monkeypatch.setattr("polewright.devices.motors.command.STOP_S", 200.0)
    turner, seen = tmp_path / "turner", tmp_path / "seen"
    (tmp_path / "turn.py").write_text(STUBBORN_TURN)
    (tmp_path / "stop.py").write_text(STOP_THAT_LOOKS)
    options = {
        "command": f"{PYTHON} {tmp_path / 'turn.py'} {turner} {seen} {{axis}} {{arcmin}}",
        "stop": f"{PYTHON} {tmp_path / 'stop.py'} {turner} {seen}",
    }

    adjuster: Any = load_adjuster("command", options, CLOCK)
    with pytest.raises(Cancelled):
        adjuster.turn("azimuth", 1.0, cancel_when_written(turner))

    assert adjuster.stop_trouble() is None
    assert seen.read_text().split()[1::2] == ["turning", "ended"]


def test_a_stop_command_that_hangs_is_told_and_holds_nothing_up(tmp_path, monkeypatch) -> None:
    """The reason of the stop comes through while it runs; that it did not end is told later."""
    ready, stopping = tmp_path / "ready", tmp_path / "stopping"
    script = "import sys, time; open(sys.argv[1], 'w').write('1'); time.sleep(3600)"
    options = {
        "command": f'{PYTHON} -c "{script}" {ready} {{axis}} {{arcmin}}',
        "stop": f'{PYTHON} -c "{script}" {stopping}',
    }
    monkeypatch.setattr("polewright.devices.motors.command.STOP_S", 0.0)
    adjuster: Any = load_adjuster("command", options, CLOCK)
    with pytest.raises(Cancelled):
        adjuster.turn("azimuth", 1.0, cancel_when_written(ready))

    assert "was not over after 0 s" in adjuster.stop_trouble()


def test_a_stop_does_not_wait_for_the_position_command(tmp_path) -> None:
    """What the tick raises ends the position command, too, before anything turns."""
    ready = tmp_path / "ready"
    script = "import sys, time; open(sys.argv[1], 'w').write('1'); time.sleep(3600)"
    options = {
        "command": f"{PYTHON} -c pass {{axis}} {{arcmin}}",
        "position": f'{PYTHON} -c "{script}" {ready} {{axis}}',
        "timeout_s": 30.0,
    }

    adjuster: Any = load_adjuster("command", options, CLOCK)
    with pytest.raises(Cancelled):
        adjuster.position_arcmin("azimuth", cancel_when_written(ready))


def test_a_command_that_leaves_a_child_behind_is_over_when_it_ends(tmp_path) -> None:
    """A notification that goes on in the background is waited for only itself."""
    pid = tmp_path / "pid"
    script = (
        "import subprocess, sys; from pathlib import Path;"
        f"child = subprocess.Popen([sys.executable, '-c', '{CHILD}']);"
        "Path(sys.argv[1]).write_text(str(child.pid));"
        "print('sent')"
    )
    command = UserCommand(f'{PYTHON} -c "{script}" {pid}', "[notify] command", frozenset())

    printed = command.run({}, timeout_s=250.0)

    os.kill(int(pid.read_text()), signal.SIGKILL)
    assert printed.strip() == "sent"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({}, "command is missing"),
        ({"command": "x {axis}"}, "must hold {arcmin}"),
        ({"command": "x {axis} {arcmin} {speed}"}, "unknown {speed}"),
        ({"command": "x {axis} {arcmin}", "timeout": 3}, "timeout"),
        ({"command": "x {axis} {arcmin}", "timeout_s": 0}, "positive"),
    ],
)
def test_wrong_options_say_what_is_wrong(options, said) -> None:
    """Each mistake names its key."""
    with pytest.raises(ConfigError, match=said):
        load_adjuster("command", options, CLOCK)


def test_the_rigs_motors_turn_its_knobs_over_http() -> None:
    """A reversed motor with gain 2 turns the knob twice as far the other way, and waits for it."""
    rig = SimulatedRig(RigSpec(), clock=SystemClock(20.0))
    with serve(rig) as running:
        motors = RigMotors(running.url, rig.clock, {"altitude": -2.0, "azimuth": 1.0})
        motors.turn("altitude", 3.0, nothing)

        assert not rig.adjusters.moving(rig.clock.utc_s())
        assert rig.adjusters.altitude.position_arcmin(rig.clock.utc_s()) == pytest.approx(-6.0)
        assert motors.position_arcmin("altitude", nothing) == pytest.approx(3.0)
