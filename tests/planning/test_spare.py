import json
import math
from dataclasses import replace

import numpy as np
from planning import brute

from polewright.calculation.planning.alternative_points import spare_points
from polewright.calculation.planning.horizon import Horizon
from polewright.calculation.planning.horizon_text import parse_horizon
from polewright.calculation.planning.plan_as_data import plan_data
from polewright.calculation.planning.planner import plan_sweep
from polewright.calculation.planning.request import PlanRequest
from polewright.calculation.planning.uncertainty import AttitudeNoise
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCSEC, DEG, HOUR, SIDEREAL_RATE

REQUEST = PlanRequest(
    Site(45.0, 10.0),
    1.790e9 + 7 * 3600.0,
    AttitudeNoise(3.8 * ARCSEC, 3008, 2004),
    horizon=parse_horizon(["0 10", "70 10", "80 40", "100 40", "110 10"]),
)


def test_spare_points_are_clear_reachable_and_apart_from_the_failed_one():
    """Brute force agrees that the stay is clear and so is the way there."""
    dec, now = 40.0, -30.0
    taken, failed = [-10.0 * DEG], [-30.0 * DEG]

    spares = spare_points(
        REQUEST, declination=dec * DEG, hour_angle_now=now * DEG, taken=taken, failed=failed
    )

    assert 2 <= len(spares) <= 5
    drift = (REQUEST.timing.dwell_s + REQUEST.timing.reserve_s) * SIDEREAL_RATE / DEG
    for spare in spares:
        ha = spare.hour_angle / DEG
        assert min(abs(ha - 30.0 * -1), abs(ha + 10.0)) >= 3.0 - 1e-9
        stay = np.linspace(ha, ha + drift, 20)
        way = np.linspace(now, ha, 200)[3:]
        for path, exposing in ((stay, True), (way, False)):
            faults = brute.fixed_faults(REQUEST, path, np.full(len(path), dec), exposing)
            assert not any(np.any(mask) for mask in faults.values()), faults
    sigmas = [spare.sigma for spare in spares]
    assert sigmas == sorted(sigmas)
    assert all(math.isfinite(sigma) for sigma in sigmas)


def test_no_spare_point_lies_across_the_meridian_or_behind_a_wall():
    """From the east side only the east side is offered; a closed sky offers nothing."""
    spares = spare_points(
        REQUEST, declination=0.6, hour_angle_now=-0.6, taken=[-0.3], failed=[-0.6], count=50
    )

    assert spares
    assert all(spare.hour_angle < -6 * DEG for spare in spares)
    closed = replace(REQUEST, horizon=Horizon(altitude_deg=(85.0,)))
    assert spare_points(closed, declination=0.6, hour_angle_now=-0.6, taken=[], failed=[]) == []


def test_poor_fields_are_not_offered():
    """The star minimum holds for spare points too."""
    poor = replace(REQUEST, stars_in_field=lambda icrs: np.zeros(len(icrs)))

    assert spare_points(poor, declination=0.6, hour_angle_now=-0.6, taken=[], failed=[]) == []


def test_a_plan_becomes_plain_data_that_survives_json():
    """Degrees, hours and arcseconds agree with the plan's radians."""
    plan = plan_sweep(REQUEST)[0]

    data = json.loads(json.dumps(plan_data(plan), allow_nan=False))

    assert data["sigma_arcsec"] == round(plan.sigma / ARCSEC, 3)
    assert data["points"][1]["hour_angle_deg"] == round(plan.points[1].hour_angle / DEG, 6)
    assert data["points"][1]["right_ascension_of_date_hours"] == round(
        plan.points[1].right_ascension / HOUR, 6
    )
    assert data["start_utc"] == "2026-09-21T21:13:20Z"
    assert len(data["points"]) == 3
