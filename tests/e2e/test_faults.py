"""Whole runs in which devices, mount, sky and solver fail: the policy's promises are kept."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from polewright.foundation.errors import ExitCode, MotionUnknown, PolewrightError
from polewright.foundation.rehearsal import REHEARSAL_VARIABLE
from polewright.observing.plan.plan_from_config import planned_points
from polewright.observing.runs.measurement import measure_axis
from polewright.observing.safety import watchdog_client as watching
from polewright.records.events import MotionStopped, Note, PointSolved
from polewright_sim.scenario import Fault, Scenario

pytestmark = pytest.mark.e2e

SMALL = {
    "sensor": {"width": 800, "height": 600, "pixel_um": 9.0, "hot_pixel_count": 20},
    "misalignment": {"alt_arcmin": 12.0, "az_arcmin": -21.0},
}
NO_RECOVERY = {"recovery.tries": 0, "recovery.other_places": False}


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch) -> None:
    """Nothing is left in the user's folders, and nobody waits a minute for the watchdog."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setattr(watching, "WATCHDOG_TRIES_S", 3.0)


def load(night, *faults: dict[str, Any]) -> None:
    night.running.load_faults(
        Scenario(fault=tuple(Fault.model_validate(fault) for fault in faults), seed=5)
    )


def after_point(night, rig, number: int, action: Callable[[], object]) -> None:
    """Run an action as soon as a point is solved."""
    listen = rig.emit

    def hear(event) -> None:
        listen(event)
        if isinstance(event, PointSolved) and event.point == number:
            action()

    rig.emit = hear


def trouble(night, rig) -> PolewrightError:
    """Run a measurement that must fail, and return why."""
    points = planned_points(rig)
    with pytest.raises(PolewrightError) as caught:
        measure_axis(rig, points)
    return caught.value


def stands(night) -> bool:
    mount, now = night.rig.mount, night.clock.utc_s()
    return not mount.still_moving(now) and not mount.tracking


# Trouble that a run gets over


def test_a_storm_of_passing_trouble_costs_nothing_but_time(start_night) -> None:
    """Errors, drops, nonsense, a failed exposure, a cut image and a refused slew are repeated."""
    night = start_night(SMALL)
    rig = night.connect()
    points = planned_points(rig)
    telescope = {"device": "telescope", "method": "GET"}
    # Not the image itself: with what befalls it below, a third try of one exposure would fail.
    other = {"member": "[!i]*", "method": "GET"}
    passing: list[tuple[dict[str, Any], tuple[int, ...]]] = [
        ({"kind": "http_500", **telescope}, (4, 20, 32, 44)),
        ({"kind": "not_json", **telescope}, (12, 26, 38)),
        ({"kind": "error_number", "device": "camera", **other}, (6, 11, 16)),
        ({"kind": "dropped", **other}, (9, 30, 52, 66)),
        ({"kind": "wrong_transaction", **other}, (15, 40, 60)),
        ({"kind": "error_number", "device": "camera", "member": "startexposure"}, (1,)),
        ({"kind": "image_truncated"}, (2,)),
        ({"kind": "error_number", "device": "telescope", "member": "slewtocoordinatesasync"}, (2,)),
    ]
    load(night, *({**fault, "at_call": at, "calls": 1} for fault, calls in passing for at in calls))

    result = measure_axis(rig, points)

    assert [case for case in night.running.faults.report() if case["calls_changed"] != 1] == []
    truth = night.truth["axis"]
    assert abs(result.axis.total_arcmin - truth["total_arcmin"]) < max(
        0.2, 4.0 * result.axis.sigma_total_arcmin
    )
    told = " ".join(event.text for event in night.of_kind(Note))
    assert "Exposure failed" in told
    assert "Slew to point 2 failed" in told


@pytest.mark.parametrize("start", ["fresh", "missing"])
def test_a_camera_that_hands_out_an_older_image_is_named(start_night, start) -> None:
    """Not the mount, although the stars of every point are those of the first."""
    night = start_night(SMALL)
    rig = night.connect(NO_RECOVERY)
    load(night, {"kind": "image_old", "parameters": {"start": start}})

    error = trouble(night, rig)

    assert error.exit_code is ExitCode.DEVICE
    assert str(error).startswith("camera 0")
    assert "from an earlier exposure (every pixel is the same as in the one before)" in str(error)
    assert stands(night)


