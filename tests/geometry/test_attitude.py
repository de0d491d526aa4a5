from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from polewright.calculation.geometry.attitude import (
    attitude_from_solution,
    camera_pixels,
    camera_vectors,
    few_stars_factor,
)
from polewright.calculation.geometry.errors import TooFewDirections
from polewright.calculation.geometry.solution import Distortion
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere
from polewright.foundation.angles import ARCSEC, DEG

from .sweeps import NIGHT, NORTH, SOUTH, camera_at, solution

FRAME = ObservedFrame.at(NORTH, Atmosphere.standard(500.0), NIGHT)


def _away(found: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Small rotation about the camera's axes from found to true."""
    return Rotation.from_matrix(found.T @ truth).as_rotvec()


def test_pixels_look_where_the_pinhole_says() -> None:
    """The centre looks along z; a mirrored image swaps the sign of x and nothing else; the edge of
    the half width, moved out by k1, looks along atan(1000 px * scale * 1.01)."""
    pixels = np.array([[999.5, 749.5], [1999.5, 749.5], [999.5, 849.5]])
    plain = camera_vectors(pixels, 2000, 1500, 1, 1e-4, Distortion(0.01))
    mirrored = camera_vectors(pixels, 2000, 1500, -1, 1e-4, Distortion(0.01))

    assert np.allclose(plain[0], [0.0, 0.0, 1.0])
    assert plain[1, 0] / plain[1, 2] == pytest.approx(0.101)
    assert plain[2, 1] > 0.0
    assert np.allclose(mirrored * [-1.0, 1.0, 1.0], plain)


@pytest.mark.parametrize("k1", [0.0, 0.03, -0.03])
def test_directions_go_back_to_their_pixels(k1: float) -> None:
    """To the corners of a mirrored, distorted frame, within a thousandth of a pixel."""
    pixels = np.array([[0.0, 0.0], [1999.0, 1499.0], [1999.0, 0.0], [700.0, 900.0]])
    camera = (2000, 1500, -1, 1e-4, Distortion(k1))

    assert np.abs(camera_pixels(camera_vectors(pixels, *camera), *camera) - pixels).max() < 1e-3


@settings(max_examples=40, deadline=None)
@given(
    parity=st.sampled_from([1, -1]),
    hour_angle=st.floats(-80, 80),
    declination=st.floats(-20, 80),
    roll=st.floats(-180, 180),
    stars=st.integers(2, 60),
    seed=st.integers(0, 10_000),
)
def test_without_noise_the_attitude_comes_back(
    parity: int, hour_angle: float, declination: float, roll: float, stars: int, seed: int
) -> None:
    """To a thousandth of an arcsecond across and a hundredth in roll, mirrored or not, from two
    stars up. (Two stars may lie close together: roll scales with their distance.)"""
    truth = camera_at(NORTH, hour_angle * DEG, declination * DEG, roll * DEG)
    solved = solution(
        truth, FRAME, np.random.default_rng(seed), stars=stars, sigma_px=0.0, parity=parity
    )
    found = attitude_from_solution(solved, FRAME)

    off = np.abs(_away(found.matrix, truth)) / np.sqrt(np.diag(found.covariance))
    assert np.max(off) < 1e-3
    assert np.linalg.det(found.matrix) == pytest.approx(1.0)
    assert found.scale == pytest.approx(3e-5, rel=1e-5)
    assert found.parity == parity
    assert found.utc_s == NIGHT


def test_refraction_is_no_rotation_but_leaves_no_residual_here() -> None:
    """At 12 deg altitude a 3.4 deg field is squeezed by over 10 arcsec (measured below as the
    residual of a fit without air), yet the fit in the observed frame stays at the noise."""
    truth = camera_at(NORTH, 0.0, -45 * DEG)
    solved = solution(truth, FRAME, np.random.default_rng(3), stars=60, sigma_px=0.02)
    airless = ObservedFrame.at(NORTH, Atmosphere.none(), NIGHT)

    seen = attitude_from_solution(solved, FRAME)
    wrong = attitude_from_solution(solved, airless)

    assert seen.rms_px < 0.02 * 1.41 * 1.2
    assert 0.7 < seen.chi2_per_dof < 1.4
    assert wrong.rms_px > 10 * seen.rms_px
    assert np.linalg.norm(_away(wrong.matrix, truth)) > 200 * ARCSEC


@pytest.mark.parametrize(("stars", "site"), [(2, NORTH), (3, SOUTH), (12, NORTH), (60, SOUTH)])
def test_the_covariance_predicts_the_spread(stars: int, site: object) -> None:
    """300 noisy fields: the mean squared distance in sigmas is 3 (three angles). Fits with one to
    few degrees of freedom inflate by chi-square only upwards, so they may come out below. What
    widens the sigmas of few stars is taken out again; see the next test."""
    rng = np.random.default_rng(11)
    truth = camera_at(NORTH, -0.4, 0.5, 1.0)
    squares = []
    for _ in range(300):
        found = attitude_from_solution(solution(truth, FRAME, rng, stars=stars), FRAME)
        d = _away(found.matrix, truth)
        narrow = found.covariance / few_stars_factor(2 * stars - 4) ** 2
        squares.append(d @ np.linalg.solve(narrow, d))

    # Standard error of the mean of chi-square with 3 degrees: sqrt(6 / 300) = 0.14.
    assert np.mean(squares) < 3.0 + 4 * 0.14
    assert np.mean(squares) > (3.0 - 4 * 0.14 if stars != 3 else 1.5)


@pytest.mark.parametrize(("stars", "widened"), [(6, 1.43), (200, 1.01)])
def test_three_sigmas_of_few_stars_hold_what_three_should(stars: int, widened: float) -> None:
    """Centroid errors understated twofold: the residuals alone tell the noise, from few degrees of
    freedom. Of rolls at most 0.27 % lie beyond three sigmas (1200 fields; three times as many
    without the widening at six stars)."""
    rng = np.random.default_rng(12)
    truth = camera_at(NORTH, -0.4, 0.5, 1.0)
    factor = few_stars_factor(2 * stars - 4)
    assert factor == pytest.approx(widened, abs=0.01)
    fields = 1200 if stars < 100 else 50
    beyond = narrow = 0
    for _ in range(fields):
        field = solution(truth, FRAME, rng, stars=stars, sigma_px=0.2)
        stated = replace(field, sigma_px=0.5 * field.sigma_px)
        found = attitude_from_solution(stated, FRAME)
        off = abs(_away(found.matrix, truth)[2]) / math.sqrt(found.covariance[2, 2])
        beyond += off > 3.0
        narrow += off * factor > 3.0
    # Mean 0.0027 n; four times its root above it.
    assert beyond <= 0.0027 * fields + 4.0 * math.sqrt(0.0027 * fields)
    if stars == 6:
        assert narrow > 3 * beyond


def test_a_noise_common_to_all_stars_is_found_and_counted() -> None:
    """Bright stars state tiny errors, coarse pixels add 0.1 px to all: 200 fields.

    The mean squared distance in sigmas stays about 3 (standard error 0.17). With the stated
    weights, all widened alike, it was 20.
    """
    rng = np.random.default_rng(13)
    truth = camera_at(NORTH, -0.4, 0.5, 1.0)
    squares = []
    for _ in range(200):
        field = solution(truth, FRAME, rng, stars=30, sigma_px=0.1)
        claimed = np.geomspace(0.005, 0.1, 30)
        found = attitude_from_solution(replace(field, sigma_px=claimed), FRAME)
        assert found.chi2_per_dof > 3.0
        d = _away(found.matrix, truth)
        squares.append(d @ np.linalg.solve(found.covariance, d))
    assert 2.2 < np.mean(squares) < 3.0 + 4 * 0.17


def test_a_solution_from_an_old_catalogue_is_less_certain() -> None:
    """Proper motions unknown for 25 years: 0.2 arcsec a star where centroids are good to 0.06."""
    truth = camera_at(NORTH, -0.4, 0.5, 1.0)
    field = solution(truth, FRAME, np.random.default_rng(5), stars=12, sigma_px=0.01)
    old = replace(field, catalogue_sigma_rad=0.2 * ARCSEC)

    fresh, aged = (attitude_from_solution(item, FRAME) for item in (field, old))

    ratio = math.sqrt(aged.covariance[0, 0] / fresh.covariance[0, 0])
    assert ratio > 2.0


def test_wrong_centroid_errors_show_and_widen_the_covariance() -> None:
    """Stated errors three times too small give chi-square 9 per degree, and sigmas as wide as
    honest ones."""
    truth = camera_at(NORTH, -0.4, 0.5)
    honest = solution(truth, FRAME, np.random.default_rng(5), stars=200)
    boastful = replace(honest, sigma_px=honest.sigma_px / 3.0)
    a, b = (attitude_from_solution(s, FRAME) for s in (honest, boastful))

    assert b.chi2_per_dof == pytest.approx(9.0 * a.chi2_per_dof, rel=0.05)
    assert np.sqrt(b.covariance[2, 2] / a.covariance[2, 2]) == pytest.approx(1.0, abs=0.1)


def test_outliers_are_left_out() -> None:
    """Ten of eighty stars wrong by 40 to 80 sigmas change nothing and are counted."""
    truth = camera_at(SOUTH, -0.4, -0.5)
    frame = ObservedFrame.at(SOUTH, Atmosphere.standard(500.0), NIGHT)
    solved = solution(truth, frame, np.random.default_rng(6), stars=80, outliers=10)
    found = attitude_from_solution(solved, frame)
    d = _away(found.matrix, truth)

    assert found.clipped in {10, 11}
    assert found.matched == 80 - found.clipped
    assert d @ np.linalg.solve(found.covariance, d) < 16.3  # chi-square, 3 degrees, 1 in 1000


def test_one_wrong_star_of_seven_is_left_out() -> None:
    """Also in a sparse field."""
    truth = camera_at(NORTH, -0.4, 0.5)
    solved = solution(truth, FRAME, np.random.default_rng(8), stars=7, outliers=1)

    assert attitude_from_solution(solved, FRAME).clipped == 1


def test_distortion_is_found_when_it_is_there_and_only_then() -> None:
    """1 % at the edge is found to 0.1 %; a straight lens keeps exactly what the solver said."""
    truth = camera_at(NORTH, -0.4, 0.5)
    rng = np.random.default_rng(9)
    bent = attitude_from_solution(solution(truth, FRAME, rng, stars=60, k1=0.01), FRAME)
    straight = attitude_from_solution(solution(truth, FRAME, rng, stars=60), FRAME)

    assert bent.distortion.k1 == pytest.approx(0.01, abs=0.001)
    assert bent.chi2_per_dof < 1.5
    assert straight.distortion.k1 == 0.0


def test_a_grid_keeps_the_covariance_that_the_solver_stated() -> None:
    """The points of a grid have no noise, so their residuals say nothing about errors."""
    truth = camera_at(NORTH, -0.4, 0.5)
    grid = replace(
        solution(truth, FRAME, np.random.default_rng(1), stars=25, sigma_px=0.0), matched=0
    )
    found = attitude_from_solution(grid, FRAME)

    assert np.array_equal(found.covariance, grid.covariance)
    assert found.matched == 0
    assert np.isnan(found.chi2_per_dof)
    assert np.linalg.norm(_away(found.matrix, truth)) < 1e-3 * ARCSEC


def test_one_star_is_not_enough() -> None:
    """Two are needed for a rotation."""
    solved = solution(camera_at(NORTH, 0.1, 0.2), FRAME, np.random.default_rng(1), stars=1 + 1)
    single = replace(
        solved, pixels=solved.pixels[:1], icrs=solved.icrs[:1], sigma_px=solved.sigma_px[:1]
    )

    with pytest.raises(TooFewDirections, match="1 matched stars"):
        attitude_from_solution(single, FRAME)
