from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, ncx2

from polewright.calculation.geometry.axis_error import AxisError, axis_error
from polewright.calculation.geometry.compass_words import altitude_word, azimuth_word
from polewright.calculation.geometry.rotation import tangent_basis
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, azalt_from_enu, enu_from_azalt

from .sweeps import NORTH, SOUTH, true_axis

AIR = Atmosphere.standard(0.0)


def _covariance(axis: np.ndarray, sigma: float) -> np.ndarray:
    basis = tangent_basis(axis)
    return sigma**2 * basis @ basis.T


def _error(axis: np.ndarray, site: Site, target: PoleTarget = PoleTarget.TRUE) -> AxisError:
    return axis_error(axis, _covariance(axis, ARCSEC), site, target, AIR)


def _plane(az: float, alt: float, covariance: np.ndarray) -> AxisError:
    return AxisError(alt, az, az, math.hypot(az, alt), covariance, PoleTarget.TRUE)


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_signs_keep_their_compass_meaning_in_both_hemispheres(site: Site) -> None:
    """Too high is positive, and so is east of the pole, over north and over south."""
    pole_azimuth = math.pi if site.southern else 0.0
    altitude = abs(site.latitude)
    # From a pole in the north east is a larger azimuth; from one in the south a smaller one.
    eastward = -1.0 if site.southern else 1.0
    east = _error(enu_from_azalt(pole_azimuth + eastward * 0.01, altitude), site)
    high = _error(enu_from_azalt(pole_azimuth, altitude + 0.01), site)

    assert east.d_az_base == pytest.approx(0.01)
    assert east.d_az_sky == pytest.approx(0.01 * math.cos(altitude))
    assert east.d_alt == pytest.approx(0.0, abs=1e-12)
    assert east.move_axis[0] == "west"
    assert high.d_alt == pytest.approx(0.01)
    assert high.move_axis[1] == "down"
    # An axis with a positive east component of its vector lies east, wherever the pole is.
    assert float(enu_from_azalt(pole_azimuth + eastward * 0.01, altitude)[0]) > 0.0


def test_zero_has_no_direction() -> None:
    """No word is better than a wrong one."""
    assert (azimuth_word(0.0), altitude_word(0.0)) == ("", "")


@given(
    latitude=st.floats(-75, 75),
    east=st.floats(-2, 2),
    up=st.floats(-2, 2),
)
def test_the_total_is_the_hypotenuse_for_small_errors(
    latitude: float, east: float, up: float
) -> None:
    """Components come back as they were put in, and the great circle is their hypotenuse to first
    order (second order: error squared times tan of the latitude)."""
    site = Site(latitude, 0.0)
    error = _error(true_axis(site, east * DEG, up * DEG), site)

    assert error.d_az_sky == pytest.approx(east * DEG, abs=1e-12)
    assert error.d_alt == pytest.approx(up * DEG, abs=1e-12)
    slack = (2.9 * DEG) ** 2 * math.tan(75 * DEG)
    assert error.total == pytest.approx(math.hypot(error.d_az_sky, error.d_alt), abs=slack)


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_the_refracted_target_is_higher(site: Site) -> None:
    """An axis on the true pole is too low for the refracted one by the refraction there: about
    1.5 arcmin at 33 deg (cot 33 deg = 1.54 times 58 arcsec)."""
    error = _error(true_axis(site), site, PoleTarget.REFRACTED)

    assert error.d_alt == pytest.approx(-1.54 * 58 * ARCSEC, abs=3 * ARCSEC)
    assert error.target is PoleTarget.REFRACTED


@pytest.mark.parametrize("site", [NORTH, SOUTH, Site(70.0, 0.0)])
def test_the_covariance_follows_the_axis(site: Site) -> None:
    """By finite differences: shake the axis with a lopsided covariance and look at the spread of
    the components."""
    rng = np.random.default_rng(3)
    axis = true_axis(site, 0.01, 0.005)
    basis = tangent_basis(axis)
    lopsided = np.array([[9.0, 2.0], [2.0, 1.0]]) * ARCSEC**2
    covariance = basis @ lopsided @ basis.T
    root = np.linalg.cholesky(lopsided)
    draws = []
    for _ in range(3000):
        shaken = axis + basis @ root @ rng.normal(size=2)
        e = axis_error(shaken / np.linalg.norm(shaken), covariance, site, PoleTarget.TRUE, AIR)
        draws.append([e.d_az_sky, e.d_alt])
    stated = axis_error(axis, covariance, site, PoleTarget.TRUE, AIR)

    spread = np.cov(np.array(draws).T)
    assert np.allclose(spread, stated.covariance, atol=0.08 * np.max(np.diag(stated.covariance)))
    assert stated.sigma_az_sky == pytest.approx(math.sqrt(stated.covariance[0, 0]))
    assert stated.sigma_alt == pytest.approx(math.sqrt(stated.covariance[1, 1]))


