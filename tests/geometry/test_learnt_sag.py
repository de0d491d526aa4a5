"""The droop of a tube, learnt from sweeps against drift checks of the same axis."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.calculation.drift.estimator import DriftNoise, combine, fit_field
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis import fit_axis
from polewright.calculation.geometry.learnt_sag import (
    LEAST_SIGMA,
    REPEATS,
    LearntSag,
    SagPair,
    learnt_sag,
    without_droop,
)
from polewright.calculation.geometry.shared_errors import SharedErrors
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCSEC, DEG, SIDEREAL_RATE, Vector

from .sweeps import NORTH, SOUTH, attitude, camera_at, true_axis, turn

UP = np.array([0.0, 0.0, 1.0])
PRIOR = 8.0 * ARCSEC
#: Rigs whose stated uncertainty is held against the truth: one in a hundred more or less shows.
HISTORIES = 200
FINE = np.diag([0.1, 0.1, 0.3]) ** 2 * ARCSEC**2


def history(
    rng: np.random.Generator, droop: float, checks: int, flexure: float = 4.0 * ARCSEC
) -> list[SagPair]:
    """Checks of a rig with their stated errors, of which a part repeats; rad."""
    repeated = np.sqrt(REPEATS) * flexure * rng.normal(size=2)
    pairs = []
    for _ in range(checks):
        response = np.array([0.1 * rng.normal(), -rng.uniform(0.3, 0.7)])
        sizes = ARCSEC * rng.uniform(3.0, 12.0, size=2)
        own = np.diag(sizes**2)
        apart = droop * response + repeated + sizes * rng.normal(size=2)
        apart = apart + np.sqrt(1.0 - REPEATS) * flexure * rng.normal(size=2)
        pairs.append(SagPair(apart, response, own + flexure**2 * np.eye(2), flexure))
    return pairs


@pytest.mark.parametrize("droop_arcsec", [0.0, 10.0, -10.0])
@pytest.mark.parametrize("flexure_arcsec", [0.0, 5.7])
@pytest.mark.parametrize("checks", [1, 4, 20])
def test_the_stated_uncertainty_of_what_was_learnt_is_true(
    droop_arcsec: float, flexure_arcsec: float, checks: int
) -> None:
    """A droop of 10 arcsec either way: 90 to 99 of 100 histories have it within 1.96 sigma. No
    droop, which is what is thought likeliest before: no fewer."""
    rng = np.random.default_rng(5)
    droop, inside = droop_arcsec * ARCSEC, 0
    for _ in range(HISTORIES):
        sag = learnt_sag(PRIOR, history(rng, droop, checks, flexure_arcsec * ARCSEC))
        inside += abs(sag.mean - droop) <= 1.96 * sag.sigma

    assert inside / HISTORIES >= 0.90
    assert inside / HISTORIES <= 0.99 or droop == 0.0 or checks == 1


def test_tubes_as_they_come_are_stated_truly() -> None:
    """Droops drawn from the prior: 95 of 100 within 1.96 sigma, whatever the number of checks."""
    rng = np.random.default_rng(7)
    for checks in (1, 3, 8):
        inside = 0
        for _ in range(HISTORIES):
            droop = PRIOR * rng.normal()
            sag = learnt_sag(PRIOR, history(rng, droop, checks, 5.7 * ARCSEC))
            inside += abs(sag.mean - droop) <= 1.96 * sag.sigma

        assert 0.92 <= inside / HISTORIES <= 0.98


def test_many_checks_lead_to_the_droop() -> None:
    """On average over histories; without one it stays around none, and nothing is surer than a
    camera that is taken off and put on again allows."""
    rng = np.random.default_rng(11)

    def mean(droop: float, checks: int) -> tuple[float, float]:
        found = [learnt_sag(PRIOR, history(rng, droop, checks, 0.0)) for _ in range(40)]
        return (
            float(np.mean([sag.mean for sag in found])) / ARCSEC,
            float(np.mean([sag.sigma for sag in found])) / ARCSEC,
        )

    few, many = mean(10.0 * ARCSEC, 3), mean(10.0 * ARCSEC, 50)
    assert 3.0 < few[0] < 9.0
    assert many[0] == pytest.approx(10.0, abs=1.0)
    assert many[1] < few[1] < PRIOR / ARCSEC
    assert abs(mean(0.0, 50)[0]) < 0.8
    assert learnt_sag(PRIOR, history(rng, 0.0, 50, 0.0) * 3).sigma >= LEAST_SIGMA


def test_flexure_that_repeats_is_not_averaged_away() -> None:
    """However many checks there are."""
    rng = np.random.default_rng(2)
    pairs = history(rng, 0.0, 50, 5.7 * ARCSEC)

    assert learnt_sag(PRIOR, pairs).sigma > 4.0 * ARCSEC


def test_one_bad_pair_hardly_counts() -> None:
    """Someone leaned on the tripod: 3 arcmin among eight good checks."""
    rng = np.random.default_rng(3)
    pairs = history(rng, 10.0 * ARCSEC, 8)
    bad = replace(pairs[4], apart=pairs[4].apart + 180.0 * ARCSEC * np.array([0.4, 0.9]))
    good, spoilt = learnt_sag(PRIOR, pairs), learnt_sag(PRIOR, [*pairs[:4], bad, *pairs[5:]])

    assert abs(spoilt.mean - good.mean) < 0.6 * good.sigma


def test_nothing_is_learnt_from_nothing() -> None:
    assert learnt_sag(PRIOR, []) == LearntSag(0.0, PRIOR, 0)
    assert learnt_sag(0.0, history(np.random.default_rng(1), 0.0, 3)) == LearntSag(0.0, 0.0, 0)


def drooped(matrix: np.ndarray, droop: float, utc_s: float = 0.0) -> Attitude:
    """A camera that sinks by so much when level."""
    way = np.cross(UP, matrix[:, 2])
    size = float(np.linalg.norm(way))
    return replace(attitude(turn(way / size, droop * size) @ matrix, FINE), utc_s=utc_s)


def tracked(site: Site, hour_angle: float, declination: float, droop: float) -> list[Attitude]:
    """Ten minutes of one field."""
    axis, start = true_axis(site), camera_at(site, hour_angle, declination)
    way = 1.0 if site.southern else -1.0
    return [
        drooped(turn(axis, way * SIDEREAL_RATE * t) @ start, droop, t)
        for t in np.arange(0.0, 601.0, 30.0)
    ]


def swept(site: Site, first: float, declination: float, droop: float) -> list[Attitude]:
    axis, start = true_axis(site), camera_at(site, first, declination)
    way = 1.0 if site.southern else -1.0
    return [drooped(turn(axis, way * 20.0 * DEG * i) @ start, droop) for i in range(3)]


def moved(with_it: Vector, without: Vector) -> Vector:
    return np.asarray((with_it - without) / ARCSEC)


@settings(max_examples=30, deadline=None)
@given(
    site=st.sampled_from([NORTH, SOUTH]),
    declination=st.floats(-30.0, 85.0),
    hour_angle=st.floats(-50.0, 50.0),
    droop=st.floats(-20.0, 20.0),
)
def test_a_known_droop_is_taken_out_of_sweep_and_drift(
    site: Site, declination: float, hour_angle: float, droop: float
) -> None:
    """With the very droop told both fits find the axis that is there; without, both are moved by
    the sine of their own declination."""
    pole = -1.0 if site.southern else 1.0
    dec, hour = pole * declination * DEG, hour_angle * DEG
    told = SharedErrors(droop=droop * ARCSEC)
    truth = true_axis(site)
    sweep = swept(site, hour, dec, droop * ARCSEC)
    field = tracked(site, hour, dec, droop * ARCSEC)
    if min(item.matrix[2, 2] for item in (*sweep, *field)) < 0.1:
        return
    found = fit_axis(sweep, southern=site.southern, systematic_rad=0.1 * ARCSEC, shared=told)
    drift = combine([fit_field(field, truth, DriftNoise(shared=told))])
    plain = fit_axis(sweep, southern=site.southern, systematic_rad=0.1 * ARCSEC)
    plain_drift = combine([fit_field(field, truth, DriftNoise())])

    assert np.allclose(moved(found.axis, truth), 0.0, atol=0.01)
    assert np.allclose(moved(drift.axis, truth), 0.0, atol=0.03)
    wanted = -droop * np.sin(declination * DEG) * (UP - truth * truth[2])
    assert np.allclose(moved(plain.axis, truth), wanted, atol=0.02)
    assert np.allclose(moved(plain_drift.axis, truth), wanted, atol=0.1)


def test_the_part_of_a_droop_in_a_fits_covariance_comes_out_again() -> None:
    """What a pair's noise is without it: as if the fit had not allowed for any."""
    site = NORTH
    sweep = swept(site, -0.9, 80.0 * DEG, 0.0)

    def plane(shared: SharedErrors) -> np.ndarray:
        fit = fit_axis(sweep, southern=False, systematic_rad=1.0 * ARCSEC, shared=shared)
        north = np.cross(UP, fit.axis)
        basis = np.column_stack([north / np.linalg.norm(north), np.cross(fit.axis, north)])
        return np.asarray(basis.T @ fit.covariance @ basis), basis, fit.axis  # type: ignore[return-value]

    with_it, basis, axis = plane(SharedErrors(sag=8.0 * ARCSEC))
    without, _, _ = plane(SharedErrors())
    out = plane(SharedErrors(droop=1.0 * ARCSEC))[2]
    response = basis.T @ (axis - out) / ARCSEC

    assert np.trace(with_it) > 3.0 * np.trace(without)
    assert np.allclose(
        without_droop(with_it, response, 8.0 * ARCSEC), without, atol=1e-3 * np.trace(without)
    )
