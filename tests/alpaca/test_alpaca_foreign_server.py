"""The client against a server that nobody here wrote (the PyPI package alpaca-simulators).

Its faults, as far as they matter here: no management API, unknown devices answer 0x400 with
status 200, bad parameters 422, an aborted exposure goes on and becomes "ready" later.
"""

from __future__ import annotations

import time
from collections.abc import Iterator

import numpy as np
import pytest
from support.foreign import INSTALLED, Star, foreign_server

from polewright.devices.alpaca import errors
from polewright.devices.alpaca.camera import Camera
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.cover_calibrator import CoverCalibrator
from polewright.devices.alpaca.management import list_server
from polewright.devices.alpaca.mount_state import MountState
from polewright.devices.alpaca.one_exposure import ExposureProgress
from polewright.devices.alpaca.safety_monitor import SafetyMonitor
from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import Cancelled

pytestmark = [
    pytest.mark.e2e,
    pytest.mark.skipif(not INSTALLED, reason="alpaca-simulators is not installed"),
]
TARGET_HOURS, TARGET_DEG = 3.0, 60.0


def invented_stars() -> list[Star]:
    """Invented stars around the target, so that the server needs no network."""
    rng = np.random.default_rng(4)
    return [
        (float(ra), float(dec), float(mag))
        for ra, dec, mag in zip(
            15.0 * TARGET_HOURS + rng.uniform(-1.5, 1.5, 300),
            TARGET_DEG + rng.uniform(-0.8, 0.8, 300),
            rng.uniform(6.0, 10.0, 300),
            strict=True,
        )
    ]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AlpacaConnection]:
    with (
        foreign_server(
            tmp_path_factory.mktemp("foreign"),
            invented_stars(),
            telescope={"focallength": 1.0, "aperturediameter": 0.1},
            camera={"cameraxsize": 400, "cameraysize": 300},
        ) as port,
        AlpacaConnection("127.0.0.1", port) as connection,
    ):
        yield connection


@pytest.fixture
def telescope(server: AlpacaConnection) -> Telescope:
    made = Telescope(server)
    made.connect()
    return made


def test_devices_are_listed_without_a_management_api(server: AlpacaConnection) -> None:
    listing = list_server(server)

    assert not listing.has_management
    assert {"telescope", "camera"} <= {d.DeviceType for d in listing.devices}


def test_unknown_device_number_is_not_found(server: AlpacaConnection) -> None:
    with pytest.raises(errors.DeviceNotFound):
        Telescope(server, 9).connect()


def test_bad_parameter_is_a_rejected_request(server: AlpacaConnection) -> None:
    with pytest.raises(errors.RequestRejected) as caught:
        server.put("api/v1/telescope/0/moveaxis", params={"Axis": "x", "Rate": 0.0})

    assert caught.value.status == 422


def test_mount_is_unparked_slewed_and_stopped(telescope: Telescope) -> None:
    if telescope.at_park():
        with pytest.raises(errors.Parked):
            telescope.slew_and_wait(TARGET_HOURS, TARGET_DEG)
        telescope.unpark()
    telescope.set_tracking(True)
    result = telescope.slew_and_wait(TARGET_HOURS, TARGET_DEG, timeout_s=60.0)

    assert result.miss_deg < 0.01
    assert telescope.stop_motion() is MotionState.STOPPED


def test_running_slew_is_cancelled(telescope: Telescope) -> None:
    cancel = CancelToken()
    if telescope.at_park():
        telescope.unpark()
    telescope.set_tracking(True)

    def watch(state: MountState) -> None:
        if state.slewing:
            cancel.cancel()

    with pytest.raises(Cancelled):
        telescope.slew_and_wait(
            telescope.right_ascension_hours() + 6.0, 0.0, cancel=cancel, watch=watch
        )
    assert not telescope.slewing()


def test_frame_is_taken_binned_and_cut_out(telescope: Telescope, server: AlpacaConnection) -> None:
    if telescope.at_park():
        telescope.unpark()
    telescope.set_tracking(True)
    telescope.slew_and_wait(TARGET_HOURS, TARGET_DEG, timeout_s=60.0)
    camera = Camera(server)
    camera.connect()
    camera.configure(binning=1, subframe=(40, 20, 300, 200))
    frame = camera.expose(1.0)

    assert (frame.width, frame.height) == (300, 200)
    assert frame.pixels.max() > frame.pixels.mean() + 100  # stars
    assert frame.utc_mid_s == pytest.approx(time.time(), abs=30.0)

    camera.configure(binning=2)
    smaller = camera.expose(0.5)
    assert (smaller.width, smaller.height) == (200, 150)


def test_cancelled_exposure_does_not_end_the_next_one_early(
    telescope: Telescope, server: AlpacaConnection
) -> None:
    """This server ignores the abort: the old exposure ends while the next one runs."""
    camera = Camera(server)
    camera.connect()
    camera.configure(binning=2)
    camera.expose(0.2)
    cancel = CancelToken()

    def on_progress(_look: ExposureProgress) -> None:
        cancel.cancel()

    with pytest.raises(Cancelled):
        camera.expose(3.0, cancel=cancel, on_progress=on_progress)
    start = time.monotonic()
    try:
        camera.expose(5.0)
    except errors.StaleImage:
        camera.expose(5.0)

    assert time.monotonic() - start >= 5.0


def test_monitor_and_cover_are_read(server: AlpacaConnection) -> None:
    monitor, cover = SafetyMonitor(server), CoverCalibrator(server)
    monitor.connect()
    cover.connect()

    assert isinstance(monitor.is_safe(), bool)
    assert cover.cover_state().name in {"CLOSED", "OPEN", "MOVING"}