def test_older_images_for_looks_cost_no_more_than_the_fixed_wait(start_night) -> None:
    """Whole frames are fresh: looks that would show resting stars for ever are given up."""
    night = start_night(SMALL)
    rig = night.connect({"sweep.settle": "measured", "sweep.settle_s": 6.0})
    load(night, {"kind": "image_old", "parameters": {"start": "fresh", "only": "subframes"}})

    measure_axis(rig, planned_points(rig))

    told = " ".join(event.text for event in night.of_kind(Note))
    assert "the camera returns an older image for them" in told


def test_a_camera_that_restarts_is_connected_again(start_night) -> None:
    """A driver that is gone for seconds, and then not connected, costs one exposure."""
    night = start_night(SMALL)
    rig = night.connect()
    after_point(
        night,
        rig,
        1,
        lambda: load(
            night,
            {"kind": "device_restart", "device": "camera", "after_s": 6.0, "duration_s": 6.0},
        ),
    )

    result = measure_axis(rig, planned_points(rig))

    assert result.axis.trusted
    assert any("Exposure failed" in event.text for event in night.of_kind(Note))
    assert night.running.faults.report()[0]["over"]


def test_a_mount_that_begins_its_slews_late_is_measured(start_night) -> None:
    """Its driver queues commands, and says that it slews later still."""
    mount = {"start_lag_s": 8.0, "slewing_lag_s": 1.5}
    night = start_night({**SMALL, "mount": mount})
    rig = night.connect()

    result = measure_axis(rig, planned_points(rig))

    off = abs(result.axis.total_arcmin - night.truth["axis"]["total_arcmin"])
    assert off < max(0.2, 4.0 * result.axis.sigma_total_arcmin)
    assert len(result.points) == 3


# Trouble that ends a run: the mount stands, the code tells what kind


@pytest.mark.parametrize(
    ("fault", "code", "config"),
    [
        (
            {"kind": "error_number", "device": "telescope", "member": "slewtocoordinatesasync"},
            ExitCode.DEVICE,
            {},
        ),
        ({"kind": "slew_stops_short", "at_call": 1}, ExitCode.GUARD, {}),
        ({"kind": "camera_stuck", "parameters": {"state": 5.0}}, ExitCode.DEVICE, {}),
        ({"kind": "clouds_sudden"}, ExitCode.SOLVE, NO_RECOVERY),
        ({"kind": "shutter_stuck"}, ExitCode.SOLVE, NO_RECOVERY),
        ({"kind": "image_empty"}, ExitCode.SOLVE, NO_RECOVERY),
    ],
    ids=lambda value: value["kind"] if isinstance(value, dict) and "kind" in value else "",
)
def test_trouble_that_stays_ends_the_run_with_the_mount_at_rest(
    start_night, fault, code, config
) -> None:
    """Each kind of lasting trouble has its exit code; the mount is stopped and said to be."""
    night = start_night(SMALL)
    rig = night.connect(config)
    points = planned_points(rig)
    load(night, fault)

    with pytest.raises(PolewrightError) as caught:
        measure_axis(rig, points)

    assert caught.value.exit_code is code
    assert caught.value.advice
    assert stands(night)
    assert [event.state for event in night.of_kind(MotionStopped)] == ["stopped"]


def test_unsafe_weather_stops_a_run(start_night) -> None:
    """A safety monitor that turns unsafe during the sweep ends it with a code of its own."""
    night = start_night(SMALL)
    rig = night.connect({"safety.host": night.running.host, "safety.port": night.running.port})
    after_point(night, rig, 1, lambda: load(night, {"kind": "unsafe"}))

    assert trouble(night, rig).exit_code is ExitCode.UNSAFE
    assert stands(night)


def test_a_mount_driver_that_restarts_is_stopped_and_not_trusted(start_night) -> None:
    """It may have lost its place: the run ends, the driver is connected once more to stop it."""
    night = start_night(SMALL)
    rig = night.connect()
    after_point(
        night,
        rig,
        1,
        lambda: load(night, {"kind": "device_restart", "device": "telescope", "duration_s": 3.0}),
    )

    error = trouble(night, rig)

    assert error.exit_code is ExitCode.DEVICE
    assert stands(night)
    assert [event.state for event in night.of_kind(MotionStopped)][-1] == "stopped"


