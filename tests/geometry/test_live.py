from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.calculation.geometry.attitude import attitude_from_solution
from polewright.calculation.geometry.axis_from_one_frame import (
    BLIND_BELOW,
    TurnVerdict,
    carry_axis,
    carry_axis_covariance,
    split_turn,
)
from polewright.calculation.geometry.rotation import tangent_basis
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import (
    ARCMIN,
    ARCSEC,
    DEG,
    SIDEREAL_RATE,
    azalt_from_enu,
    separation,
)

from .sweeps import NIGHT, NOISE, NORTH, SOUTH, camera_at, shaken, solution, true_axis, turn

UP = np.array([0.0, 0.0, 1.0])


def _raise_about(axis: np.ndarray) -> np.ndarray:
    """Horizontal direction about which a right-handed turn raises the axis."""
    level = np.array([axis[1], -axis[0], 0.0])
    return level / np.linalg.norm(level)


@settings(max_examples=60, deadline=None)
@given(
    south=st.booleans(),
    azimuth=st.floats(-3, 3),
    altitude=st.floats(-3, 3),
    tilt=st.floats(-5, 5),
    ra=st.floats(-90, 90),
    hour_angle=st.floats(-90, 90),
    declination=st.floats(-80, 80),
)
def test_the_axis_is_carried_whatever_ra_and_tripod_do(
    south: bool,
    azimuth: float,
    altitude: float,
    tilt: float,
    ra: float,
    hour_angle: float,
    declination: float,
) -> None:
    """Any base turn about any axes (a tilted tripod too), with any turn in right ascension before
    and after it, gives exactly the axis that the base carries."""
    site = SOUTH if south else NORTH
    axis = true_axis(site, 0.01, -0.005)
    reference = turn(axis, 0.3) @ camera_at(site, hour_angle * DEG, declination * DEG)
    leaning = turn([0.6, 0.8, 0.0], tilt * DEG)
    base = turn(leaning @ UP, azimuth * DEG) @ turn(leaning @ _raise_about(axis), altitude * DEG)
    moved = base @ axis
    current = turn(moved, -0.2) @ base @ turn(axis, ra * DEG) @ reference

    assert float(separation(carry_axis(axis, reference, current), moved)) < 1e-12


@pytest.mark.parametrize("site", [NORTH, SOUTH])
@pytest.mark.parametrize("tracking", [True, False])
def test_six_hours_leave_the_axis_where_it_was(site: Site, tracking: bool) -> None:
    """Through real skies: a mount on the pole that tracks follows its stars, one that stands still
    sees others; either way the axis stays, and the RA turn is the sky's: clockwise
    about the north pole, so negative, and positive about the south pole."""
    rng = np.random.default_rng(1)
    axis = true_axis(site)
    start = camera_at(site, -0.7, math.copysign(0.6, site.latitude))
    elapsed = 6 * 3600.0
    sense = 1.0 if site.southern else -1.0
    expected = sense * SIDEREAL_RATE * elapsed if tracking else 0.0
    air = Atmosphere.standard(site.elevation_m)
    found = []
    for dt, ra in ((0.0, 0.0), (elapsed, expected)):
        frame = ObservedFrame.at(site, air, NIGHT + dt)
        solved = solution(turn(axis, ra) @ start, frame, rng, sigma_px=0.0)
        found.append((attitude_from_solution(solved, frame).matrix, frame))
    (reference, early), (current, late) = found
    split = split_turn(axis, reference, current, expected_ra_turn=expected, southern=site.southern)

    assert float(separation(carry_axis(axis, reference, current), axis)) < 0.01 * ARCSEC
    assert abs(split.unexpected) < 0.01 * ARCSEC
    followed = separation(early.to_icrs(reference[:, 2]), late.to_icrs(current[:, 2]))
    # Refraction changes as the star sinks, so even a perfect mount drifts by arcminutes.
    assert (float(followed) < 6 * ARCMIN) == tracking


@settings(max_examples=60, deadline=None)
@given(
    south=st.booleans(),
    azimuth=st.floats(-2, 2),
    altitude=st.floats(-2, 2),
    ra=st.floats(-100, 100),
    hour_angle=st.floats(-90, 90),
)
def test_a_turn_splits_into_what_it_was_made_of(
    south: bool, azimuth: float, altitude: float, ra: float, hour_angle: float
) -> None:
    """Azimuth east positive in both hemispheres, altitude up positive, RA right-handed about the
    axis; exactly, not only to first order."""
    site = SOUTH if south else NORTH
    axis = true_axis(site, 0.01, -0.005)
    reference = camera_at(site, hour_angle * DEG, 0.4)
    # East is clockwise from above in the north, counterclockwise in the south.
    base = turn(UP, (azimuth if south else -azimuth) * DEG) @ turn(
        _raise_about(axis), altitude * DEG
    )
    current = base @ turn(axis, ra * DEG) @ reference
    split = split_turn(axis, reference, current, expected_ra_turn=ra * DEG, southern=south)

    assert split.azimuth == pytest.approx(azimuth * DEG, abs=1e-10)
    assert split.altitude == pytest.approx(altitude * DEG, abs=1e-10)
    assert split.right_ascension == pytest.approx(ra * DEG, abs=1e-10)
    assert split.unexpected == pytest.approx(0.0, abs=1e-10)
    assert split.verdict is not TurnVerdict.UNEXPECTED
    carried = carry_axis(axis, reference, current)
    if azimuth > 0.1:
        assert carried[0] > axis[0]
    if altitude > 0.1:
        assert azalt_from_enu(carried)[1] > azalt_from_enu(axis)[1]


