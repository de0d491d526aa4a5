"""The fit of an attitude, and the odds of an accident."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from solving.synthetic import attitude_of

from polewright.calculation.geometry.attitude import fit_camera
from polewright.calculation.geometry.rotation import rotation_matrix
from polewright.solving.embedded.evidence import Prior, log10_accident
from polewright.solving.embedded.refit import Refit


@settings(max_examples=40, deadline=None)
@given(
    ra=st.floats(0.0, 6.28),
    dec=st.floats(-1.57, 1.57),
    roll=st.floats(0.0, 6.28),
    k1=st.floats(-0.03, 0.03),
    seed=st.integers(0, 1000),
)
def test_rotation_scale_and_distortion_are_recovered_exactly(
    ra: float, dec: float, roll: float, k1: float, seed: int
) -> None:
    """Noise-free stars made by the pinhole formula, start off by two degrees and 2 %."""
    rng = np.random.default_rng(seed)
    attitude, scale = attitude_of(ra, dec, roll), 5e-5
    pixels = rng.uniform(-1, 1, (60, 2)) * [3000.0, 2000.0]
    r2 = np.sum(pixels**2, axis=1, keepdims=True) / 3000.0**2
    rays = np.column_stack([pixels * (1.0 + k1 * r2) * scale, np.ones(60)])
    vectors = rays / np.linalg.norm(rays, axis=1, keepdims=True) @ attitude.T
    start = attitude @ rotation_matrix(rng.normal(0, 0.02, 3))
    fit = fit_camera(pixels, vectors, np.full(60, 0.1), start, scale * 1.02, 3000.0, with_k1=True)

    assert np.max(np.abs(fit.matrix - attitude)) < 1e-10
    assert fit.scale == pytest.approx(scale, rel=1e-9)
    assert fit.k1 == pytest.approx(k1, abs=1e-9)
    assert np.all(np.linalg.eigvalsh(fit.covariance) > 0.0)


def test_the_accident_bound_is_a_bound() -> None:
    """Random hits: the bound falls below 10^-2 in at most 1 % of trials (Monte Carlo)."""
    rng = np.random.default_rng(0)
    chance = np.full(40, 0.05)
    bounds = np.array([log10_accident(rng.random(40) < chance, chance, 0, 0) for _ in range(3000)])

    assert np.mean(bounds < -2.0) < 0.01
    assert np.min(bounds) < -1.0


def test_more_freedom_makes_an_accident_likelier() -> None:
    hits = np.ones(6, dtype=bool)
    chance = np.full(6, 1e-4)

    assert log10_accident(hits, chance, 2, 5.0) > log10_accident(hits, chance, 0, 5.0)
    assert log10_accident(hits, chance, 0, 8.0) > log10_accident(hits, chance, 0, 5.0)
    wide, narrow = Prior(0.01, 0.02, 2), Prior(0.001, 0.002, 1)
    assert wide.log10_places(2.0, 5e-6, 3700.0) > narrow.log10_places(2.0, 5e-6, 3700.0) + 2.0


def test_a_refit_without_a_number_is_refused() -> None:
    """NaN in any figure that is judged is an objection, not a pass."""
    good = Refit(
        attitude=np.eye(3),
        parity=1,
        scale=1e-5,
        k1=0.0,
        covariance=np.eye(3),
        detections=np.arange(5),
        icrs=np.eye(3)[[0, 1, 2, 0, 1]],
        drift=np.zeros(5, dtype=np.float32),
        rms_px=0.3,
        log10_accident=-9.0,
        found=1.0,
        expected=5,
    )

    assert good.objection == ""
    for name in ("rms_px", "log10_accident", "found"):
        assert replace(good, **cast("Any", {name: math.nan})).objection != ""
