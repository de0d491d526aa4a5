"""The fault layer of the rig: every kind, when faults begin and end, scenarios, control."""

from __future__ import annotations

import struct
import time
from collections.abc import Iterator
from typing import Any, cast

import numpy as np
import pytest
import requests

from polewright.foundation.angles import ARCMIN
from polewright.foundation.clock import SystemClock
from polewright_sim.fault_kinds import KINDS, catalogue_text
from polewright_sim.faults.faults import EFFECTS
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import BadScenario, Fault, Scenario, scenario_from_text
from polewright_sim.server.server import RunningRig, serve
from polewright_sim.sky.disturbance import Shutter
from polewright_sim.spec import RigSpec


class Clock(SystemClock):
    """A clock that stands still until it is moved on."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 1795210200.0

    def utc_s(self) -> float:
        return self.now_s

    def sleep(self, seconds: float, cancel=None) -> None:
        time.sleep(0.001)


def blank(*given: Any, **_more: Any) -> Any:
    """A renderer that costs nothing: noise."""
    _sky, _optics, sensor, _attitudes, _utc_mid_s, _exposure_s, rng = given
    return rng.integers(690, 710, (sensor.height, sensor.width)).astype(np.uint16)


@pytest.fixture
def running() -> Iterator[RunningRig]:
    spec = RigSpec.model_validate(
        {"sensor": {"width": 64, "height": 48}, "camera": {"readout_s": 0.0}}
    )
    with serve(SimulatedRig(spec, Clock(), renderer=blank)) as rig:
        for device in rig.devices:
            device._connected = True
        yield rig


def get(running: RunningRig, path: str, **params) -> requests.Response:
    return requests.get(
        f"{running.url}/api/v1/{path}", params={"ClientTransactionID": 5, **params}, timeout=5
    )


def put(running: RunningRig, path: str, **data) -> requests.Response:
    return requests.put(f"{running.url}/api/v1/{path}", data=data, timeout=300)


def spoil(running: RunningRig, kind: str, **more) -> int:
    return running.load_faults(Scenario(fault=(Fault(kind=kind, **more),)))[0]


def image(running: RunningRig) -> None:
    """Expose an image of length 0."""
    running.camera.put_startexposure(0.001, True)
    cast("Any", running.rig.clock).now_s += 1.0
    deadline = time.monotonic() + 300.0
    while not running.camera.get_imageready():
        assert time.monotonic() < deadline
        time.sleep(0.002)


def image_bytes(running: RunningRig) -> bytes:
    answer = requests.get(
        f"{running.url}/api/v1/camera/0/imagearray",
        headers={"Accept": "application/imagebytes"},
        timeout=300,
    )
    return answer.content


def test_every_kind_has_an_effect_unless_it_befalls_the_computer() -> None:
    """Catalogue and effects name the same kinds."""
    assert set(EFFECTS) == {name for name, kind in KINDS.items() if kind.layer != "host"}
    for name, kind in KINDS.items():
        effect = EFFECTS.get(name)
        if kind.layer == "wire":
            assert effect is not None
            assert effect.wire is not None
        if kind.layer == "sky":
            assert effect is not None
            assert effect.spoil is not None


def test_the_catalogue_says_a_line_about_every_kind_and_parameter() -> None:
    """The printed list holds every name."""
    text = catalogue_text()
    for name, kind in KINDS.items():
        assert f"\n{name} " in f"\n{text}"
        for parameter in kind.parameters:
            assert f" {parameter} = " in text


# When


def test_a_fault_begins_and_ends_by_the_rigs_clock(running) -> None:
    """after_s and duration_s are seconds of the rig's clock since the scenario was loaded."""
    spoil(running, "http_500", member="tracking", after_s=10.0, duration_s=20.0)
    codes = []
    for step_s in (0.0, 9.0, 2.0, 18.0, 2.0):
        running.rig.clock.now_s += step_s
        codes.append(get(running, "telescope/0/tracking").status_code)
    assert codes == [200, 200, 500, 500, 200]


