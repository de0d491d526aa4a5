"""Sweeps from home, and one after another, at every latitude: planner and guards agree.

The mount here is a German one with two axis angles, as in `slew_paths.approaches`: the RA
axis from counterweight-down, and the signed distance from the pole.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.calculation.planning.horizon import Horizon
from polewright.calculation.planning.limits import MountLimits
from polewright.calculation.planning.planner import plan_sweep
from polewright.calculation.planning.pointing import Sides
from polewright.calculation.planning.request import PlanRequest, Pointing, SweepPlan
from polewright.calculation.planning.slew_paths import AxisMotion, approaches, meridian_side
from polewright.calculation.planning.uncertainty import AttitudeNoise
from polewright.calculation.sky.site import Site
from polewright.devices.alpaca.mount_state import MountState
from polewright.foundation.angles import DEG, fold_pi
from polewright.observing.plan import plan_from_config as planned
from polewright.observing.rig.guard_interface import Look, Move
from polewright.observing.safety.guard_limits import AllowedSkyGuard

NIGHT_UTC_S = 1795210200.0
NOISE = AttitudeNoise(4.0 / 3600.0 * DEG, 1600, 1200)
#: How the axes of a slew may follow each other.
ORDERS = ("together", "right ascension first", "declination first")


def request(latitude_deg: float, pointing: Pointing | None, **changes) -> PlanRequest:
    """An open sky at night."""
    site = Site(latitude_deg, 9.0, 400.0)
    return PlanRequest(
        site=site, utc_s=NIGHT_UTC_S, noise=NOISE, pointing=pointing, max_plans=1, **changes
    )


@dataclass
class German:
    """Where the axes of a mount stand, rad."""

    southern: bool
    first: float
    second: float

    def pointing(self, first: float, second: float) -> Pointing:
        """Hour angle and declination at two axis angles."""
        hour_angle = first + (0.5 if second >= 0.0 else -0.5) * math.pi
        declination = 0.5 * math.pi - abs(second)
        return Pointing(fold_pi(hour_angle), -declination if self.southern else declination)

    def slew(self, goal: Pointing, order: str) -> list[Pointing]:
        """Go there with the counterweight low and return what is passed."""
        pole_distance = 0.5 * math.pi - (-1.0 if self.southern else 1.0) * goal.declination
        west = goal.hour_angle >= 0.0
        end = (
            goal.hour_angle + (-0.5 if west else 0.5) * math.pi,
            pole_distance if west else -pole_distance,
        )
        share = np.linspace(0.0, 1.0, 60)
        shares = {
            "together": (share, share),
            "right ascension first": (np.minimum(2 * share, 1.0), np.maximum(2 * share - 1, 0.0)),
            "declination first": (np.maximum(2 * share - 1, 0.0), np.minimum(2 * share, 1.0)),
        }[order]
        begin = (self.first, self.second)
        axes = [a + (b - a) * s for a, b, s in zip(begin, end, shares, strict=True)]
        self.first, self.second = end
        return [self.pointing(float(a), float(b)) for a, b in zip(*axes, strict=True)]


def seen(plan: SweepPlan, asked: PlanRequest, passed: list[Pointing]) -> None:
    """Show the guard the first slew of a plan: before it, and all along."""
    guard = AllowedSkyGuard(asked.rules, asked.timing, lambda _text: None)
    goal = Pointing(plan.points[0].hour_angle, plan.declination)
    sky = asked.frame(asked.utc_s)
    assert asked.pointing is not None
    move = Move(1, asked.pointing, goal, True, sky, 0.0, 0.0)
    guard.before_slew(move)
    for pointing in passed:
        guard.during(Look(MountState(asked.utc_s, 0.0, 0.0, True), pointing, sky, move, 1.0))


@pytest.mark.parametrize("latitude_deg", [0.0, 3.0, -5.5, 8.0, -12.0, 25.0, -44.6, 62.0, -80.0])
def test_from_home_there_is_a_sweep_and_the_guards_let_the_mount_go_there(latitude_deg) -> None:
    """At the pole, whatever hour angle is told there; the weight is down, any axis goes first."""
    south = latitude_deg < 0.0
    for hour_angle_deg, order in zip((0.0, 90.0, -90.0), ORDERS, strict=True):
        home = Pointing(hour_angle_deg * DEG, (-90.0 if south else 90.0) * DEG)
        asked = request(latitude_deg, home)

        plan = plan_sweep(asked)[0]

        goal = Pointing(plan.points[0].hour_angle, plan.declination)
        for way in {order, "declination first"}:
            seen(plan, asked, German(south, 0.0, 0.0).slew(goal, way))


@pytest.mark.parametrize("latitude_deg", [11.3, -12.5, 14.0, 20.0, -30.0])
def test_from_home_the_mount_may_pass_beneath_the_pole(latitude_deg) -> None:
    """Where the right ascension axis stands at home is not told by the pole: with the weight
    aside or up, the way to a point beside the pole leads around it on the lower side."""
    south = latitude_deg < 0.0
    home = Pointing(90.0 * DEG, (-90.0 if south else 90.0) * DEG)
    asked = request(latitude_deg, home)
    plan = plan_sweep(asked)[0]
    goal = Pointing(plan.points[0].hour_angle, plan.declination)

    for first, order in itertools.product((-0.5, 0.5, 1.0), ORDERS):
        seen(plan, asked, German(south, first * math.pi, 0.0).slew(goal, order))


@settings(max_examples=12, deadline=None)
@given(
    latitude_deg=st.floats(-8.0, 8.0),
    hour_angle_deg=st.floats(-180.0, 180.0),
    away_deg=st.sampled_from([0.0, 1.5, 5.0, 12.0]),
    side=st.sampled_from([-1, 0, 1]),
    lowest_deg=st.sampled_from([-20.0, 0.0, 5.0, 10.0]),
    margin_deg=st.sampled_from([0.2, 1.0, 3.0]),
)
def test_the_way_that_a_plan_was_judged_by_is_not_stopped(
    latitude_deg: float, hour_angle_deg: float, away_deg: float, side: int,
    lowest_deg: float, margin_deg: float,
) -> None:  # fmt: skip
    """From anywhere near a low pole, wherever the weight stands: what the planner's rule for the
    likely ways accepts, the guards' rule accepts before the slew and all along it."""
    south = latitude_deg < 0.0
    home = Pointing(hour_angle_deg * DEG, (-1.0 if south else 1.0) * (90.0 - away_deg) * DEG, side)
    mount = MountLimits(altitude_min_deg=lowest_deg)
    asked = request(latitude_deg, home, mount=mount, pointing_margin_deg=margin_deg)
    plan = plan_sweep(asked)[0]
    ways = approaches(
        (home.hour_angle, home.declination),
        (plan.points[0].hour_angle, plan.declination),
        southern=south,
        may_flip=True,
        side=side,
    )

    for way in (way for way in ways if way.likely):
        passed = zip(*way.straight(asked.timing.slew, count=40), strict=True)
        seen(plan, asked, [Pointing(float(ha), float(dec)) for ha, dec in passed])


