"""Every guard fires on the simulated rig: the mount stops, exit code and words are right."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import pytest
from typer.testing import CliRunner

from polewright.calculation.planning.request import Pointing
from polewright.foundation.angles import DEG
from polewright.foundation.errors import ExitCode, GuardError
from polewright.interfaces.cli.app import build_app
from polewright.observing.runs.measurement import measure_axis, ready_mount
from polewright.observing.safety.guard_errors import (
    AllowedSkyLeft,
    BeyondAltitudeLimit,
    SafetyUnsafe,
    SideChanged,
    SlewOverdue,
    StoppedElsewhere,
    TooNearMeridian,
    TooNearSun,
    WentElsewhere,
    WouldChangeSides,
)
from polewright.observing.safety.stopping import motion_stopped_on_trouble
from polewright.observing.sweep.visit_point import go_to
from polewright.records.events import MotionStopped, PointSolved, Progress

pytestmark = pytest.mark.e2e

NIGHT_UTC_S = 1795210200.0
#: 2026-11-20 11:30 UTC: the Sun stands high in the south at the invented site.
DAY_UTC_S = NIGHT_UTC_S - 10.0 * 3600.0
EAST = (-26.0, -46.0, -66.0)
QUICK = {"sweep.settle_s": 0.0}


def points(hour_angles_deg=EAST, declination_deg=20.0) -> list[Pointing]:
    """A sweep that nobody planned, so that only the guards stand in its way."""
    return [Pointing(angle * DEG, declination_deg * DEG) for angle in hour_angles_deg]


def fires(night, kind: type[GuardError], changes: dict[str, Any], sweep=None, rig=None):
    """Run a sweep, see the guard fire and the mount stand, and return the error."""
    rig = rig or night.connect({**QUICK, **changes})

    with pytest.raises(GuardError) as caught:
        measure_axis(rig, sweep or points())

    assert type(caught.value) is kind, caught.value
    stands(night)
    assert caught.value.advice
    return caught.value


def stands(night) -> None:
    """The mount was told to stop, confirmed it, and stands in truth."""
    assert [event.state for event in night.of_kind(MotionStopped)] == ["stopped"]
    assert not night.rig.mount.still_moving(night.clock.utc_s())
    assert not night.rig.mount.tracking


def when(rig, happens: Callable[[Any], bool], act: Callable[[], None]) -> None:
    """Do something once when an event of the run fits."""
    listen = rig.emit
    done: list[Any] = []

    def hear(event) -> None:
        listen(event)
        if not done and happens(event):
            done.append(True)
            act()

    rig.emit = hear


def solved(number: int) -> Callable[[Any], bool]:
    """The event that a point was solved."""
    return lambda event: isinstance(event, PointSolved) and event.point == number


def slewed_to(night) -> set[int]:
    """Numbers of the points that the mount was sent to."""
    return {event.point for event in night.of_kind(Progress) if event.step == "slew"}


# -- before a slew ---------------------------------------------------------------------------


def test_a_point_behind_the_skyline_is_not_slewed_to(start_night, tmp_path) -> None:
    """The horizon file holds at run time too: the message names the place and the height."""
    night = start_night()
    horizon = tmp_path / "garden.txt"
    horizon.write_text("0 0\n80 0\n90 60\n140 60\n150 0\n", encoding="utf-8")

    error = fires(night, AllowedSkyLeft, {"horizon.file": str(horizon)})

    assert error.exit_code is ExitCode.GUARD
    assert "slew to point 1" in str(error)
    assert "skyline" in str(error)
    assert error.amount_deg > 1.0
    assert not night.of_kind(Progress)


def test_a_way_between_points_that_meets_an_obstacle_is_not_taken(start_night, tmp_path) -> None:
    """A lamp between two clear points stops the slew before it begins."""
    night = start_night()
    horizon = tmp_path / "lamp.txt"
    horizon.write_text("0 0\nwindow 106 112 30 44 street lamp\n", encoding="utf-8")

    error = fires(night, AllowedSkyLeft, {"horizon.file": str(horizon)})

    assert "slew to point 2" in str(error)
    assert "street lamp" in str(error)
    assert slewed_to(night) == {1}


def test_no_slew_goes_near_the_sun(start_night) -> None:
    """By day a way to the first point that may pass the Sun is refused, whatever planned it."""
    night = start_night(utc_s=DAY_UTC_S)

    error = fires(night, TooNearSun, {}, points((-20.0, -40.0, -60.0), -15.0))

    assert error.exit_code is ExitCode.GUARD
    assert "Sun" in str(error)
    assert "over" in error.advice
    assert not night.of_kind(Progress)


def test_a_point_in_the_meridian_buffer_is_refused(start_night) -> None:
    """By our own hour angle: the mount is not even asked."""
    night = start_night()

    error = fires(night, TooNearMeridian, {}, points((-4.0, -24.0, -44.0)))

    assert "meridian" in str(error)
    assert "-4.0" in str(error)


def test_a_mount_that_would_flip_is_not_slewed(start_night, monkeypatch) -> None:
    """The mount's own word on the destination side counts, also where ours sees no reason."""
    night = start_night()
    mount = night.rig.mount
    honest = mount.destination_side

    def flips_low(ra: float, dec: float, utc_s: float) -> int:
        hour_angle, _ = mount.belief.hour_angle_dec(ra, dec, utc_s)
        side = honest(ra, dec, utc_s)
        return 1 - side if hour_angle < -40.0 * DEG else side

    monkeypatch.setattr(mount, "destination_side", flips_low)

    error = fires(night, WouldChangeSides, {})

    assert error.point == 2
    assert "point 2" in str(error)
    assert "side" in str(error)
    assert slewed_to(night) == {1}