def test_a_fault_begins_with_a_call_and_lasts_for_some(running) -> None:
    """at_call counts matching calls only; calls is how many it changes."""
    spoil(running, "http_500", member="tracking", at_call=2, calls=2)
    assert get(running, "telescope/0/slewing").status_code == 200
    codes = [get(running, "telescope/0/tracking").status_code for _ in range(5)]
    assert codes == [200, 500, 500, 200, 200]


def test_a_single_call_is_meant_when_only_its_number_is_given(running) -> None:
    """at_call alone strikes once."""
    spoil(running, "http_500", member="tracking", at_call=1)
    codes = [get(running, "telescope/0/tracking").status_code for _ in range(2)]
    assert codes == [500, 200]


def test_probability_is_drawn_for_each_call_from_the_seed(running) -> None:
    """A storm of one half strikes about half of the calls, the same ones with the same seed."""
    storms = []
    for _ in range(2):
        running.faults.clear()
        running.load_faults(
            Scenario(fault=(Fault(kind="http_500", member="tracking", probability=0.5),), seed=3)
        )
        storms.append([get(running, "telescope/0/tracking").status_code for _ in range(40)])
    assert 8 < storms[0].count(500) < 32
    assert storms[0] == storms[1]


def test_a_method_can_be_told(running) -> None:
    """Only PUTs are hit when the fault says so."""
    spoil(running, "error_number", member="tracking", method="PUT", device="telescope")
    assert get(running, "telescope/0/tracking").json()["ErrorNumber"] == 0
    assert put(running, "telescope/0/tracking", Tracking="True").json()["ErrorNumber"] == 1280


# Answers


def test_an_answer_is_late(running) -> None:
    """Latency is real time."""
    spoil(running, "latency", member="tracking", parameters={"seconds": 0.3})
    started = time.monotonic()
    assert get(running, "telescope/0/tracking").status_code == 200
    assert time.monotonic() - started > 0.28


@pytest.mark.parametrize("kind", ["dropped", "hang"])
def test_an_answer_is_lost_though_the_command_was_carried_out(running, kind) -> None:
    """The connection closes and the mount tracks all the same."""
    more = {"seconds": 0.1} if kind == "hang" else {}
    spoil(running, kind, member="tracking", method="PUT", parameters=more)
    running.rig.mount.unpark(running.rig.clock.utc_s())
    with pytest.raises(requests.ConnectionError):
        put(running, "telescope/0/tracking", Tracking="True")
    assert running.rig.mount.tracking


def test_a_dropped_command_can_be_lost_as_well(running) -> None:
    """carried_out = false: the device never hears of it."""
    spoil(running, "dropped", member="tracking", method="PUT", parameters={"carried_out": False})
    running.rig.mount.unpark(running.rig.clock.utc_s())
    with pytest.raises(requests.ConnectionError):
        put(running, "telescope/0/tracking", Tracking="True")
    assert not running.rig.mount.tracking


def test_half_of_an_answer_comes(running) -> None:
    """The body ends before the announced length."""
    spoil(running, "half_sent", member="tracking")
    with pytest.raises((requests.ConnectionError, requests.exceptions.ChunkedEncodingError)):
        get(running, "telescope/0/tracking")


def test_answers_that_are_no_answers(running) -> None:
    """Web page, wrong id, wrong type, error number."""
    number = spoil(running, "not_json", member="tracking")
    assert get(running, "telescope/0/tracking").text.startswith("<!DOCTYPE")
    running.faults.remove(number)
    number = spoil(running, "wrong_transaction", member="tracking")
    assert get(running, "telescope/0/tracking").json()["ClientTransactionID"] == 1022
    running.faults.remove(number)
    number = spoil(running, "bad_value", member="tracking", parameters={"value": "none"})
    assert get(running, "telescope/0/tracking").json()["Value"] == "none"
    running.faults.remove(number)
    spoil(running, "error_number", member="tracking", parameters={"number": 1300})
    assert get(running, "telescope/0/tracking").json()["ErrorNumber"] == 1300


