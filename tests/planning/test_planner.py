import math
import pickle
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from planning import brute
from planning.random_skies import random_request

from polewright.calculation.geometry.shared_errors import SharedErrors
from polewright.calculation.planning import limits
from polewright.calculation.planning.errors import LimitsInvalid, NoSweepFits, PlanRefused
from polewright.calculation.planning.feasibility import Outlook, evaluate
from polewright.calculation.planning.horizon import Horizon, Window
from polewright.calculation.planning.horizon_text import parse_horizon
from polewright.calculation.planning.limits import MountLimits, SkyLimits
from polewright.calculation.planning.planner import judge_sweep, plan_sweep
from polewright.calculation.planning.request import PlanRequest, Pointing, SweepWish
from polewright.calculation.planning.slew_paths import Timing
from polewright.calculation.planning.uncertainty import AttitudeNoise
from polewright.calculation.planning.violations import Reason
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCSEC, DEG, SIDEREAL_RATE

NOISE = AttitudeNoise(3.8 * ARCSEC, 3008, 2004)
NIGHT_UTC_S = 1.790e9 + 7 * 3600.0  # 2026-09-21 21:13 UTC: night at 10 deg east
NORTH = PlanRequest(Site(33.0, 10.0), NIGHT_UTC_S, NOISE)
SOUTH = replace(NORTH, site=Site(-33.0, 10.0))


def slot(low_az: float, high_az: float, wall: float = 75.0) -> Horizon:
    """Open between two azimuths, walled elsewhere."""
    lines = [f"{low_az} 10", f"{high_az} 10", f"{(high_az + 0.5) % 360} {wall}"]
    lines += [f"{(low_az - 0.5) % 360} {wall}"]
    return parse_horizon(lines)


@pytest.mark.parametrize("first", [0, 8])
def test_no_plan_under_random_skies_breaks_a_limit(first):
    """16 invented skies, both hemispheres, any time: brute force finds nothing wrong.

    tests/bench/planner_skies.py takes as many as one likes.
    """
    for k in range(first, first + 8):
        rng = np.random.default_rng([20261125, k])
        request, _ = random_request(rng)
        try:
            plans = plan_sweep(request)
        except NoSweepFits:
            free = replace(request, pointing=None)
            with_slew = request.pointing is not None
            try:
                plans = plan_sweep(free)
                assert with_slew
            except NoSweepFits:
                assert brute.exhaustive(free) is None, f"sky {k}"
                continue
            request = free
        assert 1 <= len(plans) <= 5
        for plan in plans:
            assert brute.faults_of(request, plan, rng) == [], f"sky {k}"


def test_the_brute_force_checker_notices_every_kind_of_fault():
    """A good plan turns bad when the sky around it changes: the check is able to fail."""
    plan = plan_sweep(replace(NORTH, mount=MountLimits(declination_max_deg=50.0)))[0]
    rng = np.random.default_rng(1)
    request = replace(NORTH, mount=MountLimits(declination_max_deg=50.0))
    p = plan.points[1]
    az, alt = p.azimuth / DEG, p.altitude / DEG
    worse = {
        "obstacle": replace(request, horizon=Horizon(altitude_deg=(alt + 1.0,))),
        "low": replace(request, sky=SkyLimits(altitude_min_deg=min(80.0, alt + 1.0))),
        "meridian": replace(request, mount=MountLimits(meridian_buffer_deg=80.0)),
        "declination": replace(request, mount=MountLimits(declination_max_deg=5.0)),
        "hour angle": replace(request, mount=MountLimits(hour_angle_max_deg=-100.0)),
        "mount altitude": replace(request, mount=MountLimits(altitude_min_deg=alt)),
        "step is wider": replace(request, step=10 * DEG),
    }
    assert brute.faults_of(request, plan, rng) == []
    for name, changed in worse.items():
        faults = brute.faults_of(changed, plan, rng)
        assert any(name in fault for fault in faults), (name, faults)
    lamp = Horizon(windows=(Window(az % 360, (az + 1) % 360, alt, min(90.0, alt + 1)),))
    assert any("obstacle" in f for f in brute.faults_of(replace(request, horizon=lamp), plan, rng))
    # The Sun: half a year and half a day of it pass over every declination up to 23 deg.
    low = replace(NORTH, mount=MountLimits(declination_min_deg=-20.0, declination_max_deg=20.0))
    plan = plan_sweep(low)[0]
    found = set()
    for hour in range(24):
        moved = replace(low, utc_s=low.utc_s + 3600.0 * hour)
        shift = tuple(replace(q, arrive_utc_s=q.arrive_utc_s + 3600.0 * hour) for q in plan.points)
        found |= set(brute.faults_of(moved, replace(plan, points=shift), rng))
    assert found == {"sun"}