# -- during a slew ---------------------------------------------------------------------------


def astray(night, monkeypatch, d_hour_angle_deg: float, d_dec_deg: float) -> None:
    """From the second slew on the mount goes to another place than it is told."""
    mount = night.rig.mount
    honest, slews = mount.slew_ra_dec, []

    def slew(ra: float, dec: float, utc_s: float) -> None:
        slews.append(ra)
        if len(slews) > 1:
            ra, dec = ra - d_hour_angle_deg * DEG, dec + d_dec_deg * DEG
        honest(ra, dec, utc_s)

    monkeypatch.setattr(mount, "slew_ra_dec", slew)


def test_a_mount_that_leaves_the_allowed_sky_during_a_slew_is_stopped(
    start_night, monkeypatch
) -> None:
    """A slew that dives towards the ground is aborted on the way, not judged at its end."""
    night = start_night({"mount": {"slew_deg_per_s": 1.0}})
    astray(night, monkeypatch, -20.0, -35.0)

    error = fires(night, BeyondAltitudeLimit, {})

    assert "during the slew to point 2" in str(error)
    assert "minimum altitude" in str(error)
    assert night.truth["mount"]["altitude_deg"] > 8.0


def test_a_mount_that_runs_over_the_meridian_is_stopped(start_night, monkeypatch) -> None:
    """A slew that goes west instead of east is aborted at the meridian's buffer."""
    mount = {"slew_deg_per_s": 1.0, "stay_past_meridian_deg": 15.0}
    night = start_night({"mount": mount})
    astray(night, monkeypatch, 50.0, 0.0)
    night.runs_away = True

    error = fires(night, TooNearMeridian, {})

    assert "during the slew to point 2" in str(error)
    assert error.exit_code is ExitCode.GUARD


def test_a_slew_that_does_not_end_is_stopped(start_night) -> None:
    """A crawling mount is stopped at the deadline, and the sentence says how far it had to go."""
    night = start_night({"mount": {"slew_deg_per_s": 0.1}})

    error = fires(night, SlewOverdue, {"limits.slew_deg_per_s": 100.0})

    assert error.took_s >= 33.0
    assert error.left_deg > 10.0
    assert "33 s allowed" in str(error)


@pytest.mark.parametrize("step", ["slew", "exposure", "settle"])
def test_the_safety_monitor_stops_the_run_in_every_step(start_night, step) -> None:
    """Unsafe weather ends slews, settling and exposures, with an exit code of its own."""
    night = start_night({"mount": {"slew_deg_per_s": 2.0}})
    rig = night.connect(
        {
            "safety.host": night.running.host,
            "safety.port": night.running.port,
            "sweep.settle_s": 30.0,
            "sweep.exposure_s": 20.0,
        }
    )

    def roof_closes() -> None:
        night.rig.safe = False

    when(rig, lambda event: isinstance(event, Progress) and event.step == step, roof_closes)

    error = fires(night, SafetyUnsafe, {}, rig=rig)

    assert error.exit_code is ExitCode.UNSAFE
    words = "during the slew to point 1" if step == "slew" else "while tracking"
    assert words in str(error)
    assert not night.of_kind(PointSolved)


