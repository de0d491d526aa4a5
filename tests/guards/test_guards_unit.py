"""Guards against made-up looks: what trips them, what does not, and what they say."""

from __future__ import annotations

import dataclasses
import pickle
from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np
import pytest

from polewright.calculation.geometry.rotation import rotation_about
from polewright.calculation.planning.limits import MountLimits, Rules
from polewright.calculation.planning.pointing import pointing_from_mount
from polewright.calculation.planning.request import Pointing
from polewright.calculation.planning.slew_paths import Timing
from polewright.calculation.sky.bodies import sun_enu
from polewright.calculation.sky.frame import ObservedFrame, enu_from_hour_angle_dec
from polewright.calculation.sky.mount_coordinates import of_date_at
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.devices.alpaca.mount_state import MountState, PierSide
from polewright.devices.alpaca.slew_and_stop import SlewResult
from polewright.foundation.angles import DEG
from polewright.observing.rig.guard_interface import Arrival, Look, Move, Solved
from polewright.observing.safety import guard_errors as errors
from polewright.observing.safety.guard_limits import AllowedSkyGuard
from polewright.observing.safety.guard_safety_monitor import SafetyGuard
from polewright.observing.safety.guard_slew import ArrivalGuard, SideGuard, TimeGuard
from polewright.observing.safety.guard_stars import TruthGuard

NORTH = Site(44.62, 9.31, 420.0)
SOUTH = Site(-31.4, 21.7, 900.0)
AIR = Atmosphere.none()
NIGHT_UTC_S = 1795210200.0
#: Sunset of 2026-11-20 at the northern site is near 15:45 UTC.
DUSK_UTC_S = NIGHT_UTC_S - 5.75 * 3600.0


def sky(utc_s: float = NIGHT_UTC_S, site: Site = NORTH) -> ObservedFrame:
    """The sky over a site."""
    return ObservedFrame.at(site, AIR, utc_s)


def state(**changes) -> MountState:
    """A look at a mount that tracks."""
    values = {
        "utc_s": NIGHT_UTC_S, "right_ascension_hours": 3.0, "declination_deg": 20.0,
        "slewing": True, "tracking": True, **changes,
    }  # fmt: skip
    return MountState(**values)


def move(
    start_deg: tuple[float, float], goal_deg: tuple[float, float], *, number: int = 2,
    first: bool = False, at: ObservedFrame | None = None,
) -> Move:  # fmt: skip
    """A slew between two (hour angle, declination) pairs in degrees."""
    start, goal = (Pointing(ha * DEG, dec * DEG) for ha, dec in (start_deg, goal_deg))
    return Move(number, start, goal, first, at or sky(), 3.0, goal_deg[1])


def look(pointing_deg: tuple[float, float], of: Move | None, **changes) -> Look:
    """A look at a mount that says it points so, degrees."""
    elapsed_s = changes.pop("elapsed_s", 1.0)
    at = changes.pop("at", None) or sky()
    ha, dec = pointing_deg
    return Look(state(**changes), Pointing(ha * DEG, dec * DEG), at, of, elapsed_s)


def sky_guard(site: Site = NORTH, **rules) -> tuple[AllowedSkyGuard, list[str]]:
    """A guard of an open sky, and what it warns of."""
    warned: list[str] = []
    return AllowedSkyGuard(Rules(site, **rules), Timing(), warned.append), warned


# -- the sky -----------------------------------------------------------------------------------


def test_a_planned_turn_passes_every_look() -> None:
    """A slew inside the limits, looked at on its way, trips nothing."""
    guard, warned = sky_guard()
    turn = move((-30.0, 20.0), (-50.0, 20.0))

    guard.before_slew(turn)
    for hour_angle in np.linspace(-30.0, -50.0, 21):
        guard.during(look((float(hour_angle), 20.0), turn))
    guard.tracking(look((-50.0, 20.0), None))

    assert warned == []


@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
@pytest.mark.parametrize(
    ("there", "kind"),
    [((-3.0, 0.0), errors.TooNearMeridian), ((-89.0, 0.0), errors.BeyondAltitudeLimit)],
    ids=["meridian", "low"],
)
def test_a_look_outside_names_the_limit(site, there, kind) -> None:
    """During a slew the mount's own word is held against the limits, in both hemispheres."""
    guard, _ = sky_guard(site)
    turn = move((-30.0, 0.0), (-50.0, 0.0), at=sky(site=site))
    guard.before_slew(turn)

    with pytest.raises(kind) as caught:
        guard.during(look(there, turn, at=sky(site=site)))

    assert type(caught.value) is kind
    assert caught.value.doing == "during the slew to point 2"


