"""What the standard's conformance checker tries, on the simulated rig, over HTTP."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Iterator

import numpy as np
import pytest
import requests
from sim.rig_bench import SMALL, RigBench, small_spec

from polewright.foundation.clock import SystemClock
from polewright_sim.server.small_devices import CoverDevice
from polewright_sim.spec import (
    CameraDriverSpec,
    CoverSpec,
    FocuserSpec,
    MisalignmentSpec,
    MountSpec,
    RoofSpec,
    SwitchSpec,
)

SCOPE = "telescope/0/"
CAMERA = "camera/0/"


@pytest.fixture
def bench() -> Iterator[RigBench]:
    bench = RigBench()
    yield bench
    bench.close()


@pytest.fixture
def ready(bench: RigBench) -> RigBench:
    """Unparked and tracking."""
    bench.put(SCOPE + "unpark")
    bench.put(SCOPE + "tracking", Tracking="True")
    return bench


# Telescope


def test_slewing_is_true_at_once_and_the_target_is_kept(ready: RigBench) -> None:
    """Async slews return at once with Slewing true, set the target, and end within 10 arcsec."""
    ra = (ready.get(SCOPE + "siderealtime") - 2.0) % 24.0
    for member in ("targetrightascension", "targetdeclination"):
        assert ready.get_error(SCOPE + member) == 0x402
    assert ready.put_error(SCOPE + "slewtotargetasync") == 0x402
    ready.put(SCOPE + "slewtocoordinatesasync", RightAscension=ra, Declination=15.0)

    assert ready.get(SCOPE + "slewing") is True
    assert ready.get(SCOPE + "targetrightascension") == pytest.approx(ra)
    assert ready.get(SCOPE + "targetdeclination") == 15.0
    ready.arrive()
    assert ready.get(SCOPE + "rightascension") == pytest.approx(ra, abs=10.0 / 3600.0 / 15.0)
    assert ready.get(SCOPE + "declination") == pytest.approx(15.0, abs=10.0 / 3600.0)
    ready.put(SCOPE + "targetdeclination", TargetDeclination=25.0)
    ready.put(SCOPE + "slewtotargetasync")
    ready.arrive()
    assert ready.get(SCOPE + "declination") == pytest.approx(25.0, abs=10.0 / 3600.0)


@pytest.mark.parametrize(("ra", "dec"), [(-1, 10), (25, 10), (24, 10), (5, 100), (5, -100)])
def test_impossible_coordinates_are_refused(ready: RigBench, ra: float, dec: float) -> None:
    """0x401 from every member that takes coordinates, and the target stays unset."""
    both: dict[str, object] = {"RightAscension": ra, "Declination": dec}
    for member in ("slewtocoordinatesasync", "synctocoordinates"):
        assert ready.put_error(SCOPE + member, **both) == 0x401
    assert ready.get_error(SCOPE + "destinationsideofpier", **both) == 0x401
    if dec == 10:
        member = "targetrightascension"
        assert ready.put_error(SCOPE + member, TargetRightAscension=ra) == 0x401
    else:
        member = "targetdeclination"
        assert ready.put_error(SCOPE + member, TargetDeclination=dec) == 0x401
    assert ready.get_error(SCOPE + member) == 0x402


@pytest.mark.parametrize(("az", "alt"), [(-10, 45), (370, 45), (100, 100), (100, -100)])
def test_impossible_horizon_coordinates_are_refused(bench: RigBench, az: float, alt: float) -> None:
    """0x401 for azimuth -10 or 370 and altitude 100 or -100."""
    bench.put(SCOPE + "unpark")

    assert bench.put_error(SCOPE + "slewtoaltazasync", Azimuth=az, Altitude=alt) == 0x401


def test_parked_mounts_refuse_motion(bench: RigBench) -> None:
    """0x408 from all that moves, but Tracking=False works; Park and Unpark may be repeated."""
    coordinates: dict[str, object] = {"RightAscension": 3.0, "Declination": 10.0}
    for member, form in (
        ("slewtocoordinatesasync", coordinates),
        ("synctocoordinates", coordinates),
        ("slewtoaltazasync", {"Azimuth": 10.0, "Altitude": 50.0}),
        ("moveaxis", {"Axis": 0, "Rate": 0.5}),
        ("pulseguide", {"Direction": 0, "Duration": 100}),
        ("abortslew", {}),
        ("findhome", {}),
        ("setpark", {}),
        ("tracking", {"Tracking": True}),
    ):
        assert bench.put_error(SCOPE + member, **form) == 0x408, member
    bench.put(SCOPE + "tracking", Tracking=False)
    bench.put(SCOPE + "park")
    bench.put(SCOPE + "park")
    assert bench.get(SCOPE + "atpark") is True
    bench.put(SCOPE + "unpark")
    bench.put(SCOPE + "unpark")
    assert bench.get(SCOPE + "atpark") is False
    assert bench.get(SCOPE + "tracking") is False


def test_park_is_polled(ready: RigBench) -> None:
    """In version 4 Park returns at once; AtPark turns true when the mount has arrived."""
    ra = (ready.get(SCOPE + "siderealtime") - 1.0) % 24.0
    ready.put(SCOPE + "slewtocoordinatesasync", RightAscension=ra, Declination=0.0)
    ready.arrive()
    ready.put(SCOPE + "park")

    assert ready.get(SCOPE + "atpark") is False
    ready.until(lambda: ready.get(SCOPE + "atpark"))
    assert ready.get(SCOPE + "slewing") is False


def test_what_the_flags_deny_is_an_error(ready: RigBench) -> None:
    """Each Can...=False goes with 0x400 from the member it is about."""
    denied = (
        ("cansetpierside", "sideofpier", {"SideOfPier": 0}),
        ("cansetrightascensionrate", "rightascensionrate", {"RightAscensionRate": 1.0}),
        ("cansetdeclinationrate", "declinationrate", {"DeclinationRate": 1.0}),
        ("canslew", "slewtocoordinates", {"RightAscension": 3.0, "Declination": 50.0}),
        ("canslewaltaz", "slewtoaltaz", {"Azimuth": 3.0, "Altitude": 50.0}),
        ("cansyncaltaz", "synctoaltaz", {"Azimuth": 3.0, "Altitude": 50.0}),
    )
    for flag, member, form in denied:
        assert ready.get(SCOPE + flag) is False
        assert ready.put_error(SCOPE + member, **form) == 0x400, member
    assert ready.get(SCOPE + "canmoveaxis", Axis=2) is False
    assert ready.put_error(SCOPE + "moveaxis", Axis=2, Rate=0.1) == 0x400


def test_move_axis_stays_inside_its_rates(ready: RigBench) -> None:
    """Rates do not overlap, 0 always works, more than the maximum is 0x401, Slewing follows."""
    rates = ready.get(SCOPE + "axisrates", Axis=0)
    top = max(rate["Maximum"] for rate in rates)
    edges = sorted((rate["Minimum"], rate["Maximum"]) for rate in rates)
    assert all(low <= high for low, high in edges)
    assert all(a[1] < b[0] for a, b in itertools.pairwise(edges))
    assert ready.get(SCOPE + "axisrates", Axis=2) == []
    for axis in (-1, 3):
        assert ready.get_error(SCOPE + "axisrates", Axis=axis) == 0x401
        assert ready.get_error(SCOPE + "canmoveaxis", Axis=axis) == 0x401

    for rate in (top * 1.1, -top * 1.1):
        assert ready.put_error(SCOPE + "moveaxis", Axis=0, Rate=rate) == 0x401
    ready.put(SCOPE + "moveaxis", Axis=0, Rate=top)
    assert ready.get(SCOPE + "slewing") is True
    ready.put(SCOPE + "moveaxis", Axis=0, Rate=0)
    ready.arrive()
    assert ready.get(SCOPE + "tracking") is True


def test_pulse_guiding_over_the_wire(ready: RigBench) -> None:
    """Asynchronous; a wrong direction or a negative time is 0x401."""
    ready.put(SCOPE + "pulseguide", Direction=2, Duration=20_000)

    assert ready.get(SCOPE + "ispulseguiding") is True
    ready.until(lambda: not ready.get(SCOPE + "ispulseguiding"))
    assert ready.get(SCOPE + "slewing") is False
    assert ready.put_error(SCOPE + "pulseguide", Direction=4, Duration=100) == 0x401
    assert ready.put_error(SCOPE + "pulseguide", Direction=0, Duration=-1) == 0x401


def test_destination_side_differs_across_the_meridian(ready: RigBench) -> None:
    """HA +3 h is pierEast (0), -3 h is pierWest (1)."""
    lst = ready.get(SCOPE + "siderealtime")
    sides = [
        ready.get(SCOPE + "destinationsideofpier", RightAscension=(lst - h) % 24.0, Declination=5)
        for h in (3.0, -3.0)
    ]

    assert sides == [0, 1]


@pytest.mark.parametrize(
    ("member", "key", "good", "bad"),
    [
        ("sitelatitude", "SiteLatitude", 33.5, 91),
        ("sitelongitude", "SiteLongitude", -120.25, 181),
        ("siteelevation", "SiteElevation", 1500, 10001),
        ("slewsettletime", "SlewSettleTime", 3, -1),
        ("trackingrate", "TrackingRate", 1, 5),
        ("guideraterightascension", "GuideRateRightAscension", 0.002, -1),
        ("guideratedeclination", "GuideRateDeclination", 0.003, 10),
        ("targetrightascension", "TargetRightAscension", 23.9, 24),
        ("targetdeclination", "TargetDeclination", -90, 90.1),
    ],
)
def test_settings_are_kept_within_limits(
    ready: RigBench, member: str, key: str, good: float, bad: float
) -> None:
    """What is written is read back, out of range is 0x401 and changes nothing."""
    ready.put(SCOPE + member, **{key: good})

    assert ready.put_error(SCOPE + member, **{key: bad}) == 0x401
    assert ready.get(SCOPE + member) == pytest.approx(good)


def test_the_clock_of_the_mount_can_be_set(bench: RigBench) -> None:
    """UTCDate is ISO 8601 with Z, written with or without it, and turns sidereal time along."""
    before = bench.get(SCOPE + "siderealtime")
    now = bench.get(SCOPE + "utcdate")
    bench.put(SCOPE + "utcdate", UTCDate="2026-03-01T12:34:56.1234567")

    assert now.endswith("Z")
    assert bench.get(SCOPE + "utcdate").startswith("2026-03-01T12:3")
    assert abs(bench.get(SCOPE + "siderealtime") - before) > 0.1
    for text in ("yesterday", "2026-13-01T00:00:00Z", "2026-03-01"):
        assert bench.put_error(SCOPE + "utcdate", UTCDate=text) == 0x401


def test_synchronous_members_of_version_3_block() -> None:
    """Park and slews return when they are done; there are no synchronous slews in version 4."""
    bench = RigBench(
        small_spec(mount=MountSpec(interface_version=3, altitude_min_deg=-10.0)), rate=100.0
    )
    try:
        bench.put(SCOPE + "unpark")
        bench.put(SCOPE + "tracking", Tracking=True)
        assert bench.get(SCOPE + "canslew") is True
        ra = (bench.get(SCOPE + "siderealtime") - 1.0) % 24.0
        bench.put(SCOPE + "slewtocoordinates", RightAscension=ra, Declination=20.0)
        assert bench.get(SCOPE + "slewing") is False
        assert bench.get(SCOPE + "declination") == pytest.approx(20.0, abs=1e-3)
        bench.put(SCOPE + "park")
        assert bench.get(SCOPE + "atpark") is True
    finally:
        bench.close()


def test_optional_reports_may_be_missing() -> None:
    """A mount may not know its side; then both members are 0x400."""
    spec = MountSpec(reports_pier_side=False, reports_destination_side=False, can_move_axis=False)
    bench = RigBench(small_spec(mount=spec))
    try:
        assert bench.get_error(SCOPE + "sideofpier") == 0x400
        both: dict[str, object] = {"RightAscension": 1, "Declination": 1}
        assert bench.get_error(SCOPE + "destinationsideofpier", **both) == 0x400
        assert bench.get(SCOPE + "canmoveaxis", Axis=0) is False
        assert bench.get(SCOPE + "axisrates", Axis=0) == []
        state = {entry["Name"] for entry in bench.get(SCOPE + "devicestate")}
        assert "SideOfPier" not in state
        assert "Slewing" in state
    finally:
        bench.close()


def test_fast_members_answer_fast(ready: RigBench) -> None:
    """Within 0.1 s, as the checker wants (median of some, the machine may be busy)."""
    for member in ("rightascension", "devicestate", "sideofpier", "siderealtime"):
        took = []
        for _ in range(7):
            started = time.monotonic()
            ready.get(SCOPE + member)
            took.append(time.monotonic() - started)
        assert sorted(took)[3] < 0.1, member


# Camera


def expose(bench: RigBench, duration_s: float = 2.0, light: bool = True) -> None:
    bench.put(CAMERA + "startexposure", Duration=duration_s, Light=light)
    bench.until(lambda: bench.get(CAMERA + "imageready"))


def test_before_an_image_there_is_none(bench: RigBench) -> None:
    """ImageReady false, the image and what is told about the last one 0x40B."""
    assert bench.get(CAMERA + "imageready") is False
    for member in (
        "imagearray",
        "imagearrayvariant",
        "lastexposureduration",
        "lastexposurestarttime",
        "percentcompleted",
    ):
        assert bench.get_error(CAMERA + member) == 0x40B
    accept = {"Accept": "application/imagebytes"}
    url = f"{bench.running.url}/api/v1/{CAMERA}imagearray"
    assert requests.get(url, headers=accept, timeout=300).json()["ErrorNumber"] == 0x40B


def test_an_exposure_passes_its_states_and_is_never_early() -> None:
    """Exposing, then idle with an image; not ready before the full duration has passed."""
    bench = RigBench(rate=10.0)
    try:
        clock = bench.rig.clock
        before = clock.utc_s()
        bench.put(CAMERA + "startexposure", Duration=5.0, Light=True)
        started = clock.utc_s()
        assert bench.get(CAMERA + "camerastate") == 2
        assert bench.put_error(CAMERA + "startexposure", Duration=5.0, Light=True) == 0x40B
        assert 0 <= bench.get(CAMERA + "percentcompleted") <= 100
        states = set()
        while not bench.get(CAMERA + "imageready"):
            states.add(bench.get(CAMERA + "camerastate"))
            assert clock.utc_s() - started < 3000.0
        assert clock.utc_s() - before > 4.999
        assert states <= {0, 2, 3, 4}
        assert 2 in states
        assert bench.get(CAMERA + "camerastate") == 0
        assert bench.get(CAMERA + "percentcompleted") == 100
        assert bench.get(CAMERA + "lastexposureduration") == pytest.approx(5.0)
        told = bench.get(CAMERA + "lastexposurestarttime")
        told_s = np.datetime64(told).astype("datetime64[ms]").astype(float) / 1e3
        assert before - 0.01 <= told_s <= started + 0.01
    finally:
        bench.close()


def test_the_renderer_gets_the_true_pointing_of_the_exposure(bench: RigBench) -> None:
    """Attitudes over the exposure, its middle, and nothing else; the truth is kept beside it."""
    expose(bench, 4.0)
    asked = bench.renderer.asked[-1]
    record = bench.rig.recorded[-1]

    assert asked["exposure_s"] == 4.0
    assert asked["utc_mid_s"] == pytest.approx(record.exposure.start_s + 2.0)
    assert asked["attitudes"].shape[1:] == (3, 3)
    assert np.allclose(asked["attitudes"][len(asked["attitudes"]) // 2], record.attitude)
    assert asked["light"] is True
    assert record.quiet


def test_motion_during_an_exposure_is_sampled_finely(ready: RigBench) -> None:
    """A turning knob or a slew gives many different attitudes, tracking only a few."""
    ready.rig.turn_knobs(azimuth_arcmin=60.0)
    expose(ready, 4.0)
    moving = ready.renderer.asked[-1]["attitudes"]
    ready.rig.clock.sleep(20.0)
    expose(ready, 4.0)
    quiet = ready.renderer.asked[-1]["attitudes"]

    assert len(moving) > 50
    assert len(quiet) < 10
    assert not ready.rig.recorded[0].quiet
    turned = np.linalg.norm(moving[0] - moving[-1])
    assert turned > 10.0 * np.linalg.norm(quiet[0] - quiet[-1])


def test_subframes_and_bins_are_checked_at_the_start(bench: RigBench) -> None:
    """Sizes over the binned sensor, or starts beyond it, are 0x401 from StartExposure."""
    wrong = (
        (1, 0, 0, 61, 40),
        (1, 0, 0, 60, 41),
        (1, 1, 0, 60, 40),
        (1, 0, -1, 10, 10),
        (1, 60, 0, 1, 1),
        (2, 0, 0, 31, 20),
        (1, 0, 0, 0, 40),
    )
    for binning, x, y, width, height in wrong:
        geometry(bench, binning, x, y, width, height)
        assert bench.put_error(CAMERA + "startexposure", Duration=1, Light=True) == 0x401
    for value in (0, SMALL.max_binning + 1, -1):
        assert bench.put_error(CAMERA + "binx", BinX=value) == 0x401
    geometry(bench, 2, 3, 4, 20, 10)
    expose(bench)
    assert bench.renderer.asked[-1]["subframe"] == (3, 4, 20, 10)
    assert bench.renderer.asked[-1]["binning"] == 2
    assert np.array(bench.get(CAMERA + "imagearray")).shape == (20, 10)


def geometry(bench: RigBench, binning: int, x: int, y: int, width: int, height: int) -> None:
    for member, value in (
        ("BinX", binning),
        ("BinY", binning),
        ("StartX", x),
        ("StartY", y),
        ("NumX", width),
        ("NumY", height),
    ):
        bench.put(CAMERA + member.lower(), **{member: value})
        assert bench.get(CAMERA + member.lower()) == value


def test_exposure_limits(bench: RigBench) -> None:
    """Outside ExposureMin to ExposureMax is 0x401; Light is required."""
    most = bench.get(CAMERA + "exposuremax")

    assert bench.put_error(CAMERA + "startexposure", Duration=most + 1, Light=True) == 0x401
    assert bench.put_error(CAMERA + "startexposure", Duration=-1, Light=True) == 0x401
    only = {"Duration": 1.0}
    assert bench.request("PUT", CAMERA + "startexposure", {**only}).status_code == 400


def test_abort_discards_and_stop_keeps(bench: RigBench) -> None:
    """After an abort there is no image and the camera is idle; after a stop there is one."""
    bench.put(CAMERA + "startexposure", Duration=1000, Light=True)
    bench.put(CAMERA + "abortexposure")
    assert bench.get(CAMERA + "camerastate") == 0
    assert bench.get(CAMERA + "imageready") is False
    expose(bench, 1.0)
    bench.put(CAMERA + "abortexposure")  # nothing runs: nothing is lost
    assert bench.get(CAMERA + "imageready") is True

    bench.put(CAMERA + "startexposure", Duration=2000, Light=True)
    assert bench.get(CAMERA + "imageready") is False
    bench.put(CAMERA + "stopexposure")
    bench.until(lambda: bench.get(CAMERA + "imageready"))
    assert bench.get(CAMERA + "lastexposureduration") < 1000.0


def test_a_failed_exposure_is_told_by_image_ready(
    bench: RigBench, caplog: pytest.LogCaptureFixture
) -> None:
    """State 5 and a driver error; the next exposure works again."""
    bench.renderer.fault = RuntimeError("sensor on fire")
    bench.put(CAMERA + "startexposure", Duration=0.5, Light=True)
    bench.until(lambda: bench.get(CAMERA + "camerastate") == 5)
    document = bench.request("GET", CAMERA + "imageready").json()

    assert document["ErrorNumber"] == 0x500
    assert "sensor on fire" in document["ErrorMessage"]
    assert "sensor on fire" in caplog.text
    bench.renderer.fault = None
    expose(bench, 0.5)


@pytest.mark.parametrize("mode", ["values", "names", "none"])
@pytest.mark.parametrize("kind", ["gain", "offset"])
def test_gain_and_offset_have_three_modes(kind: str, mode: str) -> None:
    """Values with limits, or an index of names, or nothing at all."""
    settings: dict[str, object] = {f"{kind}_mode": mode, kind: 1}
    bench = RigBench(small_spec(camera=CameraDriverSpec(**settings)))
    title = kind.title()
    try:
        with_limits = mode == "values"
        for member in (f"{kind}min", f"{kind}max"):
            assert bench.get_error(CAMERA + member) == (0 if with_limits else 0x400)
        assert bench.get_error(f"{CAMERA}{kind}s") == (0 if mode == "names" else 0x400)
        assert bench.get_error(CAMERA + kind) == (0 if mode != "none" else 0x400)
        if mode == "none":
            assert bench.put_error(CAMERA + kind, **{title: 1}) == 0x400
            return
        most = (
            bench.get(f"{CAMERA}{kind}max")
            if with_limits
            else len(bench.get(f"{CAMERA}{kind}s")) - 1
        )
        bench.put(CAMERA + kind, **{title: most})
        assert bench.get(CAMERA + kind) == most
        assert bench.put_error(CAMERA + kind, **{title: most + 1}) == 0x401
        assert bench.put_error(CAMERA + kind, **{title: -1}) == 0x401
    finally:
        bench.close()


def test_mosaic_members_are_absent_on_a_mono_sensor(bench: RigBench) -> None:
    """0x400 when mono; a colour sensor tells its offsets."""
    assert bench.get(CAMERA + "sensortype") == 0
    assert bench.get_error(CAMERA + "bayeroffsetx") == 0x400
    colour = RigBench(
        small_spec(sensor=SMALL.model_copy(update={"bayer": True, "bayer_offset": (1, 0)}))
    )
    try:
        assert colour.get(CAMERA + "sensortype") == 2
        assert colour.get(CAMERA + "bayeroffsetx") == 1
        assert colour.get(CAMERA + "bayeroffsety") == 0
    finally:
        colour.close()


def test_what_a_camera_cannot_do_is_refused() -> None:
    """Without cooler, abort and stop their members are 0x400, and the flags say so."""
    spec = CameraDriverSpec(cooler=False, can_abort=False, can_stop=False)
    bench = RigBench(small_spec(camera=spec))
    try:
        for flag in (
            "canabortexposure",
            "canstopexposure",
            "cansetccdtemperature",
            "cangetcoolerpower",
            "canpulseguide",
            "canfastreadout",
            "canasymmetricbin",
        ):
            assert bench.get(CAMERA + flag) is False
        for member in ("ccdtemperature", "cooleron", "coolerpower", "setccdtemperature"):
            assert bench.get_error(CAMERA + member) == 0x400
        for member in ("abortexposure", "stopexposure"):
            assert bench.put_error(CAMERA + member) == 0x400
        assert bench.put_error(CAMERA + "pulseguide", Direction=0, Duration=1) == 0x400
    finally:
        bench.close()


def test_the_cooler_cools(bench: RigBench) -> None:
    """Slowly, to its target, and warms up again when switched off."""
    bench.put(CAMERA + "setccdtemperature", SetCCDTemperature=0.0)
    bench.put(CAMERA + "cooleron", CoolerOn=True)
    assert bench.get(CAMERA + "ccdtemperature") > 5.0
    bench.until(lambda: bench.get(CAMERA + "ccdtemperature") == pytest.approx(0.0))

    assert 0.0 < bench.get(CAMERA + "coolerpower") < 100.0
    assert bench.put_error(CAMERA + "setccdtemperature", SetCCDTemperature=-280.0) == 0x401
    bench.put(CAMERA + "cooleron", CoolerOn=False)
    bench.until(lambda: bench.get(CAMERA + "ccdtemperature") == pytest.approx(10.0))


# The small devices


def test_the_safety_monitor_says_what_it_is_told(bench: RigBench) -> None:
    """Safe until told otherwise, over the rig's control API."""
    assert bench.get("safetymonitor/0/issafe") is True
    url = f"{bench.running.url}/rig/safety"
    assert requests.post(url, json={"safe": False}, timeout=300).json()["safe"] is False
    assert bench.get("safetymonitor/0/issafe") is False
    assert requests.post(url, json={"safe": 1.5}, timeout=300).status_code == 400


