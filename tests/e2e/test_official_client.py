"""The official client library drives the simulated rig through a night's moves."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import TypeVar

import alpaca.discovery
import alpaca.management
import numpy as np
import pytest
from alpaca.camera import Camera, CameraStates, ImageArrayElementTypes, SensorType
from alpaca.exceptions import (
    InvalidOperationException,
    InvalidValueException,
    NotImplementedException,
    ParkedException,
    ValueNotSetException,
)
from alpaca.telescope import (
    AlignmentModes,
    DriveRates,
    EquatorialCoordinateType,
    GuideDirections,
    PierSide,
    Telescope,
    TelescopeAxes,
)

from polewright.foundation.clock import SystemClock
from polewright_sim.camera_spec import OpticsSpec, SensorSpec
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import RunningRig, serve
from polewright_sim.spec import CameraDriverSpec, MountSpec, RigSpec

pytestmark = pytest.mark.e2e

Kind = TypeVar("Kind", Telescope, Camera)

RATE = 20.0
"""How much faster than the wall the rig's clock runs."""


def wait_for(condition: Callable[[], bool], limit_s: float = 300.0) -> None:
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.01)


@pytest.fixture(scope="module", params=[4, 3], ids=["interface 4", "interface 3"])
def running(request: pytest.FixtureRequest) -> Iterator[RunningRig]:
    version = request.param
    spec = RigSpec(
        mount=MountSpec(interface_version=version, altitude_min_deg=5.0),
        camera=CameraDriverSpec(interface_version=version),
        optics=OpticsSpec(focal_length_mm=200.0),
        sensor=SensorSpec(width=640, height=400, bayer=True, bayer_offset=(1, 0)),
    )
    with serve(SimulatedRig(spec, SystemClock(rate=RATE))) as rig:
        yield rig


def address(running: RunningRig) -> str:
    return f"127.0.0.1:{running.port}"


def connected(device: Kind) -> Kind:
    device.Connect()
    wait_for(lambda: not device.Connecting)
    assert device.Connected
    return device


def test_management_lists_both_devices(running: RunningRig) -> None:
    """The client's management functions read versions, description and devices."""
    devices = alpaca.management.configureddevices(address(running))

    assert alpaca.management.apiversions(address(running)) == [1]
    assert alpaca.management.description(address(running))["Manufacturer"] == "Polewright"
    assert [(d["DeviceType"], d["DeviceNumber"]) for d in devices][:2] == [
        ("Telescope", 0),
        ("Camera", 0),
    ]
    assert len({d["UniqueID"] for d in devices}) == len(devices)


def test_discovery_finds_the_rig() -> None:
    """The client's own discovery, on the standard's scheme with a free port, finds the server."""
    with serve(SimulatedRig(RigSpec()), discovery_port=0) as running:
        before, alpaca.discovery.port = alpaca.discovery.port, running.discovery_port
        try:
            found = alpaca.discovery.search_ipv4(numquery=1, timeout=1)
        finally:
            alpaca.discovery.port = before

        assert any(each.endswith(f":{running.port}") for each in found)