# Images


def test_images_are_spoilt(running) -> None:
    """Truncated, mislabelled (two ways), and empty ImageBytes, of one and the same image."""
    image(running)
    whole = image_bytes(running)
    spoiled = {}
    for kind, parameters in (
        ("image_truncated", {"share": 0.5}),
        ("image_mislabelled", {}),
        ("image_mislabelled", {"how": "type"}),
        ("image_empty", {}),
    ):
        number = spoil(running, kind, parameters=parameters)
        spoiled[kind, *parameters] = image_bytes(running)
        running.faults.remove(number)
    assert len(spoiled["image_truncated", "share"]) == 44 + (len(whole) - 44) // 2
    assert struct.unpack_from("<ii", whole, 32) == (64, 48)
    assert struct.unpack_from("<ii", spoiled["image_mislabelled",], 32) == (48, 64)
    assert spoiled["image_mislabelled", "how"][24:28] == struct.pack("<i", 2)
    assert not any(spoiled["image_empty",][44:])
    assert any(whole[44:])


def test_an_old_image_comes_again(running) -> None:
    """Image and start time of the first exposure are handed out for the second."""
    image(running)
    spoil(running, "image_old")
    first = get(running, "camera/0/lastexposurestarttime").json()["Value"]
    running.rig.clock.now_s += 30.0
    image(running)
    assert get(running, "camera/0/lastexposurestarttime").json()["Value"] == first
    running.faults.clear()
    assert get(running, "camera/0/lastexposurestarttime").json()["Value"] != first


@pytest.mark.parametrize(
    ("parameters", "same"),
    [
        ({"start": "fresh"}, [True, True, True]),
        ({"start": "missing", "every": 2}, [True, False, True]),
        ({"only": "subframes"}, [True, False, False]),
    ],
)
def test_old_images_come_as_asked(running, parameters, same) -> None:
    """Always or every second one, with a fresh start time or none; whole frames may be right."""
    spoil(running, "image_old", parameters=parameters)
    found = []
    for _ in same:
        image(running)
        found.append(image_bytes(running)[44:])
        running.rig.clock.now_s += 30.0
    assert [pixels == found[0] for pixels in found] == same
    start = get(running, "camera/0/lastexposurestarttime").json()
    assert (start["ErrorNumber"] == 0x400) == (parameters.get("start") == "missing")


def test_an_image_is_late(running) -> None:
    """ImageReady stays False, in devicestate too."""
    image(running)
    spoil(running, "image_late")
    assert get(running, "camera/0/imageready").json()["Value"] is False
    state = get(running, "camera/0/devicestate").json()["Value"]
    assert {"Name": "ImageReady", "Value": False} in state


# Drivers that lie or lack


@pytest.mark.parametrize(("kind", "told"), [("slewing_stuck_true", True)])
def test_slewing_lies(running, kind, told) -> None:
    """In the property and in devicestate."""
    spoil(running, kind)
    assert get(running, "telescope/0/slewing").json()["Value"] is told
    state = get(running, "telescope/0/devicestate").json()["Value"]
    assert {"Name": "Slewing", "Value": told} in state


def test_slewing_reads_false_while_the_mount_moves(running) -> None:
    """The truth differs."""
    mount, now = running.rig.mount, running.rig.clock.utc_s()
    mount.unpark(now)
    mount.move_axis(0, 0.01, now)
    assert get(running, "telescope/0/slewing").json()["Value"] is True
    spoil(running, "slewing_false_early")
    assert get(running, "telescope/0/slewing").json()["Value"] is False


