import math
from typing import Any

import numpy as np
import pytest
from planning import brute

from polewright.calculation.planning.errors import LimitsInvalid
from polewright.calculation.planning.horizon import Horizon, Window
from polewright.calculation.planning.limits import (
    MountLimits,
    Rules,
    SkyLimits,
    SkyState,
    Use,
    allowed,
    moon_weight,
    shortfalls,
)
from polewright.calculation.planning.violations import Reason
from polewright.calculation.sky.frame import ObservedFrame, hour_angle_dec
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import DEG, enu_from_azalt

SITE = Site(48.0, 11.0, 500.0)


def state(sun_az=180.0, sun_alt=-30.0, moon_az=90.0, moon_alt=-20.0, fraction=1.0) -> SkyState:
    """An invented sky."""
    return SkyState(
        0.0,
        enu_from_azalt(sun_az * DEG, sun_alt * DEG),
        enu_from_azalt(moon_az * DEG, moon_alt * DEG),
        fraction,
    )


def reasons_at(rules, sky, az, alt, use=Use.EXPOSE) -> Reason:
    ha, dec = hour_angle_dec(rules.site, enu_from_azalt(az * DEG, alt * DEG))
    return Reason(int(allowed(rules, sky, ha, dec, use).reasons))


def test_each_limit_is_named_when_it_alone_is_broken():
    """One direction for each reason, and one that is free."""
    wall = Horizon(
        (80.0, 90.0, 100.0, 300.0), (0.0, 50.0, 0.0, 0.0), None, (Window(200, 210, 30, 40),)
    )
    rules = Rules(SITE, wall)

    assert reasons_at(rules, state(), 120.0, 60.0) == Reason.NONE
    assert reasons_at(rules, state(), 90.0, 45.0) == Reason.SKYLINE
    assert reasons_at(rules, state(), 205.0, 35.0) == Reason.WINDOW
    assert reasons_at(rules, state(), 120.0, 15.0) == Reason.LOW
    assert reasons_at(rules, state(), 180.0, 60.0) == Reason.MERIDIAN
    assert reasons_at(rules, state(sun_az=120.0, sun_alt=40.0), 120.0, 60.0) == Reason.SUN
    assert reasons_at(
        Rules(SITE, mount=MountLimits(altitude_min_deg=30.0)), state(), 120.0, 25.0
    ) == (Reason.MOUNT_ALTITUDE)
    assert reasons_at(
        Rules(SITE, mount=MountLimits(hour_angle_max_deg=10.0)), state(), 240.0, 40.0
    ) == (Reason.HOUR_ANGLE)
    assert reasons_at(
        Rules(SITE, mount=MountLimits(declination_max_deg=5.0)), state(), 120.0, 60.0
    ) == (Reason.DECLINATION)
    overhung = Horizon((0.0,), (0.0,), (40.0,))
    assert reasons_at(Rules(SITE, overhung), state(), 120.0, 60.0) == Reason.OVERHANG


def test_the_sun_counts_from_minus_six_degrees_and_by_default():
    """At -5.9 the Sun is a hard limit, at -6.1 it is not; nothing has to be switched on."""
    rules = Rules(SITE)

    assert Reason.SUN in reasons_at(rules, state(120.0, -5.9), 120.0, 21.0)
    assert Reason.SUN not in reasons_at(rules, state(120.0, -6.1), 120.0, 21.0)
    assert rules.sky.sun_avoid_deg == 30.0


def test_the_sun_counts_on_the_way_to_the_first_point_as_well():
    """The approach ignores walls and the meridian, but not the Sun."""
    rules = Rules(SITE, Horizon(altitude_deg=(80.0,)))

    assert reasons_at(rules, state(180.0, 40.0), 180.0, 60.0, Use.APPROACH) == Reason.SUN
    assert reasons_at(rules, state(0.0, 40.0), 180.0, 60.0, Use.APPROACH) == Reason.NONE


def test_the_shortfall_is_the_angle_missing():
    """5 degrees above a wall, with 1 degree of clearance, 2 of pointing and 3 of field: 1 short."""
    rules = Rules(
        SITE, Horizon(altitude_deg=(40.0,)), pointing_margin_deg=2.0, field_margin_deg=3.0
    )
    ha, dec = hour_angle_dec(SITE, enu_from_azalt(120 * DEG, 45 * DEG))

    exposing = float(shortfalls(rules, state(), ha, dec, Use.EXPOSE)[Reason.SKYLINE]) / DEG
    passing = float(shortfalls(rules, state(), ha, dec, Use.SLEW)[Reason.SKYLINE]) / DEG

    assert exposing == pytest.approx(1.0, abs=0.01)
    assert passing == pytest.approx(-2.0, abs=0.01)


