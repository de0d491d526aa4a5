"""The axis from a drift: exactness, honest uncertainty, robustness."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.calculation.drift.errors import TooFewFrames, TurnTooShort
from polewright.calculation.drift.estimator import DriftNoise, combine, fit_field, scatter
from polewright.calculation.drift.shape import Change, Part, unsteady
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.rotation import rotation_about, rotation_matrix
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, SIDEREAL_RATE, separation

NORTH, SOUTH = Site(47.0, 11.0), Site(-31.0, 149.0)
STARS = np.array([0.3, 0.3, 3.0]) * ARCSEC
NO_FLEXURE = DriftNoise(frame_floor=0.0, flexure_rate=0.0)


def pole(site: Site) -> np.ndarray:
    return pole_enu(site, PoleTarget.TRUE, Atmosphere.none())


def frames(
    site: Site,
    axis: np.ndarray,
    *,
    hour_angle: float = -10.0 * DEG,
    declination: float = 15.0 * DEG,
    span_s: float = 480.0,
    every_s: float = 8.0,
    noise: float = 1.0,
    seed: int = 0,
    extra=lambda since, across: np.eye(3),
) -> list[Attitude]:
    """Attitudes while tracking about ``axis``, with periodic error; ``extra`` moves the camera."""
    rng = np.random.default_rng(seed)
    boresight = enu_from_hour_angle_dec(site, hour_angle, declination)
    x = np.cross([0.1, 0.7, 0.7], boresight)
    x /= np.linalg.norm(x)
    start = np.column_stack([x, np.cross(boresight, x), boresight])
    way = 1.0 if site.southern else -1.0
    out = []
    for since in np.arange(0.0, span_s, every_s):
        turn = SIDEREAL_RATE * since + 12.0 * ARCSEC * np.sin(since / 70.0)
        matrix = rotation_about(axis, way * turn) @ start
        across = np.cross(axis, matrix[:, 2])
        across /= np.linalg.norm(across)
        matrix = extra(since, across) @ matrix @ rotation_matrix(rng.normal(size=3) * STARS * noise)
        out.append(Attitude(matrix, np.diag(STARS**2), 1.79e9 + since, 1, 1e-5, 60, 1.0, 0.2))
    return out


def off(site: Site, first: float, second: float) -> np.ndarray:
    """The pole moved by two angles (rad) in some tangent plane."""
    p = pole(site)
    one = np.cross(p, [0.0, 0.0, 1.0])
    one /= np.linalg.norm(one)
    moved = p + first * one + second * np.cross(p, one)
    return moved / np.linalg.norm(moved)


@settings(max_examples=25, deadline=None)
@given(
    first=st.floats(-2.0, 2.0),
    second=st.floats(-2.0, 2.0),
    hour_angle=st.floats(-90.0, 90.0),
    declination=st.floats(-30.0, 75.0),
    south=st.booleans(),
)
def test_without_noise_the_axis_is_exact(first, second, hour_angle, declination, south) -> None:
    """Up to degrees off, at any field, with periodic error, the fit finds the axis."""
    site = SOUTH if south else NORTH
    axis = off(site, first * DEG, second * DEG)
    seen = frames(
        site,
        axis,
        hour_angle=hour_angle * DEG,
        declination=(-declination if south else declination) * DEG,
        noise=0.0,
    )
    assert float(separation(fit_field(seen, pole(site), NO_FLEXURE).axis, axis)) < 1e-3 * ARCSEC


@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
def test_the_stated_uncertainty_is_the_real_one(site) -> None:
    """Over 60 noisy runs the squared distance in sigmas averages its two degrees of freedom."""
    axis = off(site, 9.0 * ARCMIN, -14.0 * ARCMIN)
    squares, errors = [], []
    for seed in range(60):
        fit = fit_field(frames(site, axis, seed=seed), pole(site), NO_FLEXURE)
        miss = fit.basis.T @ (axis - fit.axis)
        squares.append(float(miss @ np.linalg.solve(fit.covariance, miss)))
        errors.append(np.abs(miss))
    # Stretching for wander that is not there makes it a little pessimistic.
    assert 1.1 < np.mean(squares) < 2.3
    across, along = np.median(errors, axis=0)
    assert across < 10.0 * ARCSEC  # from the declination drift
    assert along > 3.0 * across  # from the roll


def test_flexure_is_in_the_uncertainty() -> None:
    """An allowance of 15.04 arcsec an hour is an axis uncertainty of one part in 3600 of a radian
    times 15.04/15.04: 57.3 arcsec."""
    axis = off(NORTH, 0.0, 0.0)
    allowance = DriftNoise(frame_floor=0.0, flexure_rate=15.041 * ARCSEC / 3600.0)
    with_it = fit_field(frames(NORTH, axis, noise=0.0), axis, allowance)
    without = fit_field(frames(NORTH, axis, noise=0.0), axis, NO_FLEXURE)
    added = with_it.covariance[0, 0] - without.covariance[0, 0]
    assert added**0.5 / ARCSEC == pytest.approx(57.3, abs=0.1)


def test_gusts_in_some_frames_hardly_move_the_axis() -> None:
    """A tenth of the frames thrown off by 8 arcsec costs less than double the error."""
    axis = off(NORTH, 5.0 * ARCMIN, 0.0)
    plain: list[Any] = []
    gusty: list[Any] = []
    for seed in range(24):
        rng = np.random.default_rng([9, seed])

        def gust(since, across, rng=rng):
            size = 8.0 * ARCSEC * rng.normal() if rng.uniform() < 0.1 else 0.0
            return rotation_matrix(across * size)

        for out, extra in ((plain, lambda s, a: np.eye(3)), (gusty, gust)):
            fit = fit_field(frames(NORTH, axis, seed=seed, extra=extra), axis, NO_FLEXURE)
            out.append(abs(float((fit.basis.T @ (axis - fit.axis))[0])))
    assert np.median(gusty) < 2.0 * np.median(plain)


def test_jitter_beyond_the_stated_noise_is_noticed() -> None:
    """Guiding-like jitter of 1.5 arcsec widens the uncertainty by what the scatter shows."""
    axis = off(NORTH, 0.0, 0.0)
    rng = np.random.default_rng(4)
    shaken = frames(
        NORTH,
        axis,
        extra=lambda since, across: rotation_matrix(across * rng.normal() * 1.5 * ARCSEC),
    )
    calm = fit_field(frames(NORTH, axis), axis, NO_FLEXURE)
    fit = fit_field(shaken, axis, NO_FLEXURE)
    assert fit.noise_factor[0] == pytest.approx(5.0, rel=0.35)  # hypot(1.5, 0.3) / 0.3
    assert fit.sigma_across > 3.0 * calm.sigma_across


def test_two_fields_make_both_parts_sharp() -> None:
    """A field near the meridian and one in the west together fix the axis in both directions."""
    axis = off(NORTH, 3.0 * ARCMIN, 4.0 * ARCMIN)
    south, west = (
        fit_field(frames(NORTH, axis, hour_angle=h * DEG, seed=k), axis, NO_FLEXURE)
        for k, h in enumerate((-5.0, 75.0))
    )
    both = combine([south, west])
    assert np.max(np.linalg.eigvalsh(both.covariance)) ** 0.5 < 12.0 * ARCSEC
    assert np.max(np.linalg.eigvalsh(south.covariance)) ** 0.5 > 25.0 * ARCSEC
    assert float(separation(both.axis, axis)) < 25.0 * ARCSEC
    assert both.dof == 2


def test_a_slip_is_seen_as_a_jump_with_its_size_and_time() -> None:
    """The declination axis slips by 6 arcsec at 200 s."""
    axis = off(NORTH, 4.0 * ARCMIN, 0.0)
    seen = frames(
        NORTH,
        axis,
        extra=lambda since, across: rotation_matrix(across * (6.0 * ARCSEC * (since > 200.0))),
    )
    found = unsteady(fit_field(seen, axis, NO_FLEXURE))
    assert found is not None
    assert found.change is Change.JUMP
    assert found.part is Part.DECLINATION
    assert abs(found.size) == pytest.approx(6.0 * ARCSEC, rel=0.25)
    assert found.seconds == pytest.approx(200.0, abs=16.0)


def test_steady_drifts_are_called_steady() -> None:
    """None of 80 noisy, gusty but steady runs shows a jump or a bend."""
    axis = off(NORTH, 4.0 * ARCMIN, -8.0 * ARCMIN)
    alarms = 0
    for seed in range(80):
        rng = np.random.default_rng([5, seed])

        def gust(since, across, rng=rng):
            size = 4.0 * ARCSEC * rng.normal() if rng.uniform() < 0.08 else 0.0
            return rotation_matrix(across * size)

        fit = fit_field(frames(NORTH, axis, span_s=320.0, seed=seed, extra=gust), axis, NO_FLEXURE)
        alarms += unsteady(fit) is not None
    assert alarms == 0


def test_too_little_is_refused() -> None:
    """Three frames, or a mount that does not track, are told with numbers."""
    axis = off(NORTH, 0.0, 0.0)
    few = frames(NORTH, axis)[:3]
    with pytest.raises(TooFewFrames, match="3 solved frames"):
        fit_field(few, axis)
    standing = [few[0]] * 6
    with pytest.raises(TurnTooShort, match=r"0\.000 degrees"):
        fit_field(standing, axis)


def test_scatter_ignores_drift_and_single_outliers() -> None:
    """Neighbours' differences give the noise under a trend and with an outlier."""
    rng = np.random.default_rng(3)
    series = 3.0 * rng.normal(size=4000) + 0.05 * np.arange(4000)
    series[100] = 1e4
    assert scatter(series) == pytest.approx(3.0, rel=0.05)
    assert scatter(np.zeros(5)) == 1.0
