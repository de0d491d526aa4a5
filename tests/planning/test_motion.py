import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.calculation.planning.errors import LimitsInvalid
from polewright.calculation.planning.slew_paths import AxisMotion, Timing, approaches, sweep_course
from polewright.foundation.angles import DEG, SIDEREAL_RATE


@given(st.floats(0.1, 10.0), st.floats(0.1, 10.0), st.floats(0.01, 180.0))
def test_a_slew_starts_and_ends_at_rest_within_its_speed_and_acceleration(rate, push, angle):
    """Numerical differences of the progress never exceed the limits, and it arrives."""
    axis = AxisMotion(rate, push)
    total = axis.seconds(angle * DEG)
    t = np.linspace(0.0, total, 2001)
    place = axis.progress(angle * DEG, t) * angle
    speed = np.diff(place) / np.diff(t)

    assert place[0] == 0.0
    assert place[-1] == pytest.approx(angle)
    assert np.all(speed > -1e-9)
    assert np.max(speed) <= rate * (1 + 1e-6)
    assert np.max(np.abs(np.diff(speed) / np.diff(t)[0])) <= push * 1.01 + 1e-6
    assert np.max(speed) >= min(rate, math.sqrt(angle * push)) * 0.99


def test_twenty_degrees_at_two_degrees_a_second_take_twelve_seconds():
    """10 s of travel and 2 s for the ramps of 1 deg/s^2 (by hand)."""
    assert AxisMotion(2.0, 1.0).seconds(20 * DEG) == pytest.approx(12.0)
    assert AxisMotion(2.0, 1.0).seconds(-1 * DEG) == pytest.approx(2.0)


def test_a_course_contains_every_delay_up_to_the_reserve():
    """Each stay spans the drift, each slew begins at both of its ends, and steps stay fixed."""
    timing = Timing(reserve_s=240.0)
    course = sweep_course(timing, 0.5, -0.2, 3)

    for i in range(3):
        stay = course.hour_angle[course.leg == 2 * i]
        assert stay[0] == pytest.approx(0.5 - 0.2 * i)
        assert stay[-1] - stay[0] == pytest.approx((240.0 + timing.dwell_s) * SIDEREAL_RATE)
        assert np.max(np.abs(np.diff(stay))) <= 0.05 * DEG * 1.001
    for i in range(2):
        slew = course.hour_angle[course.leg == 2 * i + 1]
        assert np.min(slew) == pytest.approx(0.5 - 0.2 * (i + 1))
        assert np.max(slew) == pytest.approx(0.5 - 0.2 * i + timing.drift)
    assert np.all(course.earliest <= course.seconds + 1e-9)


def test_a_change_of_sides_goes_over_the_pole_and_ends_where_it_should():
    """West to east with the counterweight low: the ends agree, and the pole lies in the box."""
    start, goal = (50 * DEG, 20 * DEG), (-50 * DEG, 20 * DEG)
    ways = approaches(start, goal, southern=False, may_flip=True)
    over = [way for way in ways if way.flips]

    assert len(ways) == 2
    ha, dec = over[0].straight(AxisMotion())
    assert (ha[0], dec[0]) == pytest.approx(start)
    assert (ha[-1], dec[-1]) == pytest.approx(goal)
    assert np.max(dec) > 88 * DEG
    assert len(approaches(start, goal, southern=False, may_flip=False)) == 1


def test_southern_ways_pass_the_southern_pole():
    """The mirror image: declinations near -90."""
    ways = approaches((50 * DEG, -20 * DEG), (-50 * DEG, -20 * DEG), southern=True, may_flip=True)
    _, dec = ways[1].straight(AxisMotion())

    assert np.min(dec) < -88 * DEG


def test_near_the_meridian_both_sides_are_considered():
    """From hour angle 5 deg the mount may stand on either side."""
    ways = approaches((5 * DEG, 10 * DEG), (60 * DEG, 10 * DEG), southern=False, may_flip=True)

    assert len([way for way in ways if way.flips]) == 2


@pytest.mark.parametrize("build", [lambda: AxisMotion(0.0, 1.0), lambda: Timing(settle_s=math.nan)])
def test_motion_without_sense_is_refused(build):
    """Zero speeds and NaN times are said at once."""
    with pytest.raises(LimitsInvalid):
        build()