@pytest.mark.parametrize("latitude", [52.0, -33.0])
def test_the_predicate_agrees_with_school_trigonometry(latitude):
    """Both hemispheres, thousands of directions, a jagged skyline: same verdict off the edges."""
    rng = np.random.default_rng(5)
    horizon = Horizon(
        tuple(np.arange(0.0, 360.0, 20.0)), tuple(rng.uniform(5.0, 60.0, 18)),
        None, (Window(100.0, 140.0, 60.0, 75.0),), 1.5,
    )  # fmt: skip

    class Asked:
        site = Site(latitude, 10.0)
        mount = MountLimits()
        sky = SkyLimits()
        pointing_margin_deg = 1.0
        horizon: Any

        class noise:  # noqa: N801
            width_px, height_px, pixel_scale = 3000, 2000, 1e-5

    Asked.horizon = horizon
    rules = Rules(Asked.site, horizon, field_margin_deg=brute.field_margin(Asked))
    ha, dec = rng.uniform(-180, 180, 4000), rng.uniform(-85, 85, 4000)
    bad = np.zeros(4000, bool)
    for mask in brute.fixed_faults(Asked, ha, dec, True).values():
        bad |= mask

    verdict = allowed(rules, state(), ha * DEG, dec * DEG, Use.EXPOSE)

    near_an_edge = np.abs(verdict.worst) < 0.3 * DEG
    assert np.array_equal(verdict.mask[~near_an_edge], ~bad[~near_an_edge])
    # Where they may differ, the predicate is the stricter one.
    assert not np.any(verdict.mask & bad)
    assert 300 < np.sum(verdict.mask) < 3000


def test_a_fork_has_no_meridian():
    """Without a buffer the meridian is free."""
    rules = Rules(SITE, mount=MountLimits(meridian_buffer_deg=None))

    assert reasons_at(rules, state(), 180.0, 60.0) == Reason.NONE


def test_moonlight_weighs_by_distance_and_phase_and_only_above_the_horizon():
    """Full on the Moon, none at 30 degrees, half for a half Moon, none when it is down."""
    up = state(moon_az=100.0, moon_alt=40.0)
    on = enu_from_azalt(100 * DEG, 40 * DEG)

    assert float(moon_weight(up, on)) == pytest.approx(1.0)
    assert float(moon_weight(up, enu_from_azalt(100 * DEG, 55 * DEG))) == pytest.approx(0.5)
    assert float(moon_weight(up, enu_from_azalt(100 * DEG, 75 * DEG))) == 0.0
    half = state(moon_az=100.0, moon_alt=40.0, fraction=0.5)
    assert float(moon_weight(half, on)) == pytest.approx(0.5)
    assert float(moon_weight(state(), on)) == 0.0


def test_the_sky_state_has_the_sun_where_the_almanac_has_it():
    """Against the Almanac's low-precision Sun (0.01 deg) without air, four times of the year."""
    for day in (0, 91, 182, 273):
        utc_s = 1.767e9 + 86400.0 * day
        frame = ObservedFrame.at(SITE, Atmosphere.none(), utc_s)
        alt, az = brute.altaz(SITE.latitude_deg, *brute.sun_ha_dec(utc_s, SITE.longitude_deg))
        sun = SkyState.at(frame).sun_enu
        expected = enu_from_azalt(az * DEG, alt * DEG)

        assert math.degrees(math.acos(min(1.0, float(sun @ expected)))) < 0.03


@pytest.mark.parametrize(
    "build",
    [
        lambda: SkyLimits(sun_avoid_deg=0.0),
        lambda: SkyLimits(sun_avoid_deg=math.nan),
        lambda: SkyLimits(altitude_min_deg=-3.0),
        lambda: MountLimits(meridian_buffer_deg=-1.0),
        lambda: MountLimits(declination_min_deg=20.0, declination_max_deg=10.0),
        lambda: Rules(SITE, pointing_margin_deg=math.inf),
    ],
)
def test_limits_without_sense_are_refused(build):
    """No limit can be switched off by a zero or a NaN."""
    with pytest.raises(LimitsInvalid):
        build()