def test_nothing_moves_while_it_is_unsafe(start_night) -> None:
    """An unsafe monitor keeps the mount parked."""
    night = start_night()
    night.rig.safe = False

    error = fires(night, SafetyUnsafe, {"safety.device_number": 0})

    assert "before the sweep" in str(error)
    assert night.rig.mount.at_park


# -- after a slew ----------------------------------------------------------------------------


def test_a_mount_that_stops_short_is_noticed(start_night, monkeypatch) -> None:
    """The mount's own word on where it ended is compared with the target."""
    night = start_night()
    astray(night, monkeypatch, 0.0, 2.0)

    error = fires(night, StoppedElsewhere, {})

    assert error.off_deg == pytest.approx(2.0, abs=0.05)
    assert "2.00 degrees" in str(error)


def test_a_changed_side_of_the_pier_is_noticed(start_night, monkeypatch) -> None:
    """A mount that comes to rest on the other side is stopped before a frame is taken."""
    night = start_night()
    rig = night.connect(QUICK)
    mount = night.rig.mount
    honest = mount.side
    when(
        rig,
        lambda event: isinstance(event, Progress) and event.step == "slew" and event.point == 2,
        lambda: monkeypatch.setattr(mount, "side", lambda utc_s: 1 - honest(utc_s)),
    )
    # Its promises go on being kept, so that only what it reports differs.
    monkeypatch.setattr(mount, "destination_side", lambda *_args: 1)

    error = fires(night, SideChanged, {}, rig=rig)

    assert error.point == 2
    assert error.exit_code is ExitCode.GUARD
    assert len(night.of_kind(PointSolved)) == 1


@pytest.mark.parametrize(
    ("slip", "words"),
    [
        ({"slip_right_ascension_arcmin": 150.0}, "the stars"),
        ({"slip_declination_arcmin": 300.0}, "solved away from where point 1"),
    ],
    ids=["right ascension clutch", "declination clutch"],
)
def test_the_stars_give_a_slipping_clutch_away(start_night, slip, words) -> None:
    """The mount says that all is well; the solved frames do not."""
    night = start_night()
    rig = night.connect(QUICK)
    when(rig, solved(1), lambda: night.rig.disturb_mount(**slip))

    error = fires(night, WentElsewhere, {}, rig=rig)

    assert words in str(error)
    assert "clutch" in error.advice
    assert error.off_deg > error.tolerance_deg


# -- while tracking --------------------------------------------------------------------------


def test_tracking_into_the_meridian_is_stopped_after_a_warning(start_night) -> None:
    """Minutes before the buffer is reached it is told; there the mount is stopped."""
    night = start_night()
    rig = night.connect(QUICK)

    def track_on() -> None:
        with motion_stopped_on_trouble(rig.telescope, rig.clock, rig.emit):
            rig.guards.begin()
            ready_mount(rig)
            go_to(rig, Pointing(-6.6 * DEG, 20.0 * DEG), 1, 1, first=True)
            began_s = rig.clock.utc_s()
            while rig.clock.utc_s() - began_s < 1200.0:
                rig.guards.while_tracking()
                rig.clock.sleep(5.0)

    with pytest.raises(TooNearMeridian) as caught:
        track_on()

    stands(night)
    assert "while tracking" in str(caught.value)
    assert math.degrees(night.rig.mount.hour_angle_dec(night.clock.utc_s())[0]) < -4.0
    assert any("Within 5 minutes" in note for note in rig.notes)


# -- exit codes of the command ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("option", "code", "error_code"),
    [
        (["--safety-device-number", "0"], 10, "safety_unsafe"),
        (["--sweep-slew-timeout-s", "5"], 7, "slew_overdue"),
    ],
    ids=["unsafe", "guard"],
)
def test_measure_ends_with_the_guards_exit_code(
    start_night, monkeypatch, option, code, error_code
) -> None:
    """A script sees the exit code and one JSON document with the code, sentence and advice."""
    night = start_night({"mount": {"slew_deg_per_s": 0.1}})
    night.rig.safe = False
    address = [
        word
        for kind in ("telescope", "camera")
        for word in (
            f"--{kind}-host",
            night.running.host,
            f"--{kind}-port",
            str(night.running.port),
        )
    ]

    done = CliRunner().invoke(build_app(), ["measure", "--json", *address, *option])

    assert done.exit_code == code, done.output
    document = json.loads(done.stdout.splitlines()[0])
    assert document["error"]["code"] == error_code
    assert document["error"]["exit_code"] == code
    assert document["error"]["advice"]
    assert "Motion stopped" in done.stderr
    assert not night.rig.mount.still_moving(night.clock.utc_s())