def test_a_closed_cover_hides_the_sky() -> None:
    """It opens in its time, can be halted half-way, and frames are dark until it is open."""
    bench = RigBench(small_spec(cover=CoverSpec(starts_open=False, move_s=20.0)))
    cover = "covercalibrator/0/"
    try:
        assert bench.get(cover + "coverstate") == 1
        expose(bench, 0.5)
        assert bench.renderer.asked[-1]["light"] is False
        bench.put(cover + "opencover")
        assert bench.get(cover + "coverstate") == 2
        assert bench.get(cover + "covermoving") is True
        bench.put(cover + "haltcover")
        assert bench.get(cover + "coverstate") == 4
        bench.put(cover + "opencover")
        bench.until(lambda: bench.get(cover + "coverstate") == 3)
        expose(bench, 0.5)
        assert bench.renderer.asked[-1]["light"] is True
        assert bench.put_error(cover + "calibratoron", Brightness=256) == 0x401
        bench.put(cover + "calibratoron", Brightness=100)
        assert bench.get(cover + "calibratorstate") == 2
        bench.until(lambda: bench.get(cover + "calibratorstate") == 3)
        assert bench.get(cover + "brightness") == 100
        bench.put(cover + "calibratoroff")
        assert bench.get(cover + "calibratorstate") == 1
    finally:
        bench.close()