def test_telescope_cycle(running: RunningRig) -> None:
    """Connect, unpark, track, slew on both sides, abort, move, guide, sync, park."""
    mount = connected(Telescope(address(running), 0))
    version = mount.InterfaceVersion

    assert mount.AtPark
    assert mount.AlignmentMode is AlignmentModes.algGermanPolar
    assert mount.EquatorialSystem is EquatorialCoordinateType.equTopocentric
    assert mount.TrackingRates == [DriveRates(n) for n in (0, 1, 2, 3)]
    with pytest.raises(ValueNotSetException):
        _ = mount.TargetRightAscension
    with pytest.raises(ParkedException):
        mount.MoveAxis(TelescopeAxes.axisPrimary, 1.0)
    mount.Unpark()
    with pytest.raises(InvalidOperationException):
        mount.SlewToCoordinatesAsync(mount.SiderealTime, 20.0)
    mount.Tracking = True

    sides = []
    for hour_angle in (-2.0, 2.0):
        ra = (mount.SiderealTime - hour_angle) % 24.0
        expected = mount.DestinationSideOfPier(ra, 30.0)
        mount.SlewToCoordinatesAsync(ra, 30.0)
        assert mount.Slewing
        wait_for(lambda: not mount.Slewing)
        assert abs((mount.RightAscension - ra + 12.0) % 24.0 - 12.0) * 15 * 3600 < 1.0
        assert mount.Declination == pytest.approx(30.0, abs=1.0 / 3600.0)
        assert mount.TargetRightAscension == pytest.approx(ra)
        assert mount.SideOfPier == expected
        sides.append(mount.SideOfPier)
    assert sides == [PierSide.pierWest, PierSide.pierEast]

    with pytest.raises(InvalidValueException):
        mount.SlewToCoordinatesAsync(25.0, 0.0)
    with pytest.raises(InvalidValueException):
        mount.SlewToCoordinatesAsync((mount.SiderealTime + 12.0) % 24.0, -40.0)
    with pytest.raises(NotImplementedException):
        mount.DeclinationRate = 1.0

    mount.SlewToCoordinatesAsync((mount.SiderealTime - 5.0) % 24.0, 60.0)
    mount.AbortSlew()
    wait_for(lambda: not mount.Slewing)
    assert mount.Tracking

    rate = mount.AxisRates(TelescopeAxes.axisSecondary)[0].Maximum
    before = mount.Declination
    mount.MoveAxis(TelescopeAxes.axisSecondary, -rate)
    assert mount.Slewing
    time.sleep(2.0 / RATE)
    mount.MoveAxis(TelescopeAxes.axisSecondary, 0.0)
    wait_for(lambda: not mount.Slewing)
    assert abs(mount.Declination - before) > 1.0

    before = mount.Declination
    mount.PulseGuide(GuideDirections.guideNorth, 20_000)
    assert mount.IsPulseGuiding
    wait_for(lambda: not mount.IsPulseGuiding)
    moved = (mount.Declination - before) * 3600.0
    assert moved == pytest.approx(0.5 * 15.041 * 20.0, abs=0.5)

    mount.SyncToCoordinates((mount.RightAscension + 0.1) % 24.0, mount.Declination + 1.0)
    assert mount.Declination == pytest.approx(before + moved / 3600.0 + 1.0, abs=1e-3)

    if version >= 4:
        state = {entry["Name"]: entry["Value"] for entry in mount.DeviceState}
        assert state["Tracking"] is True
        assert state["AtPark"] is False
        assert {"TimeStamp", "UTCDate", "SideOfPier"} <= set(state)

    mount.Park()
    wait_for(lambda: mount.AtPark)
    assert not mount.Tracking
    assert not mount.Slewing


def test_camera_cycle(running: RunningRig) -> None:
    """Connect, choose gain, bin and subframe, expose, download as ImageBytes, stop, abort."""
    camera = connected(Camera(address(running), 0))

    assert camera.CameraState is CameraStates.cameraIdle
    assert camera.SensorType is SensorType.RGGB
    assert (camera.BayerOffsetX, camera.BayerOffsetY) == (1, 0)
    assert not camera.ImageReady
    with pytest.raises(InvalidOperationException):
        _ = camera.ImageArray
    with pytest.raises(InvalidOperationException):
        _ = camera.LastExposureDuration
    with pytest.raises(NotImplementedException):
        _ = camera.Gains
    camera.Gain = camera.GainMax
    assert camera.Gain == camera.GainMax
    with pytest.raises(InvalidValueException):
        camera.BinX = camera.MaxBinX + 1
    with pytest.raises(InvalidValueException):
        camera.StartExposure(camera.ExposureMax * 2.0, True)

    camera.NumX, camera.NumY = 9999, 10
    with pytest.raises(InvalidValueException):
        camera.StartExposure(1.0, True)
    camera.StartX, camera.StartY, camera.NumX, camera.NumY = 0, 0, 640, 400
    started = time.monotonic()
    camera.StartExposure(4.0, True)
    assert camera.CameraState is CameraStates.cameraExposing
    wait_for(lambda: camera.ImageReady)
    assert time.monotonic() - started >= 4.0 / RATE
    image = np.array(camera.ImageArray)
    assert image.shape == (640, 400)
    info = camera.ImageArrayInfo
    assert info.TransmissionElementType == ImageArrayElementTypes.UInt16
    frame = running.camera.last_frame
    assert frame is not None
    assert np.array_equal(image, frame.T)
    assert camera.LastExposureDuration == pytest.approx(4.0)
    assert "T" in camera.LastExposureStartTime

    camera.BinX = 2
    assert camera.BinY == 2
    camera.StartX, camera.StartY, camera.NumX, camera.NumY = 10, 20, 100, 50
    camera.StartExposure(0.5, False)
    wait_for(lambda: camera.ImageReady)
    assert np.array(camera.ImageArray).shape == (100, 50)

    camera.StartExposure(3000.0, True)
    time.sleep(0.1)
    camera.StopExposure()
    wait_for(lambda: camera.ImageReady)
    assert camera.LastExposureDuration < 300.0

    camera.StartExposure(3000.0, True)
    camera.AbortExposure()
    assert camera.CameraState is CameraStates.cameraIdle
    assert not camera.ImageReady
    if camera.InterfaceVersion >= 4:
        state = {entry["Name"]: entry["Value"] for entry in camera.DeviceState}
        assert state["CameraState"] == 0
        camera.Disconnect()
        wait_for(lambda: not camera.Connecting)
        assert not camera.Connected
