"""A sweep begins where the mount stands: which one is planned, and what its first frame is."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from measuring.test_measuring_patience import Night
from planning import brute

from polewright.calculation.geometry.rotation import rotation_about
from polewright.calculation.planning.horizon_text import parse_horizon
from polewright.calculation.planning.planner import judge_sweep, plan_sweep
from polewright.calculation.planning.request import PlanRequest, Pointing, SweepPlan, SweepWish
from polewright.calculation.planning.uncertainty import AttitudeNoise
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, SIDEREAL_RATE
from polewright.foundation.config import Config
from polewright.observing.plan.plan_from_config import (
    WORTH_STANDING,
    Circle,
    sweep_from_here,
)
from polewright.observing.sweep import sweep as sweeping
from polewright.observing.sweep.sweep import AtRest

NIGHT_UTC_S = 1.790e9 + 7 * 3600.0
REQUEST = PlanRequest(Site(44.6, 10.0), NIGHT_UTC_S, AttitudeNoise(3.8 * ARCSEC, 3008, 2004))
AXIS = np.array([0.0, 0.0, 1.0])


# -- the plan ------------------------------------------------------------------------------------


def ended(wait_s: float = 120.0, **changes: Any) -> tuple[PlanRequest, Circle, SweepPlan]:
    """Return what is asked two minutes after a sweep, and that sweep."""
    plan = plan_sweep(REQUEST)[0]
    last = plan.points[-1]
    told = last.declination + 0.4 * ARCSEC
    stands = Pointing(last.hour_angle + wait_s * SIDEREAL_RATE, told)
    request = replace(REQUEST, pointing=stands, utc_s=plan.end_utc_s + wait_s, **changes)
    return request, Circle(plan, last.declination, told), plan


def test_the_next_sweep_runs_back_from_where_the_last_one_ended() -> None:
    """Nothing leads to a start: the first point is where the mount stands."""
    request, circle, before = ended()

    plan = sweep_from_here(request, circle)

    assert plan is not None
    assert plan.begins_here
    assert request.pointing is not None
    assert plan.points[0].hour_angle == pytest.approx(request.pointing.hour_angle)
    assert {point.declination for point in plan.points} == {before.declination}
    assert plan.step == before.step
    assert not plan.crosses_meridian
    assert plan.sigma <= WORTH_STANDING * before.sigma
    assert plan.duration_s < before.duration_s
    assert brute.faults_of(request, plan, np.random.default_rng(1)) == []


@pytest.mark.parametrize("hour_angle_deg", [-45.0, 45.0])
def test_the_next_sweep_ends_where_both_adjusters_are_seen(hour_angle_deg: float) -> None:
    """Of two that begin here the one that is 3 % less sure; the other one ends 0.4 degrees from
    where both adjusters move the stars along one line."""
    wish = SweepWish(hour_angle_deg * DEG, 44.0 * DEG, 15.0 * DEG, 3)
    before = judge_sweep(REQUEST, wish)
    stands = Pointing(wish.hour_angle, wish.declination)
    circle = Circle(before, wish.declination, wish.declination)

    plan = sweep_from_here(replace(REQUEST, pointing=stands), circle)

    assert plan is not None
    other = judge_sweep(REQUEST, replace(wish, direction=-plan.direction))
    assert other.hides_adjuster
    assert other.sigma < plan.sigma < 1.05 * other.sigma
    assert not plan.hides_adjuster


def test_a_declination_axis_that_has_moved_needs_a_start_of_its_own() -> None:
    """The points of a sweep share one declination."""
    request, circle, _ = ended()
    assert request.pointing is not None
    nudged = replace(request.pointing, declination=circle.told_declination + 0.5 * ARCMIN)

    assert sweep_from_here(replace(request, pointing=nudged), circle) is None
    assert sweep_from_here(replace(request, pointing=None), circle) is None


def test_limits_hold_for_a_sweep_that_begins_here() -> None:
    """What has come in the way since, such as a wall over the other points, forbids it."""
    azimuth_deg = plan_sweep(REQUEST)[0].points[1].azimuth / DEG
    low, high = (azimuth_deg - 3.0) % 360.0, (azimuth_deg + 3.0) % 360.0
    wall = parse_horizon(
        [f"{(low - 1) % 360} 0", f"{low} 80", f"{high} 80", f"{(high + 1) % 360} 0"]
    )
    request, circle, _ = ended(horizon=wall)

    assert sweep_from_here(request, circle) is None


def test_a_sweep_that_is_much_less_sure_is_not_worth_the_slew() -> None:
    """Compared with what was searched for in the whole sky."""
    request, circle, before = ended()
    better = replace(before.prediction, sigma=before.prediction.sigma / 2.0)

    assert (
        sweep_from_here(request, replace(circle, searched=replace(before, prediction=better)))
        is None
    )


# -- the sweep -----------------------------------------------------------------------------------


def attitude(turn: float = 0.0) -> Any:
    """A camera turned across the axis by so much, rad; 1 arcsec of noise."""
    matrix = rotation_about(np.array([1.0, 0.0, 0.0]), turn)
    return SimpleNamespace(matrix=matrix, covariance=ARCSEC**2 * np.eye(3), utc_s=0.0)


class Sky:
    """A rig whose solves say how far the axis was turned, point by point, rad."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *turns: float) -> None:
        self.rig: Any = Night(Config.model_validate({"sweep": {"exposure_s": 2.0}}))
        self.points = [Pointing(angle * DEG, 60.0 * DEG) for angle in (-70.0, -50.0, -30.0)]
        self.slews: list[int] = []
        self.frames: list[Any] = []
        self.solved: list[Any] = []
        left = list(turns)

        def solve(_rig: Any, target: Pointing, number: int, _total: int, frame: Any, **_: Any):
            self.solved.append(frame)
            turn = left.pop(0) if left else 0.0
            plate = SimpleNamespace(attitude=attitude(turn))
            return SimpleNamespace(target=target, number=number, frame=frame, plate=plate)

        def take(_rig: Any, exposure_s: float, *_: Any) -> Any:
            self.frames.append(SimpleNamespace(exposure_s=exposure_s))
            return self.frames[-1]

        for name, value in {
            "go_to": lambda _rig, _point, number, *_, **__: self.slews.append(number),
            "settle": lambda *_: None,
            "take_frame": take,
            "solve_taken": solve,
            "goes_at_once": lambda *_: False,
            "frame_floor": lambda *_: 2.0 * ARCSEC,
        }.items():
            monkeypatch.setattr(sweeping, name, value)

    def sweep(self, frame: Any = None) -> Any:
        """Sweep from where the mount stands."""
        return sweeping.sweep(self.rig, self.points, AtRest(attitude(), AXIS, frame))