def test_a_closed_roof_hides_the_sky() -> None:
    """It opens in its time; halted half-way its shutter is in error, and frames are dark."""
    bench = RigBench(small_spec(roof=RoofSpec(starts_open=False, move_s=20.0)))
    roof = "dome/0/"
    try:
        assert bench.get(roof + "shutterstatus") == 1
        bench.put(roof + "openshutter")
        assert bench.get(roof + "shutterstatus") == 2
        bench.put(roof + "abortslew")
        assert bench.get(roof + "shutterstatus") == 4
        expose(bench, 0.5)
        assert bench.renderer.asked[-1]["light"] is False
        bench.put(roof + "openshutter")
        bench.until(lambda: bench.get(roof + "shutterstatus") == 0)
        expose(bench, 0.5)
        assert bench.renderer.asked[-1]["light"] is True
        bench.put(roof + "closeshutter")
        assert bench.get(roof + "shutterstatus") == 3
        assert bench.put_error(roof + "findhome") == 0x400
    finally:
        bench.close()


def test_a_cover_that_takes_no_time_is_where_it_was_told_to_be() -> None:
    """Opened and closed at once; told twice, it stays."""
    device = CoverDevice(
        CoverSpec(starts_open=False, move_s=0.0), SystemClock(), name="lid", unique_id="lid"
    )
    for _ in range(2):
        device.put_opencover()
        assert (device.open, device.get_coverstate()) == (True, 3)
    device.put_closecover()
    assert (device.open, device.get_coverstate()) == (False, 1)


