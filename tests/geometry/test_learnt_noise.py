"""What past sweeps teach about the noise of frames."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.calculation.geometry.axis import AxisFit, fit_axis
from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.geometry.learnt_noise import (
    LEAST_FLOOR,
    MOST_DOF,
    MOST_SWEEPS,
    FrameNoise,
    PastSweep,
    floor_share,
    learnt_noise,
)
from polewright.calculation.geometry.shared_errors import STANDARD_NOISE_DOF, SharedErrors
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC

from .sweeps import attitude, camera_at, sweep, true_axis

SITE = Site(44.6, 9.3, 400.0)
PRIOR = FrameNoise(ARCSEC, STANDARD_NOISE_DOF)
NO_STARS = np.eye(3) * 1e-6 * ARCSEC**2


def one_sweep(
    rng: np.random.Generator,
    real_arcsec: float,
    known: FrameNoise,
    declination: float = 0.5,
    stars: np.ndarray = NO_STARS,
) -> AxisFit:
    """A fit to three points whose frames have this floor in truth and ``known`` by assumption."""
    start = camera_at(SITE, 0.2, declination)
    seen = sweep(
        true_axis(SITE),
        start,
        [0.0, -20.0, -40.0],
        rng,
        stars + np.eye(3) * (real_arcsec * ARCSEC) ** 2,
    )
    told = [attitude(a.matrix, stars + np.eye(3) * known.floor**2) for a in seen]
    return fit_axis(told, southern=False, shared=SharedErrors(noise_dof=known.dof))


def left_by(fit: AxisFit, share: float = 1.0) -> PastSweep:
    return PastSweep(fit.chi2, fit.dof, PRIOR.floor, share)


def holds_share(real_arcsec: float, varies: float, trials: int) -> tuple[float, float]:
    """Share of true axes in the 95 % region of three points after ten past ones; median floor."""
    rng = np.random.default_rng(7)
    real = axis_error(true_axis(SITE), np.zeros((3, 3)), SITE, PoleTarget.TRUE, Atmosphere.none())
    floors, inside = [], 0
    for _ in range(trials):
        *nights, tonight = real_arcsec * np.exp(varies * rng.normal(size=11))
        past = [PastSweep(night**2 * rng.chisquare(2), 2, ARCSEC) for night in nights]
        noise = learnt_noise(PRIOR, past)
        fit = one_sweep(rng, tonight, noise)
        e = axis_error(fit.axis, fit.covariance, SITE, PoleTarget.TRUE, Atmosphere.none())
        inside += e.contains(real.d_az_sky, real.d_alt)
        floors.append(noise.floor / ARCSEC)
    return inside / trials, float(np.median(floors))


def test_ten_sweeps_teach_a_noisy_rig_what_its_region_has_to_be() -> None:
    """Frames are twice as bad as assumed: three points alone hold the truth in fewer than 85 of
    100 sweeps (`test_shared_errors`), with ten past sweeps as often as is said."""
    held, floor_arcsec = holds_share(2.0, 0.0, 500)

    assert 0.93 <= held <= 0.98
    assert 1.5 < floor_arcsec < 2.1


def test_nights_that_differ_are_allowed_for() -> None:
    """The past of other nights is no certainty: noise differs by 25 % from sweep to sweep."""
    held, _ = holds_share(2.0, 0.25, 500)

    assert 0.91 <= held <= 0.98


def test_a_quiet_rig_is_stated_as_quieter_but_not_as_still() -> None:
    rng = np.random.default_rng(3)
    past = [left_by(one_sweep(rng, 0.5, PRIOR)) for _ in range(MOST_SWEEPS)]
    noise = learnt_noise(PRIOR, past)

    assert noise.floor == LEAST_FLOOR
    assert noise.dof == PRIOR.dof  # a windy night is to be measured, too, not refused
    assert learnt_noise(PRIOR, past[:2]).floor < PRIOR.floor


def test_one_sweep_that_slipped_hardly_counts() -> None:
    """What slipped a little, and was not refused, would else make every later sweep doubtful."""
    rng = np.random.default_rng(5)
    past = [left_by(one_sweep(rng, 1.0, PRIOR)) for _ in range(10)]
    slipped = learnt_noise(PRIOR, [*past, PastSweep(53.0, 2, PRIOR.floor)])

    assert slipped.floor < 1.25 * learnt_noise(PRIOR, past).floor
    # Without the limit it would be as of (6 + 20 + 53) / 28.
    assert slipped.floor < 1.35 * ARCSEC


def test_without_a_past_all_stays_and_only_the_newest_count() -> None:
    assert learnt_noise(PRIOR, []) == PRIOR
    says_nothing = [
        PastSweep(0.0, 0, ARCSEC),
        PastSweep(9.0, 2, 0.0),
        PastSweep(9.0, 2, ARCSEC, 0.0),
    ]
    assert learnt_noise(PRIOR, says_nothing) == PRIOR

    usual = [PastSweep(2.0, 2, ARCSEC)] * MOST_SWEEPS
    noise = learnt_noise(PRIOR, [*[PastSweep(8.0, 2, ARCSEC)] * 80, *usual])
    assert noise.sweeps == MOST_SWEEPS
    assert noise.floor == pytest.approx(ARCSEC)


@settings(max_examples=40, deadline=None)
@given(
    chi2=st.lists(st.floats(0, 1e4), max_size=60),
    share=st.floats(1e-3, 1),
    floor_arcsec=st.floats(0.05, 60),
)
def test_what_is_learnt_is_always_usable(
    chi2: list[float], share: float, floor_arcsec: float
) -> None:
    noise = learnt_noise(PRIOR, [PastSweep(x, 2, floor_arcsec * ARCSEC, share) for x in chi2])

    assert LEAST_FLOOR <= noise.floor < math.inf
    assert PRIOR.dof <= noise.dof <= MOST_DOF


@pytest.mark.parametrize("declination", [0.0, 0.6, 1.2])
def test_residuals_tell_of_the_floor_by_its_share(declination: float) -> None:
    """Where stars leave the roll uncertain, a floor twice as large shows less in chi-square."""
    rng = np.random.default_rng(11)
    pointing, roll = 0.3 * ARCSEC, 3.0 * ARCSEC
    stars = np.diag([pointing, pointing, roll]) ** 2
    fits = [one_sweep(rng, 2.0, PRIOR, declination, stars) for _ in range(300)]
    share = floor_share(PRIOR.floor, pointing, roll, declination)

    ratio = float(np.mean([fit.chi2 / fit.dof for fit in fits]))
    assert ratio == pytest.approx(1.0 + share * 3.0, rel=0.15)
    assert 0.4 < share < 0.95
    noise = learnt_noise(PRIOR, [left_by(fit, share) for fit in fits])
    assert noise.floor > 1.3 * ARCSEC