@pytest.mark.parametrize("latitude_deg", [2.5, -6.0])
def test_the_right_ascension_axis_may_lead_around_a_low_pole(latitude_deg) -> None:
    """From 4 degrees beside it, first of both axes, on the lower side as well; no lower than the
    horizon and what the pointing may be off."""
    south = latitude_deg < 0.0
    for first_deg, away_deg in itertools.product((-60.0, -20.0, 60.0), (-4.0, 4.0)):
        mount = German(south, first_deg * DEG, away_deg * DEG)
        here = replace(mount.pointing(mount.first, mount.second), side=1 if away_deg > 0 else -1)
        asked = request(latitude_deg, here)
        plan = plan_sweep(asked)[0]
        goal = Pointing(plan.points[0].hour_angle, plan.declination)
        seen(plan, asked, mount.slew(goal, "right ascension first"))

    deep = Pointing(math.pi, (-1.0 if south else 1.0) * (85.9 - abs(latitude_deg)) * DEG)
    with pytest.raises(Exception, match="outside the mount's altitude limits"):
        seen(plan, asked, [deep])


@pytest.mark.parametrize(
    ("latitude_deg", "tells_side"), [(3.0, True), (-8.0, False), (12.0, False), (-44.6, True)]
)
def test_a_sweep_can_follow_a_sweep(latitude_deg, tells_side) -> None:
    """Four in a row, each begun where the one before ended, and the same way round again."""
    south = latitude_deg < 0.0
    mount = German(south, 0.0, 0.0)
    here = Pointing(0.5 * math.pi, (-90.0 if south else 90.0) * DEG)
    orders = itertools.cycle(ORDERS)
    for direction in (1, 1, -1, 1):
        asked = request(latitude_deg, here)
        plan = plan_sweep(asked)[0]
        goal = Pointing(plan.points[0].hour_angle, plan.declination)
        seen(plan, asked, mount.slew(goal, next(orders)))
        # The other way round it ends near the meridian: there a mount could stand on either side.
        last = plan.points[-1 if direction * plan.direction > 0 else 0]
        mount.slew(Pointing(last.hour_angle, plan.declination), "together")
        side = meridian_side(last.hour_angle) if tells_side else 0
        here = Pointing(last.hour_angle, plan.declination, side)


def test_a_low_home_position_is_left_upwards_only() -> None:
    """From a pole 3 degrees high along the horizon at the worst, but not below it."""
    asked = request(3.0, Pointing(0.0, 90.0 * DEG))
    plan = plan_sweep(asked)[0]

    with pytest.raises(Exception, match="outside the mount's altitude limits"):
        seen(plan, asked, [Pointing(100.0 * DEG, 60.0 * DEG)])