def test_the_focuser_defocuses() -> None:
    """The disc grows by steps over the focal ratio; ends limit moves; halt stops."""
    bench = RigBench(small_spec(focuser=FocuserSpec(steps_per_s=1000.0)))
    focuser = "focuser/0/"
    ratio = bench.rig.spec.optics.focal_length_mm / bench.rig.spec.optics.aperture_mm
    try:
        start = bench.get(focuser + "position")
        bench.put(focuser + "move", Position=start + 500)
        bench.until(lambda: not bench.get(focuser + "ismoving"))
        assert bench.get(focuser + "position") == start + 500
        expose(bench, 0.5)
        assert bench.renderer.asked[-1]["optics"].defocus_um == pytest.approx(2000.0 / ratio)
        bench.put(focuser + "move", Position=-10)
        assert bench.get(focuser + "ismoving") is True
        bench.put(focuser + "halt")
        assert bench.get(focuser + "ismoving") is False
        bench.put(focuser + "move", Position=-10)
        bench.until(lambda: not bench.get(focuser + "ismoving"))
        assert bench.get(focuser + "position") == 0
        assert bench.put_error(focuser + "tempcomp", TempComp=True) == 0x400
    finally:
        bench.close()


def test_switches_know_their_limits() -> None:
    """Ids and values out of range are 0x401, read-only ones and async forms 0x400."""
    switches = (
        SwitchSpec(name="lamp"),
        SwitchSpec(name="heater", maximum=100.0, value=20.0),
        SwitchSpec(name="volts", maximum=15.0, value=12.0, can_write=False),
    )
    bench = RigBench(small_spec(switches=switches))
    switch = "switch/0/"
    try:
        assert bench.get(switch + "maxswitch") == 3
        for number in (-1, 3):
            assert bench.get_error(switch + "getswitch", Id=number) == 0x401
            assert bench.put_error(switch + "setswitch", Id=number, State=True) == 0x401
        bench.put(switch + "setswitch", Id=0, State=True)
        assert bench.get(switch + "getswitchvalue", Id=0) == 1.0
        bench.put(switch + "setswitchvalue", Id=1, Value=0.0)
        assert bench.get(switch + "getswitch", Id=1) is False
        assert bench.put_error(switch + "setswitchvalue", Id=1, Value=100.5) == 0x401
        assert bench.put_error(switch + "setswitchvalue", Id=2, Value=1.0) == 0x400
        assert bench.get(switch + "canwrite", Id=2) is False
        assert bench.put_error(switch + "setasync", Id=0, State=True) == 0x400
        bench.put(switch + "setswitchname", Id=0, Name="desk lamp")
        assert bench.get(switch + "getswitchname", Id=0) == "desk lamp"
        state = {entry["Name"]: entry["Value"] for entry in bench.get(switch + "devicestate")}
        assert state["GetSwitchValue2"] == 12.0
    finally:
        bench.close()


