"""Adjusters found by name: hands, a command, and the rig's own knobs over HTTP."""

from __future__ import annotations

import sys

import pytest

from polewright.adjusters.base import AdjusterTrouble, NeedsHands, load_adjuster
from polewright.clock import SystemClock
from polewright.errors import Cancelled, ConfigError
from polewright_sim.motors import RigMotors
from polewright_sim.rig import SimulatedRig
from polewright_sim.server import serve
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
    adjuster = load_adjuster("command", {"command": command}, CLOCK)

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

    with pytest.raises(Cancelled):
        load_adjuster("command", options, CLOCK).turn("altitude", 1.0, cancelled)
    assert stopped.exists()


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
        assert motors.position_arcmin("altitude") == pytest.approx(3.0)