def test_a_mount_that_begins_too_low_may_come_up_but_not_go_lower() -> None:
    """A parked mount may start outside the altitude limits; sinking further stops it."""
    guard, _ = sky_guard(mount=MountLimits(altitude_min_deg=15.0))
    first = move((-88.0, 8.0), (-30.0, 20.0), number=1, first=True)

    guard.before_slew(first)
    guard.during(look((-88.0, 8.0), first))
    guard.during(look((-70.0, 12.0), first))
    with pytest.raises(errors.BeyondAltitudeLimit) as caught:
        guard.during(look((-90.0, 3.0), first))

    assert "point 1" in str(caught.value)


def test_the_sun_is_never_forgiven_at_the_start() -> None:
    """A mount that already points near the Sun is not slewed through it, nor away from it."""
    at = sky(DUSK_UTC_S)
    guard, _ = sky_guard()
    sun_ha, sun_dec = (float(x) / DEG for x in at.hour_angle_dec(sun_enu(at)))
    away = move((sun_ha - 10.0, sun_dec), (-30.0, 20.0), number=1, first=True, at=at)

    with pytest.raises(errors.TooNearSun) as caught:
        guard.before_slew(away)

    assert caught.value.amount_deg > 0.0
    assert "Sun" in str(caught.value)


def test_the_sun_stops_tracking_while_it_counts_and_not_at_night() -> None:
    """Twenty degrees of hour angle from the Sun (declination -19.8, so 18.8 on the sky) stop it
    at dusk; the same place at night is fine."""
    at = sky(DUSK_UTC_S)
    guard, _ = sky_guard(mount=MountLimits(meridian_buffer_deg=None, altitude_min_deg=-30.0))
    sun_ha, sun_dec = (float(x) / DEG for x in at.hour_angle_dec(sun_enu(at)))
    near = (sun_ha - 20.0, sun_dec)

    with pytest.raises(errors.TooNearSun) as caught:
        guard.tracking(look(near, None, at=at))
    guard.tracking(look(near, None))

    assert "within 18.8 deg of the Sun" in str(caught.value)


def test_tracking_close_to_a_limit_warns_once_and_then_stops() -> None:
    """Five minutes of tracking are 1.25 degrees: told before the limit, stopped at it."""
    guard, warned = sky_guard()

    guard.tracking(look((-7.0, 20.0), None))
    assert warned == []
    guard.tracking(look((-6.0, 20.0), None))
    assert len(warned) == 1
    assert "Within 5 minutes" in warned[0]
    with pytest.raises(errors.TooNearMeridian):
        guard.tracking(look((-4.9, 20.0), None))


def test_a_standing_mount_is_not_warned_of_tracking() -> None:
    """With tracking off nothing comes closer."""
    guard, warned = sky_guard()

    guard.tracking(look((-6.0, 20.0), None, tracking=False))

    assert warned == []


# -- arrival -----------------------------------------------------------------------------------


def test_a_slew_is_overdue_after_its_time_only() -> None:
    """The sentence has the time taken, the time allowed and the angle left."""
    guard = TimeGuard(60.0)
    turn = move((-30.0, 20.0), (-50.0, 20.0))

    guard.during(look((-30.0, 20.0), turn, elapsed_s=60.0))
    with pytest.raises(errors.SlewOverdue) as caught:
        guard.during(look((-30.0, 20.0), turn, elapsed_s=61.0, right_ascension_hours=4.0))

    assert caught.value.left_deg == pytest.approx(14.09, abs=0.05)  # 15 degrees times cos(20)
    assert "60 s allowed" in str(caught.value)


@pytest.mark.parametrize(("miss_deg", "trips"), [(0.49, False), (0.51, True), (float("nan"), True)])
def test_arrival_is_judged_by_the_miss(miss_deg, trips) -> None:
    """A miss over the tolerance, or no number at all, trips."""
    arrival = Arrival(move((0, 0), (0, 0)), SlewResult(1.0, True, miss_deg, state()))
    guard = ArrivalGuard(0.5)

    if trips:
        with pytest.raises(errors.StoppedElsewhere):
            guard.arrived(arrival)
    else:
        guard.arrived(arrival)


