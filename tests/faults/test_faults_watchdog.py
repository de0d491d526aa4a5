"""The watchdog process: what it lets pass, when it strikes, and what it tells when it cannot."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from polewright.alpaca.client import AlpacaConnection
from polewright.alpaca.telescope import Telescope
from polewright.clock import CancelToken, SystemClock
from polewright.errors import Cancelled
from polewright.measuring import watchdog
from polewright.measuring.events import Progress
from polewright.measuring.watching import Watchdog, WatchedClock
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import Fault, Scenario
from polewright_sim.server import RunningRig, serve
from polewright_sim.spec import RigSpec

SLEW_RATE = 0.02
"""Rad/s."""


@pytest.fixture
def running() -> Iterator[RunningRig]:
    """A mount whose RA axis turns, under a real clock."""
    spec = RigSpec.model_validate({"sensor": {"width": 64, "height": 48}})
    rig = SimulatedRig(spec, renderer=lambda *_a, **_k: np.zeros((48, 64), np.uint16))
    with serve(rig) as served:
        served.telescope._connected = True
        now = rig.clock.utc_s()
        rig.mount.unpark(now)
        rig.mount.set_tracking(True, now)
        rig.mount.move_axis(0, -SLEW_RATE, now)
        yield served


@pytest.fixture
def telescope(running: RunningRig) -> Iterator[Telescope]:
    with AlpacaConnection(running.host, running.port) as connection:
        yield Telescope(connection, 0)


def moving(running: RunningRig) -> bool:
    return running.rig.mount.still_moving(running.rig.clock.utc_s())


def within(condition: Callable[[], bool], limit_s: float) -> float:
    started = time.monotonic()
    while not condition():
        assert time.monotonic() - started < limit_s, "not within the limit"
        time.sleep(0.02)
    return time.monotonic() - started


def state(path: Path) -> str:
    return str(json.loads(path.read_text())["state"]) if path.exists() else ""


def test_a_run_that_ends_without_a_word_has_its_mount_stopped(running, telescope, tmp_path) -> None:
    """When the pipe breaks, the mount stands and does not track, and the outcome is written."""
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken())
    within(lambda: state(status) == "watching", 10.0)
    assert moving(running)

    assert dog.take_over()

    assert not moving(running)
    assert not running.rig.mount.tracking
    assert state(status) == watchdog.STOPPED
    assert "without a word" in json.loads(status.read_text())["reason"]


def test_a_dismissed_watchdog_leaves_the_mount_alone(running, telescope, tmp_path) -> None:
    """After a good end the mount goes on as the run left it."""
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken())
    dog.beat()

    dog.dismiss()

    assert state(status) == "dismissed"
    assert running.rig.mount.tracking


def test_a_run_that_hangs_is_stopped_and_told_to_end(running, telescope, tmp_path) -> None:
    """An overdue beat stops the mount; a run that wakes up again is cancelled."""
    status, cancel = tmp_path / "watchdog.json", CancelToken()
    dog = Watchdog(telescope, status, cancel)

    dog.beat(1.0)
    within(lambda: state(status) == watchdog.STOPPED, 15.0)

    assert not moving(running)
    assert not cancel.cancelled
    dog.process.wait(5.0)
    clock = WatchedClock(SystemClock(), dog)
    with pytest.raises(Cancelled, match="watchdog"):
        clock.sleep(1.0, cancel)
    dog.dismiss()


def test_long_steps_of_a_healthy_run_are_left_alone(running, telescope, tmp_path) -> None:
    """An announced silence, and a long sleep, do not bring the watchdog up."""
    status, cancel = tmp_path / "watchdog.json", CancelToken()
    dog = Watchdog(telescope, status, cancel, solve_s=30.0)
    dog.beat(1.5)
    WatchedClock(SystemClock(4.0), dog).sleep(8.0, cancel)
    progress = Progress(utc_s=0.0, step="solve", point=1, points=3, done_s=0.0, total_s=None)
    dog.heard(progress)
    time.sleep(2.0)  # the solve hogs everything

    assert state(status) == "watching"
    assert moving(running)
    dog.dismiss()
    assert state(status) == "dismissed"


def test_a_mount_that_does_not_answer_is_told_as_unknown(telescope, running, tmp_path) -> None:
    """With the server gone nothing can be confirmed, and that is what is said."""
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken(), give_up_s=2.0)
    running.stop()

    assert not dog.take_over()

    told = json.loads(status.read_text())
    assert told["state"] == watchdog.UNKNOWN
    assert told["troubles"]


def test_a_watchdog_that_ended_before_vouches_for_nothing(running, telescope, tmp_path) -> None:
    """It stopped the mount once; what was sent since, nobody saw."""
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken())
    dog.beat(1.0)
    within(lambda: dog.process.poll() is not None, 20.0)
    assert state(status) == watchdog.STOPPED

    assert not dog.take_over()


def test_a_driver_that_restarted_is_connected_and_stopped(running, telescope, tmp_path) -> None:
    """An unconnected driver refuses every stop; it is connected first."""
    running.telescope._connected = False
    dog = Watchdog(telescope, tmp_path / "watchdog.json", CancelToken())

    assert dog.take_over()

    assert not moving(running)
    assert running.telescope.connected


def test_the_stop_goes_on_through_a_storm_of_errors(running, telescope, tmp_path) -> None:
    """Half of all answers are errors: the stop is repeated until the mount is seen to stand."""
    running.load_faults(
        Scenario(fault=(Fault(kind="error_number", device="telescope", probability=0.5),), seed=1)
    )
    dog = Watchdog(telescope, tmp_path / "watchdog.json", CancelToken(), give_up_s=40.0)

    assert dog.take_over()

    assert not moving(running)


def test_a_mount_that_says_it_slews_for_ever_is_told_as_unknown(
    running, telescope, tmp_path
) -> None:
    """Standing or not: a mount that says it moves is not called stopped."""
    running.load_faults(Scenario(fault=(Fault(kind="slewing_stuck_true"),)))
    status = tmp_path / "watchdog.json"
    dog = Watchdog(telescope, status, CancelToken(), give_up_s=2.0)

    assert not dog.take_over()

    assert state(status) == watchdog.UNKNOWN


def test_standing_still_knows_the_drift_of_the_sky() -> None:
    """RA of an untracked mount drifts with the sky; anything faster is motion."""
    seconds = 10.0
    drift = watchdog.SIDEREAL_DEG_S * seconds
    first = (0.0, False, 359.99, 20.0)
    for turned, dec, still in (
        (0.0, 0.0, True),
        (drift, 0.0, True),
        (3.0 * drift, 0.0, False),
        (-0.05, 0.0, False),
        (0.0, 0.01, False),
    ):
        second = (seconds, False, (359.99 + turned) % 360.0, 20.0 + dec)
        assert watchdog.stands_still(first, second, 1.0) is still
    assert watchdog.stands_still(first, (seconds, False, (359.99 + 6 * drift) % 360.0, 20.0), 6.0)
    assert not watchdog.stands_still(first, (seconds, True, 359.99, 20.0), 1.0)


def test_a_mount_that_tracks_on_is_not_called_stopped(running, telescope, tmp_path) -> None:
    """As long as tracking cannot be switched off nothing is stopped; afterwards it is."""
    running.rig.mount.move_axis(0, 0.0, running.rig.clock.utc_s())
    running.load_faults(
        Scenario(fault=(Fault(kind="http_500", member="tracking", method="PUT", calls=8),))
    )
    dog = Watchdog(telescope, tmp_path / "watchdog.json", CancelToken(), give_up_s=40.0)

    assert dog.take_over()

    assert not running.rig.mount.tracking