def test_connected_lies(running) -> None:
    """Connected reads True and nothing else works."""
    spoil(running, "connected_lies", device="telescope")
    assert get(running, "telescope/0/connected").json()["Value"] is True
    assert get(running, "telescope/0/slewing").json()["ErrorNumber"] == 0x407
    assert get(running, "camera/0/camerastate").json()["ErrorNumber"] == 0


def test_connecting_does_nothing(running) -> None:
    """No error, no connection."""
    running.telescope._connected = False
    spoil(running, "connect_ignored", device="telescope")
    assert put(running, "telescope/0/connect").json()["ErrorNumber"] == 0
    assert put(running, "telescope/0/connected", Connected="True").json()["ErrorNumber"] == 0
    assert get(running, "telescope/0/connected").json()["Value"] is False


@pytest.mark.parametrize(
    ("version", "missing"),
    [
        (1, {"devicestate", "sensortype", "offset"}),
        (2, {"devicestate", "offset"}),
        (3, {"devicestate"}),
    ],
)
def test_an_old_interface_lacks_what_came_later(running, version, missing) -> None:
    """Members of later versions answer 400."""
    spoil(running, "old_interface", device="camera", parameters={"version": version})
    assert get(running, "camera/0/interfaceversion").json()["Value"] == version
    asked = ("devicestate", "sensortype", "offset", "camerastate")
    assert {m for m in asked if get(running, f"camera/0/{m}").status_code == 400} == missing


def test_members_are_missing_in_two_ways(running) -> None:
    """By error number and by HTTP status."""
    number = spoil(running, "members_missing", member="utcdate")
    assert get(running, "telescope/0/utcdate").json()["ErrorNumber"] == 0x400
    running.faults.remove(number)
    spoil(running, "members_missing", member="utcdate", parameters={"how": "400"})
    assert get(running, "telescope/0/utcdate").status_code == 400


def test_the_camera_state_is_stuck(running) -> None:
    """It reads what the fault says."""
    spoil(running, "camera_stuck", parameters={"state": 3})
    assert get(running, "camera/0/camerastate").json()["Value"] == 3


# Devices and mechanics


def test_a_restarting_camera_is_gone_and_then_not_connected(running) -> None:
    """Connections drop for the duration; afterwards the driver wants to be connected."""
    spoil(running, "device_restart", duration_s=10.0)
    with pytest.raises(requests.ConnectionError):
        get(running, "camera/0/camerastate")
    assert get(running, "telescope/0/slewing").status_code == 200
    running.rig.clock.now_s += 11.0
    assert get(running, "camera/0/camerastate").json()["ErrorNumber"] == 0x407


def test_a_mount_without_power_stands_while_its_driver_talks(running) -> None:
    """The axes stop, the answers stay what they were, commands are taken and lead to nothing."""
    mount, clock = running.rig.mount, running.rig.clock
    mount.unpark(clock.utc_s())
    mount.set_tracking(True, clock.utc_s())
    before = get(running, "telescope/0/rightascension").json()["Value"]
    number = spoil(running, "mount_power_cut")
    assert get(running, "telescope/0/tracking").json()["Value"] is True
    assert not mount.tracking
    clock.now_s += 600.0
    assert get(running, "telescope/0/rightascension").json()["Value"] == before
    assert put(running, "telescope/0/tracking", Tracking="True").json()["ErrorNumber"] == 0
    assert not mount.tracking
    running.faults.remove(number)
    assert get(running, "telescope/0/tracking").json()["Value"] is False


def _slew(running, ra_hours: float, dec_deg: float) -> tuple[float, float]:
    """Slew and return where the mount says it is, hours and degrees."""
    mount, clock = running.rig.mount, running.rig.clock
    mount.unpark(clock.utc_s())
    mount.set_tracking(True, clock.utc_s())
    answer = put(
        running,
        "telescope/0/slewtocoordinatesasync",
        RightAscension=repr(ra_hours),
        Declination=repr(dec_deg),
    )
    assert answer.json()["ErrorNumber"] == 0
    clock.now_s += 300.0
    return running.telescope.get_rightascension(), running.telescope.get_declination()