@pytest.mark.parametrize("request_", [NORTH, SOUTH], ids=["north", "south"])
def test_an_open_sky_gets_the_wanted_step_and_five_different_sweeps(request_):
    """20-degree steps, one side of the meridian, ranked by uncertainty, at no cost."""
    plans = plan_sweep(request_)

    assert len(plans) == 5
    assert all(plan.step == pytest.approx(20 * DEG) for plan in plans)
    assert all(len(plan.points) == 3 for plan in plans)
    sigmas = [plan.sigma * (1 + plan.moon_weight) for plan in plans]
    assert all(b > a * 0.95 for a, b in pairwise(sigmas))
    assert plans[0].cost / ARCSEC < 0.1
    assert {plan.side for plan in plans} == {"east", "west"}
    for plan in plans:
        signs = {math.copysign(1.0, p.hour_angle) for p in plan.points}
        assert len(signs) == 1
        assert len({p.declination for p in plan.points}) == 1


def test_north_and_south_are_mirror_images(monkeypatch):
    """At opposite latitudes the same sky gives the same uncertainties, Moon apart."""
    monkeypatch.setattr(limits, "MOON_AVOID_DEG", 1e-6)
    north = [plan.sigma for plan in plan_sweep(NORTH)]
    south = [plan.sigma for plan in plan_sweep(SOUTH)]

    assert north == pytest.approx(south, rel=0.03)


@pytest.mark.parametrize("latitude_deg", [0.0, 4.2, 44.62])
def test_every_plan_is_compared_with_the_best_that_there_is(latitude_deg):
    """A sweep that is offered is never better than the "best of an open sky" beside it."""
    plans = plan_sweep(replace(NORTH, site=Site(latitude_deg, 10.0)))

    best = {plan.best_open_sigma for plan in plans}
    assert len(best) == 1
    assert min(plan.sigma for plan in plans) >= best.pop()


def test_a_narrow_slot_gets_the_widest_step_that_fits_and_says_what_it_costs():
    """The step shrinks, more points are tried, and the cost is against the open sky."""
    request = replace(
        NORTH, horizon=slot(110.0, 128.0), mount=MountLimits(declination_max_deg=40.0)
    )
    best = plan_sweep(request)[0]
    open_best = plan_sweep(replace(request, horizon=Horizon()))[0]

    assert 4 * DEG <= best.step < 20 * DEG
    assert best.cost == pytest.approx(best.sigma - open_best.sigma, rel=0.05)
    assert best.cost / ARCSEC > 1.0
    assert "more than" in best.cost_sentence
    # Nothing wider fits anywhere: half a degree more per step is refused.
    three = replace(request, max_points=3)
    widest = max(plan.step for plan in plan_sweep(three))
    assert widest < 20 * DEG
    with pytest.raises(NoSweepFits):
        plan_sweep(replace(three, min_step=widest + 0.5 * DEG))


def test_no_sweep_fits_behind_walls_and_the_error_says_what_blocks():
    """Walls of 80 degrees: the skyline takes all of the reachable sky."""
    with pytest.raises(NoSweepFits) as caught:
        plan_sweep(replace(NORTH, horizon=Horizon(altitude_deg=(85.0,))))

    assert caught.value.blocked["skyline"] == pytest.approx(1.0, abs=0.03)
    assert "skyline 100 %" in str(caught.value) or "skyline 99 %" in str(caught.value)
    assert "columns exchanged" in caught.value.likely
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