@pytest.mark.parametrize("site", [NORTH, SOUTH, Site(60.0, 0.0)])
@pytest.mark.parametrize("hour_angle_deg", [-90.0, -50.0, 0.0, 30.0, 90.0])
@pytest.mark.parametrize("declination_deg", [-20.0, 40.0])
def test_a_declination_turn_hides_as_derived(
    site: Site, hour_angle_deg: float, declination_deg: float
) -> None:
    """A small turn about the true declination axis appears as altitude, azimuth and RA in the
    proportions of the module's derivation, and the RA part is ``sensitivity`` times it. On the
    meridian it looks like an altitude turn and nothing else."""
    axis = true_axis(site)
    reference = camera_at(site, hour_angle_deg * DEG, declination_deg * DEG)
    d = np.cross(axis, reference[:, 2])
    delta = 5 * ARCMIN
    current = turn(d / np.linalg.norm(d), delta) @ reference
    split = split_turn(axis, reference, current, expected_ra_turn=0.0, southern=site.southern)

    assert split.unexpected == pytest.approx(split.sensitivity * delta, abs=0.005 * delta)
    east = split.azimuth * math.cos(site.latitude)
    assert math.hypot(split.altitude, east) == pytest.approx(delta, rel=0.01)
    blind = abs(hour_angle_deg) < 1.0
    assert (abs(split.sensitivity) < BLIND_BELOW) == blind
    if blind:
        assert abs(split.altitude) == pytest.approx(delta, rel=1e-3)
        assert split.verdict is TurnVerdict.CANNOT_TELL
    else:
        assert split.unexpected / split.sensitivity == pytest.approx(delta, rel=0.01)


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_a_slipped_declination_is_noticed_where_it_can_be(site: Site) -> None:
    """One degree, six hours from the meridian: reported as unexpected. Backlash of an arcminute in
    the same pose is not."""
    axis = true_axis(site)
    reference = camera_at(site, 90 * DEG, 0.2)
    d = np.cross(axis, reference[:, 2])
    slipped = turn(d / np.linalg.norm(d), 1 * DEG) @ reference
    backlash = turn(axis, 1 * ARCMIN) @ reference
    verdicts = [
        split_turn(axis, reference, m, expected_ra_turn=0.0, southern=site.southern).verdict
        for m in (slipped, backlash)
    ]

    assert verdicts == [TurnVerdict.UNEXPECTED, TurnVerdict.AS_EXPECTED]


def test_a_leaning_tripod_alone_is_not_reported() -> None:
    """Half a degree of azimuth on a base that leans by 1.5 deg leaks into the RA part, within the
    tolerance that ``tilt_doubt`` grants; without it, it would have been called unexpected."""
    axis = true_axis(NORTH)
    reference = camera_at(NORTH, 60 * DEG, 0.2)
    current = turn(turn([1.0, 0.0, 0.0], 1.5 * DEG) @ UP, 0.5 * DEG) @ reference
    split = split_turn(axis, reference, current, expected_ra_turn=0.0, southern=False)
    strict = split_turn(
        axis,
        reference,
        current,
        expected_ra_turn=0.0,
        southern=False,
        ra_doubt=0.1 * ARCMIN,
        tilt_doubt=0.0,
    )

    assert split.verdict is TurnVerdict.AS_EXPECTED
    assert strict.verdict is TurnVerdict.UNEXPECTED


def test_without_an_expectation_nothing_can_be_told() -> None:
    """An unknown RA turn leaves no check."""
    reference = camera_at(NORTH, 60 * DEG, 0.2)
    split = split_turn(
        true_axis(NORTH), reference, reference, expected_ra_turn=None, southern=False
    )

    assert split.verdict is TurnVerdict.CANNOT_TELL


def test_pointing_at_the_pole_is_blind() -> None:
    """There the declination axis cannot be told from the picture."""
    axis = true_axis(NORTH)
    reference = np.column_stack([tangent_basis(axis), axis])
    split = split_turn(axis, reference, reference, expected_ra_turn=0.0, southern=False)

    assert split.sensitivity == 0.0
    assert split.verdict is TurnVerdict.CANNOT_TELL


def test_the_carried_covariance_predicts_the_spread() -> None:
    """2000 noisy pairs of frames and axes: the spread across the carried axis is as stated."""
    rng = np.random.default_rng(5)
    axis = true_axis(NORTH, 0.01)
    reference = camera_at(NORTH, 0.6, 0.3)
    current = turn(UP, 1 * DEG) @ turn(axis, 0.5) @ reference
    basis = tangent_basis(axis)
    sigma = np.diag([4.0, 1.0]) * ARCSEC**2
    covariance = basis @ sigma @ basis.T
    carried = carry_axis(axis, reference, current)
    stated = carry_axis_covariance(axis, covariance, reference, NOISE, current, NOISE)
    draws = []
    for _ in range(2000):
        noisy = axis + basis @ np.sqrt(sigma) @ rng.normal(size=2)
        now = carry_axis(noisy, shaken(reference, NOISE, rng), shaken(current, NOISE, rng))
        draws.append(now - carried)

    spread = np.cov(np.array(draws).T)
    assert np.allclose(spread, stated, atol=0.1 * np.max(stated))
    assert np.allclose(stated @ carried, 0.0, atol=1e-9 * np.max(stated))