def test_a_mount_that_never_says_it_stopped_is_told_as_unknown(start_night) -> None:
    """Slewing that reads True for ever: stop, look, watchdog, and then the truth: unknown."""
    night = start_night(SMALL)
    rig = night.connect({"limits.slew_deg_per_s": 30.0})
    points = planned_points(rig)
    load(night, {"kind": "slewing_stuck_true"})

    with pytest.raises(MotionUnknown) as caught:
        measure_axis(rig, points)

    assert caught.value.exit_code is ExitCode.MOTION_UNKNOWN
    assert "look" in caught.value.advice
    assert [event.state for event in night.of_kind(MotionStopped)] == ["unknown"]
    assert stands(night)


@pytest.mark.parametrize("how", ["crash", "hang", "garbage {wcs}"])
def test_a_solver_that_fails_ends_a_run_in_good_order(start_night, how) -> None:
    """Crash, hang and nonsense of a solver program are solver trouble, not a program fault."""
    night = start_night(SMALL)
    command = f"{sys.executable} -m polewright_sim.bad_solver {how}"
    command += "" if "{wcs}" in how else " {stars}"
    rig = night.connect(
        {
            "solver.name": "command",
            "solver.options": {"command": command},
            "solver.timeout_s": 0.3,
            **NO_RECOVERY,
        }
    )

    assert trouble(night, rig).exit_code is ExitCode.SOLVE
    assert stands(night)


# The program's own death


def start_program(night, tmp_path: Path) -> subprocess.Popen[str]:
    """Start ``polewright measure`` against the rig."""
    clock = night.clock
    start = f"{clock.start_utc_s},{clock.origin_real_s},{clock.rate}"
    config = tmp_path / "night.toml"
    config.write_text(
        f"""
        [site]
        latitude_deg = 44.62
        longitude_deg = 9.31
        [optics]
        focal_length_mm = 202.0
        [telescope]
        host = "{night.running.host}"
        port = {night.running.port}
        [camera]
        host = "{night.running.host}"
        port = {night.running.port}
        [sweep]
        start_azimuth_deg = 140.0
        start_altitude_deg = 55.0
        direction = "east"
        [run]
        journal_folder = "{tmp_path}"
        """
    )
    return subprocess.Popen(
        [sys.executable, "-m", "polewright", "measure", "--json", "--config", str(config)],
        env={**os.environ, REHEARSAL_VARIABLE: start},
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )


def until_slewing(night, program: subprocess.Popen[str]) -> None:
    deadline = time.monotonic() + 300.0
    while not night.rig.mount.still_moving(night.clock.utc_s()):
        assert program.poll() is None, "the program ended before it moved the mount"
        assert time.monotonic() < deadline
        time.sleep(0.02)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs POSIX signals")
def test_a_killed_program_leaves_the_mount_stopped(start_night, tmp_path) -> None:
    """kill -9 during a slew of many minutes: the watchdog stops the mount and says so in its status
    file."""
    night = start_night({**SMALL, "mount": {"slew_deg_per_s": 0.05}}, real_rate=1.0)
    program = start_program(night, tmp_path)
    until_slewing(night, program)

    program.kill()
    program.communicate()
    deadline = time.monotonic() + 300.0
    status = tmp_path / "watchdog.json"
    while not stands(night) or json.loads(status.read_text())["state"] in ("watching", "stopping"):
        assert time.monotonic() < deadline
        time.sleep(0.1)
    assert json.loads(status.read_text())["state"] == "stopped"


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs POSIX signals")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_a_stopped_program_stops_the_mount_and_tells_the_script(
    start_night, tmp_path, name
) -> None:
    """Ctrl-C and termination during a slew: exit code 130, a JSON document, the mount at rest."""
    night = start_night({**SMALL, "mount": {"slew_deg_per_s": 0.5}}, real_rate=1.0)
    program = start_program(night, tmp_path)
    until_slewing(night, program)

    program.send_signal(getattr(signal, name))
    out, _ = program.communicate(timeout=300)

    assert program.returncode == ExitCode.INTERRUPTED
    document = json.loads(out)
    assert document["ok"] is False
    assert document["error"]["exit_code"] == 130
    assert name in document["error"]["message"]
    assert stands(night)
    assert json.loads((tmp_path / "watchdog.json").read_text())["state"] == "dismissed"