def test_a_sun_in_the_only_opening_forbids_it():
    """A slot around the morning Sun: a plan at night, none by day, and the Sun is named."""
    morning = 1.790e9 - 6 * 3600.0  # 2026-09-21 08:13 UTC, Sun in the south-east
    site = NORTH.site
    alt, az = brute.altaz(site.latitude_deg, *brute.sun_ha_dec(morning, site.longitude_deg))
    assert 25 < alt < 60
    request = replace(
        NORTH, horizon=slot(float(az) - 25.0, float(az) + 20.0, wall=85.0), min_step=8 * DEG,
        mount=MountLimits(declination_max_deg=40.0),
    )  # fmt: skip

    assert plan_sweep(request)
    with pytest.raises(NoSweepFits) as caught:
        plan_sweep(replace(request, utc_s=morning))
    assert caught.value.blocked["sun"] > 0.1


def test_the_first_slew_may_not_cross_the_sun():
    """The way over the Sun is refused though all points are clear of it; by night it is free."""
    noon = 1.790e9 - 2.5 * 3600.0
    ha, dec = brute.sun_ha_dec(noon, 10.0)
    beyond = Pointing(((ha + 180) % 360 - 180 - 40.0) * DEG, dec * DEG)
    wish = SweepWish(((ha + 180) % 360 - 180 + 38.0) * DEG, dec * DEG, 5 * DEG, 3, 1)

    judge_sweep(replace(NORTH, utc_s=noon), wish)  # the points alone are fine
    with pytest.raises(PlanRefused) as caught:
        judge_sweep(replace(NORTH, utc_s=noon, pointing=beyond), wish)
    assert [v.where for v in caught.value.violations] == ["first slew"]
    assert caught.value.violations[0].reason is Reason.SUN
    judge_sweep(replace(NORTH, pointing=beyond), wish)


def test_a_refused_sweep_tells_each_limit_once():
    """Where it is broken most, and which other places break it; nothing is left out."""
    wish = SweepWish(-40 * DEG, -44 * DEG, 15 * DEG, 4, -1)
    with pytest.raises(PlanRefused) as caught:
        judge_sweep(NORTH, wish)

    error = caught.value
    told = str(error)
    reasons = {v.reason for v in error.violations}
    assert len(error.violations) > len(reasons)
    for reason in reasons:
        group = [v for v in error.violations if v.reason is reason]
        worst = max(group, key=lambda v: v.amount)
        assert told.count(worst.sentence) == 1
        assert all(v.where in told for v in group)
    assert len(told) < 0.7 * sum(len(str(v)) for v in error.violations)


def test_every_plan_says_when_the_first_slew_was_not_checked():
    """Without a known pointing there is a warning, with one there is none."""
    at_pole = Pointing(0.0, 85 * DEG)

    assert any("first slew" in w for w in plan_sweep(NORTH)[0].warnings)
    assert not any(
        "first slew" in w for w in plan_sweep(replace(NORTH, pointing=at_pole))[0].warnings
    )


@pytest.mark.parametrize(("trees_deg", "crosses"), [(38, False), (50, True)])
def test_the_meridian_is_crossed_only_for_a_far_better_sweep(trees_deg, crosses):
    """A mount that looks west over trees stays there until a sweep in the east is 1.5 times surer.

    With the trees 38 deg high one in the east is surer too, by less.
    """
    trees = parse_horizon(["20 10", "180 10", f"182 {trees_deg}", f"358 {trees_deg}"])
    looking_west = replace(NORTH, horizon=trees, pointing=Pointing(60 * DEG, 30 * DEG))

    plans = plan_sweep(looking_west)

    assert plans[0].crosses_meridian is crosses
    assert plans[0].sigma > min(plan.sigma for plan in plans) or crosses


def test_a_mount_that_would_flip_is_not_sent_there():
    """Its own answer counts, wherever it puts the border; unknown answers are ignored."""
    border = -30 * DEG
    asked = []

    def side(ha, dec):
        asked.append((ha, dec))
        return "east" if ha < border else "west"

    plans = plan_sweep(replace(NORTH, destination_side=side))
    for plan in plans:
        drift = NORTH.timing.drift
        angles = [p.hour_angle for p in plan.points] + [p.hour_angle + drift for p in plan.points]
        assert len({angle < border for angle in angles}) == 1
    assert asked
    wish = SweepWish(-20 * DEG, 40 * DEG, 20 * DEG, 3, -1)
    with pytest.raises(PlanRefused) as caught:
        judge_sweep(replace(NORTH, destination_side=side), wish)
    assert [v.reason for v in caught.value.violations] == [Reason.PIER_SIDE]
    judge_sweep(replace(NORTH, destination_side=lambda _h, _d: None), wish)