def test_a_slew_stops_short(running) -> None:
    """The mount stays behind its target and says so only by its position."""
    spoil(running, "slew_stops_short", parameters={"share": 0.5})
    sidereal = running.telescope.get_siderealtime()
    start = running.telescope.get_declination()
    _ra, dec = _slew(running, (sidereal + 3.0) % 24.0, 20.0)
    assert dec == pytest.approx((start + 20.0) / 2.0, abs=0.5)


def test_a_slew_ends_in_the_wrong_place_unnoticed(running) -> None:
    """The mount reports its target while the tube looks elsewhere."""
    spoil(running, "slew_wrong_place", parameters={"ra_arcmin": 0.0, "dec_arcmin": 45.0})
    sidereal = running.telescope.get_siderealtime()
    ra, dec = _slew(running, (sidereal + 3.0) % 24.0, 20.0)
    assert (ra, dec) == pytest.approx(((sidereal + 3.0) % 24.0, 20.0), abs=0.01)
    step = running.rig.mount._steps[-1]
    assert step.d == pytest.approx(45.0 * ARCMIN, abs=0.1 * ARCMIN)


def test_mechanics_give_way(running) -> None:
    """Sinking changes the axis; a slip does not, and moves the tube."""
    rig = running.rig
    spoil(running, "declination_slip", parameters={"arcmin": 6.0})
    assert rig.truth().total_arcmin == pytest.approx(0.0, abs=0.01)
    assert rig.mount._steps[-1].d == pytest.approx(6.0 * ARCMIN)
    spoil(running, "tripod_sink", parameters={"east_arcmin": 0.0, "north_arcmin": 3.0})
    assert rig.truth().total_arcmin == pytest.approx(3.0, abs=0.05)


def test_a_wrong_clock_and_a_wrong_sign_shift_the_sidereal_time(running) -> None:
    """Two hours ahead is two hours; a mirrored longitude is twice the longitude."""
    before = running.telescope.get_siderealtime()
    number = spoil(running, "clock_off", parameters={"hours": 2.0})
    assert (running.telescope.get_siderealtime() - before) % 24.0 == pytest.approx(2.0, abs=0.01)
    running.faults.remove(number)
    assert running.telescope.get_siderealtime() == pytest.approx(before, abs=1e-6)
    spoil(running, "site_sign_wrong")
    longitude = running.rig.spec.site.longitude_deg
    assert (before - running.telescope.get_siderealtime()) % 24.0 == pytest.approx(
        2.0 * longitude / 15.0, abs=1e-6
    )


def test_conditions_come_and_go(running) -> None:
    """Unsafe, cover, focus, wind and tree are there while the fault is, and gone afterwards."""
    rig = running.rig
    sky = rig.sky
    for kind in ("unsafe", "cover_closed", "out_of_focus", "wind_shake", "tree"):
        spoil(running, kind)
    assert not rig.safe
    assert not rig.cover_open()
    assert rig.defocus_um() == pytest.approx(60.0, abs=1.0)
    assert rig.mount.shake is not None
    assert any(abs(part) > 1e-6 for t in range(9) for part in rig.mount.shake(float(t)))
    assert rig.sky.horizon is not None
    running.faults.clear()
    assert rig.safe
    assert rig.cover_open()
    assert rig.defocus_um() == rig.spec.optics.defocus_um
    assert rig.mount.shake is None
    assert rig.sky is sky