# The rig's own control API


def test_the_truth_and_the_knobs_are_served() -> None:
    """Knobs turned over HTTP move the axis that the truth tells; mistakes are 400 with a text."""
    bench = RigBench(small_spec(misalignment=MisalignmentSpec(alt_arcmin=30.0, az_arcmin=-20.0)))
    base = f"{bench.running.url}/rig"
    try:
        axis = requests.get(base + "/truth", timeout=300).json()["axis"]
        assert axis["alt_arcmin"] == pytest.approx(30.0)
        assert axis["az_sky_arcmin"] == pytest.approx(-20.0)
        form = {"altitude_arcmin": -30.0, "azimuth_turns": 0.1, "wait": True}
        answer = requests.post(base + "/adjusters", json=form, timeout=300).json()
        assert [turn["knob"] for turn in answer["turns"]] == ["altitude", "azimuth"]
        assert answer["rest_in_s"] == 0.0
        report = requests.get(base + "/truth", timeout=300).json()
        assert report["axis"]["alt_arcmin"] == pytest.approx(0.0, abs=1e-4)
        assert report["adjusters"]["azimuth"]["axis_arcmin"] == pytest.approx(6.0)
        assert report["mount"]["at_park"] is True
        history = requests.get(base + "/adjusters", timeout=300).json()["history"]
        assert len(history) == 2
        for body in ({"altitude": 1}, {"altitude_arcmin": "much"}, {"altitude_arcmin": 1e9}):
            wrong = requests.post(base + "/adjusters", json=body, timeout=300)
            assert wrong.status_code == 400
            assert "altitude" in wrong.text
        mishap = {"sink_east_arcmin": 10.0}
        requests.post(base + "/mishaps", json=mishap, timeout=300).raise_for_status()
        moved = requests.get(base + "/truth", timeout=300).json()["axis"]
        # about north, an axis at altitude 50 deg is carried east by the sine of that
        shift = moved["az_sky_arcmin"] - report["axis"]["az_sky_arcmin"]
        assert shift == pytest.approx(10.0 * math.sin(math.radians(50.0)), abs=0.1)
        spec = requests.get(base + "/spec", timeout=300).json()
        assert spec["misalignment"] == {"alt_arcmin": 30.0, "az_arcmin": -20.0}
    finally:
        bench.close()