def test_the_covariance_is_exact_far_from_the_pole_too() -> None:
    """At latitude 80 and an axis 3 deg too high the components' derivatives, by finite differences,
    give the stated covariance to a part in a thousand."""
    site = Site(80.0, 0.0)
    axis = true_axis(site, 0.01, 3 * DEG)
    basis = tangent_basis(axis)
    columns = []
    for side in basis.T:
        ahead, behind = (
            _error((axis + h * side) / math.hypot(1.0, h), site) for h in (1e-6, -1e-6)
        )
        columns.append(
            [(ahead.d_az_sky - behind.d_az_sky) / 2e-6, (ahead.d_alt - behind.d_alt) / 2e-6]
        )
    jacobian = np.array(columns).T

    expected = jacobian @ jacobian.T * ARCSEC**2
    assert np.allclose(_error(axis, site).covariance, expected, atol=1e-3 * np.max(expected))


def test_the_sigma_of_the_total_lies_along_the_error() -> None:
    """An error in altitude has altitude's sigma, one in azimuth that of azimuth; an error smaller
    than its noise has the larger of both."""
    covariance = np.diag([9.0, 1.0]) * ARCSEC**2

    assert _plane(0.0, ARCMIN, covariance).sigma_total == pytest.approx(1 * ARCSEC)
    assert _plane(ARCMIN, 0.0, covariance).sigma_total == pytest.approx(3 * ARCSEC)
    assert _plane(0.0, 0.0, covariance).sigma_total == pytest.approx(3 * ARCSEC)


@pytest.mark.parametrize("sigmas", [0.0, 0.5, 2.0, 10.0])
@pytest.mark.parametrize("level", [0.68, 0.95])
def test_the_upper_bound_of_the_total_agrees_with_the_noncentral_chi_square(
    sigmas: float, level: float
) -> None:
    """With equal sigmas the squared length of a shifted Gaussian has that distribution (scipy)."""
    error = _plane(0.6 * sigmas * ARCSEC, 0.8 * sigmas * ARCSEC, np.eye(2) * ARCSEC**2)

    expected = math.sqrt(ncx2.ppf(level, 2, sigmas**2)) * ARCSEC
    assert error.total_upper(level) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("true_sigmas", [0.0, 1.0, 3.0])
def test_the_upper_bound_holds_as_often_as_it_says(true_sigmas: float) -> None:
    """400 noisy measurements with unequal sigmas: the bound covers the true size in 95 % or more
    (always when the truth is zero: it errs on the careful side)."""
    rng = np.random.default_rng(9)
    covariance = np.array([[4.0, 1.0], [1.0, 2.0]]) * ARCSEC**2
    root = np.linalg.cholesky(covariance)
    truth = true_sigmas * 2.0 * ARCSEC * np.array([math.cos(1.0), math.sin(1.0)])
    covered = 0
    for _ in range(400):
        az, alt = truth + root @ rng.normal(size=2)
        covered += bool(_plane(az, alt, covariance).total_upper() >= np.linalg.norm(truth))

    assert binom.cdf(covered, 400, 0.95) > 0.001


def test_the_ellipse_holds_what_it_should() -> None:
    """At 2.45 sigma the 95 % limit is crossed (chi-square 5.99 with 2 degrees)."""
    error = _plane(ARCMIN, 0.0, np.diag([4.0, 1.0]) * ARCSEC**2)

    assert error.contains(ARCMIN + 2 * 2.44 * ARCSEC, 0.0)
    assert not error.contains(ARCMIN + 2 * 2.46 * ARCSEC, 0.0)
    assert not error.contains(ARCMIN, 2.46 * ARCSEC)
    assert error.contains(ARCMIN, 2.46 * ARCSEC, level=0.99)


def test_an_axis_exactly_on_the_pole_has_no_error() -> None:
    """Nothing divides by the total."""
    error = _error(true_axis(SOUTH), SOUTH)

    assert error.total == pytest.approx(0.0, abs=1e-12)
    assert error.sigma_total == pytest.approx(ARCSEC, rel=1e-6)
    assert error.total_upper() == pytest.approx(2.4477 * ARCSEC, rel=0.01)
    assert float(azalt_from_enu(true_axis(SOUTH))[0]) == pytest.approx(math.pi)