@dataclass
class SideTold:
    """A telescope that only promises sides."""

    sides: list[PierSide | None]
    asked: list[tuple[float, float]] = field(default_factory=list)

    def destination_side_of_pier(self, ra_hours: float, dec_deg: float) -> PierSide | None:
        """Return the next promise."""
        self.asked.append((ra_hours, dec_deg))
        return self.sides.pop(0)


def test_sides_are_compared_like_with_like() -> None:
    """A driver whose promises and reports count differently is not taken for a flip."""
    east, west = PierSide.NORMAL, PierSide.THROUGH_POLE
    guard = SideGuard(SideTold([west, west, None, PierSide.UNKNOWN, east]))  # type: ignore[arg-type]
    moves = [move((0, 0), (-20.0 * n, 0), number=n, first=n == 1) for n in (1, 2, 3, 4, 5)]

    for each in moves[:4]:
        guard.before_slew(each)
        reported = state(side_of_pier=east if each.number < 3 else None)
        guard.arrived(Arrival(each, SlewResult(1.0, True, 0.0, reported)))
    with pytest.raises(errors.WouldChangeSides) as caught:
        guard.before_slew(moves[4])
    with pytest.raises(errors.SideChanged):
        guard.arrived(Arrival(moves[4], SlewResult(1.0, True, 0.0, state(side_of_pier=west))))

    assert (caught.value.side, caught.value.first) == ("east", "west")


def test_a_new_sweep_may_be_on_the_other_side() -> None:
    """What was promised for the sweep before binds nobody."""
    told = SideTold([PierSide.NORMAL, PierSide.THROUGH_POLE])
    guard = SideGuard(told)  # type: ignore[arg-type]
    guard.before_slew(move((0, 0), (-20.0, 0), number=1, first=True))

    guard.begin()
    guard.before_slew(move((0, 0), (20.0, 0), number=1, first=True))

    assert len(told.asked) == 2
    assert told.sides == []


@dataclass
class _Plate:
    matrix: np.ndarray

    @property
    def attitude(self) -> _Plate:
        """Itself: it has the matrix."""
        return self


def solved(number: int, site: Site, ha_deg: float, said_deg: float, tilt: np.ndarray) -> Solved:
    """A plate of a mount tilted by a rotation, at an hour angle, and the one the mount says."""
    attitude = tilt @ looking_at(site, 0.0, 20.0 * DEG)
    pole = pole_enu(site, PoleTarget.TRUE, AIR)
    west = 1.0 if site.southern else -1.0
    turned = rotation_about(tilt @ pole, west * ha_deg * DEG) @ attitude
    pointing = Pointing(said_deg * DEG, 20.0 * DEG)
    return Solved(number, _Plate(turned), pointing, None)  # type: ignore[arg-type]


@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
@pytest.mark.parametrize("step", [20.0, -20.0], ids=["west", "east"])
def test_the_turn_by_the_stars_does_not_depend_on_the_axis_error(site, step) -> None:
    """Eight degrees of axis error trip nothing; two degrees of slip do, either way round."""
    tilt = rotation_about(np.array([0.6, 0.0, 0.8]), 8.0 * DEG)
    guard = TruthGuard(site, 0.5)

    guard.begin()
    guard.solved(solved(1, site, -40.0, -40.0, tilt))
    guard.solved(solved(2, site, -40.0 + step, -40.0 + step, tilt))
    with pytest.raises(errors.WentElsewhere) as caught:
        guard.solved(solved(3, site, -40.0 + 2 * step - 2.0, -40.0 + 2 * step, tilt))

    assert caught.value.off_deg == pytest.approx(2.0, abs=1e-6)
    assert f"a turn of {step:+.2f}" in str(caught.value)
    assert f"the stars {step - 2.0:+.2f}" in str(caught.value)