def test_the_side_that_a_mount_tells_decides_which_way_is_judged() -> None:
    """Six degrees west of the meridian at 8 degrees south: told west, no flip is imagined on the
    way to a goal in the west; told east, only a flip is."""
    start, goal = (6.0 * DEG, -10.0 * DEG), (40.0 * DEG, -10.0 * DEG)

    def turned(side: int) -> float:
        ways = approaches(start, goal, southern=True, may_flip=True, side=side)
        (way,) = (way for way in ways if way.likely)
        return abs(way.axis_to[1] - way.axis_from[1]) / DEG

    assert turned(1) == pytest.approx(0.0, abs=1e-9)
    assert turned(0) == pytest.approx(0.0, abs=1e-9)
    assert turned(-1) == pytest.approx(160.0)
    motion = AxisMotion()
    for way in approaches(start, goal, southern=True, may_flip=True, side=-1):
        hour_angle, declination = way.straight(motion)
        assert (hour_angle[0], declination[0]) == pytest.approx(start)


def test_a_side_that_would_put_the_weight_up_is_not_believed() -> None:
    """Far from the meridian the hour angle tells the side, whatever the driver's numbers mean;
    and what they mean is learnt there."""
    ways = approaches((60 * DEG, 0.0), (40 * DEG, 0.0), southern=False, may_flip=True, side=-1)
    (way,) = (way for way in ways if way.likely)
    assert way.axis_from[1] > 0.0

    sides = Sides()
    near = Pointing(3.0 * DEG, 0.3)
    assert sides.told(near, 0).side == 1
    assert sides.told(Pointing(-40.0 * DEG, 0.3), 0).side == -1  # this driver counts otherwise
    assert sides.told(near, 0).side == -1
    assert sides.told(near, 1).side == 1
    assert sides.told(near, None).side == 0
    assert sides.told(near, -1).side == 0


def test_a_plan_stands_off_the_mounts_own_limits_and_a_hair_stops_nothing() -> None:
    """A declination limit is not planned on exactly; what is commanded on it passes the guard
    with the mount's rounding and refraction, but not by more."""
    asked = request(44.6, None)
    limit_deg = asked.mount.declination_max_deg
    assert abs(plan_sweep(asked)[0].declination) / DEG < limit_deg

    guard = AllowedSkyGuard(asked.rules, asked.timing, lambda _text: None)
    sky = asked.frame(asked.utc_s)
    begin = Pointing(-30.0 * DEG, limit_deg * DEG)
    move = Move(2, begin, replace(begin, hour_angle=-50.0 * DEG), False, sky, 0.0, 0.0)
    guard.before_slew(move)
    state = MountState(asked.utc_s, 0.0, 0.0, True)
    near = Pointing(-40.0 * DEG, (limit_deg + 0.1) * DEG)
    guard.during(Look(state, near, sky, move, 1.0))
    far = Pointing(-40.0 * DEG, (limit_deg + 0.5) * DEG)
    with pytest.raises(Exception, match="declination"):
        guard.during(Look(state, far, sky, move, 1.0))


def test_a_narrow_range_of_declinations_is_still_planned_in() -> None:
    """The margin from the limits is not taken from where there is no room for it."""
    narrow = MountLimits(declination_min_deg=20.0, declination_max_deg=21.0)
    plan = plan_sweep(request(44.6, None, mount=narrow))[0]
    assert 20.0 <= plan.declination / DEG <= 21.0


@pytest.mark.parametrize(("latitude_deg", "side"), [(44.6, 1), (-20.0, -1)])
def test_the_next_sweep_stays_on_the_side_where_the_mount_stands(
    latitude_deg, side, monkeypatch
) -> None:
    """Also where the other side is much better; only where nothing fits there is it told."""
    here = Pointing(side * 20.0 * DEG, math.copysign(30.0, latitude_deg) * DEG)
    asked = request(latitude_deg, here)
    free = plan_sweep(asked)[0]
    assert meridian_side(free.points[0].hour_angle) == side  # equally good: so no reason to cross
    assert not free.crosses_meridian

    # A house takes the better part of this side: what is left there is worse.
    east = side < 0
    heights = tuple(60.0 if (az < 180) is east else 0.0 for az in range(0, 360, 5))
    walled = replace(asked, horizon=Horizon(tuple(map(float, range(0, 360, 5))), heights))
    crossing = plan_sweep(walled)[0]
    assert crossing.crosses_meridian
    assert any("crosses the meridian" in warning for warning in crossing.warnings)
    kept = plan_sweep(replace(walled, stay=True))[0]
    assert not kept.crosses_meridian
    assert {meridian_side(point.hour_angle) for point in kept.points} == {side}
    # Somewhat less sure is borne between sweeps, much less is not.
    for factor, chosen in ((1.01, kept), (0.99, crossing)):
        monkeypatch.setattr(planned, "WORTH_STAYING", factor * kept.sigma / crossing.sigma)
        plan = planned._stays(walled, None)
        assert plan.crosses_meridian is chosen.crosses_meridian