def test_star_counts_are_a_minimum_and_shape_the_prediction():
    """Fields under the minimum are left out; rich fields promise more."""

    def counter(icrs):
        return np.where(icrs[:, 2] > math.sin(30 * DEG), 3.0, 60.0)

    plans = plan_sweep(replace(NORTH, stars_in_field=counter))

    assert all(p.stars == 60.0 for plan in plans for p in plan.points)
    assert all(plan.declination < 30.5 * DEG for plan in plans)
    with pytest.raises(NoSweepFits) as caught:
        plan_sweep(replace(NORTH, stars_in_field=lambda icrs: np.full(len(icrs), 3.0)))
    assert caught.value.blocked["stars"] == pytest.approx(1.0, abs=0.1)


def test_a_bright_moon_pushes_a_plan_down_but_does_not_forbid():
    """With a bright Moon in the east the west comes first; the east stays on the list."""
    request = replace(
        NORTH,
        utc_s=NORTH.utc_s + 7 * 86400.0,
        mount=MountLimits(declination_min_deg=0.0, declination_max_deg=15.0),
    )
    plans = plan_sweep(request)
    east = [plan for plan in plans if plan.side == "east"]

    assert plans[0].side == "west"
    assert plans[0].moon_up
    assert plans[0].moon_fraction > 0.9
    assert plans[0].moon_weight == 0.0
    assert east
    assert max(plan.moon_weight for plan in east) > 0.1
    assert any("bright Moon" in warning for plan in east for warning in plan.warnings)


def test_a_persons_own_start_is_judged_and_accepted():
    """Azimuth and altitude, default step: the plan starts there."""
    wish = SweepWish.from_azalt(NORTH.site, 70 * DEG, 60 * DEG)

    plan = judge_sweep(NORTH, wish)

    assert plan.points[0].azimuth / DEG == pytest.approx(70.0)
    assert plan.points[0].altitude / DEG == pytest.approx(60.0)
    assert brute.faults_of(NORTH, plan, np.random.default_rng(0)) == []
    assert plan.cost >= 0.0


def test_a_persons_unsafe_start_is_refused_with_every_reason_and_a_way_out():
    """Through a lamp, a wall and the meridian: all three are said, and the advice fits."""
    horizon = parse_horizon(
        ["0 10", "150 10", "160 60", "250 60", "260 10", "window 125 135 40 50 street lamp"]
    )
    request = replace(NORTH, horizon=horizon)
    wish = SweepWish.from_azalt(NORTH.site, 130 * DEG, 45 * DEG, direction=1)

    with pytest.raises(PlanRefused) as caught:
        judge_sweep(request, wish)

    reasons = {v.reason for v in caught.value.violations}
    assert {Reason.WINDOW, Reason.SKYLINE, Reason.MERIDIAN} <= reasons
    assert any(
        v.where == "point 1" and "street lamp" in v.sentence for v in caught.value.violations
    )
    assert all(v.amount > 0 and v.fix for v in caught.value.violations)
    assert "This one fits: start at azimuth" in caught.value.advice
    words = caught.value.advice
    ha = float(words.split("hour angle ")[1].split(",")[0])
    dec = float(words.split("declination ")[1].split(" deg")[0])
    step = float(words.split("points, ")[1].split(" deg")[0])
    judge_sweep(request, SweepWish(ha * DEG, dec * DEG, step * DEG, 3, 1))
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