def test_no_slew_leads_to_the_first_point(monkeypatch: pytest.MonkeyPatch) -> None:
    """A frame is exposed where the mount stands, and it agrees with the one before it."""
    sky = Sky(monkeypatch, 5.0 * ARCSEC)
    swept = sky.sweep()

    assert sky.slews == [2, 3]
    assert len(sky.frames) == 3
    assert not swept.story


def test_an_adjuster_that_was_touched_since_the_reading_costs_the_first_frame_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its frame may show the axis on its way: the point is taken again, and that is told."""
    sky = Sky(monkeypatch, 20.0 * ARCSEC)
    swept = sky.sweep()

    assert sky.slews == [1, 2, 3]
    assert [point.frame for point in swept.points] == sky.frames[1:]
    (told,) = swept.story
    assert "20 arcsec" in told
    assert "hands off" in told


def test_the_frame_at_rest_is_the_first_point_where_nobody_is_there(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two further points suffice."""
    sky = Sky(monkeypatch)
    known = SimpleNamespace(exposure_s=2.0)
    swept = sky.sweep(known)

    assert sky.slews == [2, 3]
    assert len(sky.frames) == 2
    assert [point.frame for point in swept.points] == [known, *sky.frames]


def test_a_live_frame_shorter_than_the_sweeps_is_no_point(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The sweep was planned for its own exposures."""
    sky = Sky(monkeypatch)
    sky.sweep(SimpleNamespace(exposure_s=1.0))

    assert len(sky.frames) == 3