def test_the_offset_of_the_point_before_must_still_hold() -> None:
    """A centre five degrees from where it is expected trips; three degrees do not."""
    still = np.eye(3)
    guard = TruthGuard(NORTH, 0.5)
    guard.begin()
    guard.solved(solved(1, NORTH, -40.0, -40.0, still))

    fine = dataclasses.replace(solved(2, NORTH, -60.0, -60.0, still), predicted_miss=3.0 * DEG)
    guard.solved(fine)
    with pytest.raises(errors.WentElsewhere) as caught:
        guard.solved(dataclasses.replace(fine, number=3, predicted_miss=5.0 * DEG))

    assert "5.00 degrees apart (tolerance 4.00)" in str(caught.value)


# -- safety ------------------------------------------------------------------------------------


class FakeClock:
    """A clock that only moves when told."""

    now_s = 0.0

    def monotonic_s(self) -> float:
        """The time told."""
        return self.now_s


class FakeMonitor:
    """A safety monitor that says what it is told to."""

    label = "roof monitor"

    def __init__(self) -> None:
        self.safe, self.asked = True, 0
        self.notes: list[str] = []

    def is_safe(self) -> bool:
        """Say it."""
        self.asked += 1
        if self.safe is None:
            self.notes.append("the safety monitor counts as unsafe: no answer")
            return False
        return self.safe


def test_the_monitor_is_asked_every_other_second_and_believed_at_once() -> None:
    """Looks come four a second; the monitor is not flooded. Silence counts as unsafe."""
    clock, monitor = FakeClock(), FakeMonitor()
    guard = SafetyGuard(monitor, clock)  # type: ignore[arg-type]
    turn = move((-30.0, 20.0), (-50.0, 20.0))
    guard.before_slew(turn)

    for _ in range(16):
        clock.now_s += 0.25
        guard.during(look((-30.0, 20.0), turn))
    assert monitor.asked == 3
    cast("Any", monitor).safe = None
    clock.now_s += 2.0
    with pytest.raises(errors.SafetyUnsafe) as caught:
        guard.tracking(look((-30.0, 20.0), None))

    assert str(caught.value).startswith("while tracking: the safety monitor roof monitor")
    assert "no answer" in str(caught.value)
    assert caught.value.exit_code == 10


# -- coordinates, and errors as values ---------------------------------------------------------


@pytest.mark.parametrize("system", [0, 1, 2], ids=["other", "of date", "J2000"])
def test_a_mounts_coordinates_become_its_hour_angle(system) -> None:
    """What is sent to the mount for an hour angle is read back as that hour angle."""
    from polewright.calculation.sky.mount_coordinates import mount_from_of_date

    at = sky()
    told = mount_from_of_date(at, system, of_date_at(at, -35.0 * DEG, 20.0 * DEG))

    pointing = pointing_from_mount(at, system, *told)

    assert pointing.hour_angle / DEG == pytest.approx(-35.0, abs=1e-6)
    assert pointing.declination / DEG == pytest.approx(20.0, abs=1e-6)


@pytest.mark.parametrize(
    "error",
    [
        errors.TooNearSun("slew to point 1", "too near", "keep away", 3.0, 180.0, 20.0),
        errors.WouldChangeSides(2, -40.0, "east", "west"),
        errors.SideChanged(2, "east", "west"),
        errors.SlewOverdue(61.0, 60.0, 12.0),
        errors.StoppedElsewhere(2.0, 0.5),
        errors.WentElsewhere("the stars say", 2.0, 1.0),
        errors.SafetyUnsafe("roof", "before the sweep", "no answer"),
        errors.PointNotSolved(2, ("one", "two"), "no stars", "wait"),
        errors.PointNotSolved(2, (), "no stars", "wait", 240.0),
        errors.NoLight(4.0, 500.1, 0.2, 500.0),
        errors.TooBright(4.0, 64500.0),
    ],
    ids=lambda error: error.code,
)
def test_errors_survive_pickling_with_words_and_advice(error) -> None:
    """They cross processes unchanged: class, sentence, advice, exit code."""
    again = pickle.loads(pickle.dumps(error))

    assert type(again) is type(error)
    assert str(again) == str(error)
    assert again.advice
    assert again.exit_code == error.exit_code


def looking_at(site, hour_angle, declination):
    """A camera's attitude (3, 3) there; the roll is arbitrary."""
    boresight = enu_from_hour_angle_dec(site, hour_angle, declination)
    x = np.cross([0.6, 0.0, 0.8], boresight)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(boresight, x), boresight], axis=-1)