def test_times_and_coordinates_of_the_points_fit_together():
    """Right ascension is sidereal time minus hour angle on arrival; arrivals include the slews."""
    plan = plan_sweep(NORTH)[0]
    timing = NORTH.timing
    frame = NORTH.frame(NORTH.utc_s)

    for i, point in enumerate(plan.points):
        arrive = timing.first_slew_s + i * (timing.dwell_s + timing.slew.seconds(plan.step))
        assert point.arrive_utc_s - NORTH.utc_s == pytest.approx(arrive)
        lst = frame.lst + arrive * SIDEREAL_RATE
        turn = (lst - point.hour_angle - point.right_ascension) / (2 * math.pi)
        assert turn == pytest.approx(round(turn), abs=1e-9)
    assert plan.duration_s == pytest.approx(plan.end_utc_s - NORTH.utc_s)
    assert frame.lst == pytest.approx(
        NORTH.frame(NORTH.utc_s + 100.0).lst - 100.0 * SIDEREAL_RATE, abs=1e-9
    )


def test_a_longer_reserve_keeps_more_distance_from_what_is_in_the_west():
    """Stars drift westward, 2.5 degrees in ten minutes: with those in reserve the sweep starts that
    much farther east, to the next of the planner's steps."""
    wall = slot(60.0, 120.0)
    base = replace(NORTH, horizon=wall, mount=MountLimits(declination_max_deg=30.0))
    slow = replace(base, timing=Timing(reserve_s=600.0))
    rng = np.random.default_rng(3)

    quick_plan, slow_plan = plan_sweep(base)[0], plan_sweep(slow)[0]

    assert brute.faults_of(slow, slow_plan, rng) == []
    assert slow_plan.declination == quick_plan.declination
    west = [max(p.hour_angle for p in plan.points) / DEG for plan in (quick_plan, slow_plan)]
    assert 1.5 < west[0] - west[1] < 3.5


def test_a_sweep_runs_the_way_that_ends_where_both_adjusters_are_seen():
    """In a slot about due east one end lies where both move the stars along one line; the other
    one is taken, as there is time enough for adjusting there."""
    request = replace(
        NORTH,
        site=Site(50.0, 10.0),
        horizon=slot(60.0, 120.0),
        mount=MountLimits(declination_max_deg=30.0),
    )
    plan = plan_sweep(request)[0]
    wish = SweepWish(plan.points[-1].hour_angle, plan.declination, plan.step, 3, -plan.direction)

    back = judge_sweep(request, wish)

    assert back.hides_adjuster
    assert back.sigma == pytest.approx(plan.sigma, rel=0.02)
    assert back.adjusting_time_s > plan.adjusting_time_s > 900.0
    assert not plan.hides_adjuster


@pytest.mark.parametrize(
    "change",
    [{"n_points": 2}, {"step": 0.0}, {"min_step": math.nan}, {"utc_s": math.inf}],
)
def test_a_request_without_sense_is_refused(change):
    """Said at once, not after a search."""
    with pytest.raises(LimitsInvalid):
        replace(NORTH, **change)


@pytest.mark.parametrize("latitude_deg", [-5.0, 3.0])
def test_no_allowed_sweep_is_better_than_the_one_offered(latitude_deg):
    """Few stars near the poles make the roll uncertain there, and with it the axis: sweeps tried
    one by one (a declination every 12 degrees, an hour angle every 13) are worse or equal, within
    3 %."""

    def counted(directions):
        return np.where(np.abs(directions[:, 2]) > 0.7, 12.0, 200.0)

    request = replace(
        NORTH,
        site=Site(latitude_deg, 10.0),
        noise=AttitudeNoise(2.0 * ARCSEC, 3008, 2004),
        stars_in_field=counted,
        shared=SharedErrors(sag=8.0 * ARCSEC, refraction=(1.0 * ARCSEC, 0.0)),
    )
    plans = plan_sweep(request)
    outlook = Outlook(request)
    best = math.inf
    for declination in range(-84, 85, 12):
        for hour_angle in (*range(6, 140, 13), *range(-174, -40, 13)):
            _, plan = evaluate(
                outlook, hour_angle * DEG, declination * DEG, 20.0 * DEG, 3, math.inf,
                all_reasons=False,
            )  # fmt: skip
            if plan is not None:
                best = min(best, plan.sigma * (1.0 + plan.moon_weight))

    assert plans[0].sigma * (1.0 + plans[0].moon_weight) <= 1.03 * best