def test_the_sky_spoils_frames_and_adds_up(running) -> None:
    """Clouds come in gradually, dew settles, lights cross, and all of them can happen at once."""
    rig = running.rig
    now = rig.clock.utc_s()
    running.load_faults(
        Scenario(
            fault=(
                Fault(kind="clouds_gradual", parameters={"transmission": 0.01, "ramp_s": 100.0}),
                Fault(kind="dew", parameters={"ramp_s": 10.0}),
                Fault(kind="moonlight"),
                Fault(kind="satellite", parameters={"trails": 2.0}),
                Fault(kind="aircraft"),
                Fault(kind="shutter_stuck"),
                Fault(kind="clouds_sudden", after_s=500.0),
            )
        )
    )
    assert rig.disturbance_at is not None
    half = rig.disturbance_at(now + 50.0, 2.0)
    assert half.transmission == pytest.approx(0.1, abs=1e-3)
    rig.clock.now_s = now + 90.0
    spoiled = rig.disturbance_at(now + 90.0, 2.0)
    assert spoiled.dew == pytest.approx(0.9)
    assert spoiled.moonlight == 15.0
    assert len(spoiled.satellites) == 2
    assert len(spoiled.aircraft) == 1
    assert spoiled.shutter is Shutter.STUCK_CLOSED
    rig.clock.now_s = now + 501.0
    assert rig.disturbance_at(now + 501.0, 2.0).transmission == 0.0


# Scenarios and control


def test_a_scenario_is_read_from_toml() -> None:
    """What the text says is what is loaded."""
    scenario = scenario_from_text(
        "seed = 4\n[[fault]]\nkind = 'latency'\ndevice = 'camera'\nparameters = {seconds = 2}\n"
    )
    assert scenario.seed == 4
    assert scenario.fault[0].number("seconds") == 2.0
    assert scenario.fault[0].takes("camera", "GET", "imagearray")
    assert not scenario.fault[0].takes("telescope", "GET", "slewing")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[[fault]]\nkind = 'latencie'", "did you mean latency?"),
        ("[[fault]]\nkind = 'latency'\nparameters = {sec = 1}", "it has: seconds"),
        ("[[fault]]\nkind = 'latency'\nparameters = {seconds = 'long'}", "must be a number"),
        ("[[fault]]\nkind = 'disk_full'", "the rig cannot bring it about"),
        ("[[fault]]\nkind = 'latency'\nafter_s = -1", "after_s"),
        ("[[fault]", "not valid TOML"),
    ],
)
def test_a_bad_scenario_says_what_is_wrong(text, told) -> None:
    """Every problem is named, with what would be right where that is known."""
    with pytest.raises(BadScenario) as caught:
        scenario_from_text(text)
    assert told in str(caught.value)
    assert caught.value.advice


def test_faults_are_controlled_over_http(running) -> None:
    """Load, look, remove one, remove all; a bad scenario is a 400 that says why."""
    url = f"{running.url}/rig/faults"
    loaded = requests.post(
        url, json={"fault": [{"kind": "http_500", "member": "tracking"}]}, timeout=5
    ).json()
    assert get(running, "telescope/0/tracking").status_code == 500
    told = requests.get(url, timeout=300).json()["faults"]
    assert told[0]["calls_changed"] == 1
    assert told[0]["on"] is True
    number = loaded["numbers"][0]
    assert requests.delete(f"{url}/{number}", timeout=300).json() == {"faults": []}
    assert requests.delete(f"{url}/{number}", timeout=300).status_code == 404
    assert get(running, "telescope/0/tracking").status_code == 200
    bad = requests.post(url, json={"fault": [{"kind": "nonsense"}]}, timeout=300)
    assert bad.status_code == 400
    assert "nonsense" in bad.text
    requests.post(url, json={"fault": [{"kind": "http_500"}]}, timeout=300)
    assert requests.delete(url, timeout=300).json() == {"faults": []}


def test_a_dropped_answer_stays_dropped_under_another_fault(running) -> None:
    """Faults add up whichever was loaded first."""
    spoil(running, "dropped", member="tracking")
    spoil(running, "wrong_transaction", member="tracking")
    with pytest.raises(requests.ConnectionError):
        get(running, "telescope/0/tracking")
