"""Questions and window settings go again as patience allows; commands and stops never do."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from polewright.devices.alpaca.camera import Camera
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.errors import AlpacaError, BadReply, DriverFault, ServerFault
from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.devices.alpaca.telescope import Telescope
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import Fault, Scenario
from polewright_sim.server.server import RunningRig, serve
from polewright_sim.spec import RigSpec

PATIENCE: dict[type[AlpacaError], tuple[float, ...]] = {
    ServerFault: (0.01, 0.01),
    DriverFault: (0.01, 0.01),
    BadReply: (0.01, 0.01),
}


@pytest.fixture
def running() -> Iterator[RunningRig]:
    spec = RigSpec.model_validate({"sensor": {"width": 64, "height": 48}})
    rig = SimulatedRig(spec, renderer=lambda *_a, **_k: np.zeros((48, 64), np.uint16))
    with serve(rig) as served:
        served.telescope._connected = True
        yield served


@pytest.fixture
def telescope(running: RunningRig) -> Iterator[Telescope]:
    with AlpacaConnection(running.host, running.port, patience=PATIENCE) as connection:
        yield Telescope(connection, 0)


def spoil(running: RunningRig, **fault) -> None:
    running.faults.clear()
    running.load_faults(Scenario(fault=(Fault.model_validate(fault),)))


def changed(running: RunningRig) -> object:
    return running.faults.report()[0]["calls_changed"]


def test_a_question_that_fails_twice_is_answered_by_the_third_try(running, telescope) -> None:
    """As many repetitions as the patience has waits."""
    assert telescope.slewing() is False
    spoil(running, kind="http_500", member="slewing", calls=2)

    assert telescope.slewing() is False
    assert changed(running) == 2


def test_a_question_that_keeps_failing_is_given_up_and_not_dwelt_on(running, telescope) -> None:
    """The error comes through; the next question to the same member is asked only once."""
    assert telescope.slewing() is False
    spoil(running, kind="error_number", member="slewing")

    with pytest.raises(DriverFault):
        telescope.slewing()
    assert changed(running) == 3
    with pytest.raises(DriverFault):
        telescope.slewing()
    assert changed(running) == 4

    running.faults.clear()
    assert telescope.slewing() is False
    spoil(running, kind="error_number", member="slewing", calls=2)
    assert telescope.slewing() is False


def test_nobody_waits_for_a_server_that_has_never_answered(running, telescope) -> None:
    """A wrong address is told at once."""
    spoil(running, kind="http_500")
    with pytest.raises(ServerFault):
        telescope.slewing()
    assert changed(running) == 1


def test_a_command_is_sent_once(running, telescope) -> None:
    """It may have been carried out."""
    assert telescope.slewing() is False
    spoil(running, kind="http_500", member="unpark", method="PUT", parameters={"carried_out": True})

    with pytest.raises(ServerFault):
        telescope.unpark()

    assert changed(running) == 1
    assert not running.rig.mount.at_park


def test_a_window_setting_is_sent_again(running) -> None:
    """Sent twice it is the same window: a lost answer to it ends no night."""
    running.camera._connected = True
    with AlpacaConnection(running.host, running.port, patience=PATIENCE) as connection:
        camera = Camera(connection, 0)
        camera.info()
        spoil(running, kind="http_500", member="numx", calls=2)

        camera.set_geometry(1, (8, 4, 32, 20))

        assert changed(running) == 2
        assert connection.get("api/v1/camera/0/numx").Value == 32


def test_a_driver_that_restarted_is_connected_to_be_stopped(running, telescope) -> None:
    """A stop is worth nothing to an unconnected driver."""
    mount, now = running.rig.mount, running.rig.clock.utc_s()
    mount.unpark(now)
    mount.move_axis(0, -0.02, now)
    assert telescope.slewing() is True
    running.telescope._connected = False

    assert telescope.stop_motion(tracking_off=True) is MotionState.STOPPED

    assert running.telescope.connected
    assert not mount.still_moving(running.rig.clock.utc_s())


def test_a_glitch_in_a_flag_is_not_an_inability(running, telescope) -> None:
    """Nonsense instead of CanSlewAsync is told as nonsense and asked again; False is believed."""
    assert telescope.slewing() is False
    spoil(running, kind="bad_value", member="canslewasync", calls=3)

    with pytest.raises(BadReply, match="canslewasync"):
        telescope.can_slew_async()

    assert telescope.can_slew_async() is True


def test_a_value_of_another_type_is_asked_for_again(running, telescope) -> None:
    """Nonsense that passes costs a repetition, like every other answer that is none."""
    assert telescope.slewing() is False
    spoil(running, kind="bad_value", member="declination", calls=2)

    assert isinstance(telescope.declination_deg(), float)
    assert changed(running) == 2


@pytest.mark.parametrize(("calls", "state"), [(2, MotionState.STOPPED), (99, MotionState.UNKNOWN)])
def test_a_mount_that_tracks_on_is_not_called_stopped(running, telescope, calls, state) -> None:
    """Switching tracking off is repeated and read back; standing against the stars is not rest."""
    mount, now = running.rig.mount, running.rig.clock.utc_s()
    mount.unpark(now)
    mount.set_tracking(True, now)
    spoil(running, kind="http_500", member="tracking", method="PUT", calls=calls)

    assert telescope.stop_motion(tracking_off=True) is state

    assert mount.tracking is (state is MotionState.UNKNOWN)


def test_a_mount_that_cannot_switch_tracking_can_still_be_stopped(running, telescope) -> None:
    """What a mount cannot do is not held against it."""
    mount, now = running.rig.mount, running.rig.clock.utc_s()
    mount.unpark(now)
    mount.set_tracking(True, now)
    spoil(running, kind="members_missing", device="telescope", member="tracking", method="PUT")

    assert telescope.stop_motion(tracking_off=True) is MotionState.STOPPED
