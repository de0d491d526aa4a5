"""Smeared frames count for less: by how much wind can have moved their middle."""

from __future__ import annotations

import math

import numpy as np
import pytest

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.images.stillness import Rest
from polewright.foundation.angles import ARCSEC
from polewright.observing.settling.blur_weighting import with_smear

OWN_ARCSEC, ARCSEC_PER_PX = 0.1, 9.0


def attitude() -> Attitude:
    return Attitude(
        matrix=np.eye(3),
        covariance=np.eye(3) * (OWN_ARCSEC * ARCSEC) ** 2,
        utc_s=0.0,
        parity=1,
        scale=ARCSEC_PER_PX * ARCSEC,
        matched=30,
        chi2_per_dof=1.0,
        rms_px=0.1,
    )


def sigmas_px(hfds_px: list[float | None], rests: list[Rest | None] | None = None) -> list[float]:
    """What the frames of a sweep are less certain by, 1 sigma, the same in every direction."""
    widened, _ = with_smear([attitude()] * len(hfds_px), hfds_px, rests or [None] * len(hfds_px))
    found = []
    for one in widened:
        assert one.covariance == pytest.approx(one.covariance[0, 0] * np.eye(3), abs=1e-18)
        more = one.covariance[0, 0] / ARCSEC**2 - OWN_ARCSEC**2
        found.append(math.sqrt(max(0.0, more)) / ARCSEC_PER_PX)
    return found


def test_frames_of_like_sharpness_stay_as_they_are() -> None:
    """Seeing and altitude make some difference; that is not wind."""
    widened, smeared = with_smear([attitude()] * 3, [2.0, 2.3, None], [None] * 3)

    assert smeared == 0
    assert all(np.array_equal(one.covariance, attitude().covariance) for one in widened)


def test_a_smeared_frame_is_less_certain() -> None:
    """Stars that a swing along one line made twice as large, from 2 to 4 pixels: their width along
    it has grown by 2.08 pixels (root mean square; 0.85 before and 1.70 after as the mean of both
    directions), of which a third is the sigma. The sharp frames' do not grow."""
    _, smeared = with_smear([attitude()] * 3, [2.0, 4.0, 2.1], [None] * 3)

    assert smeared == 1
    assert sigmas_px([2.0, 4.0, 2.1]) == pytest.approx([0.0, 2.08 * 0.35, 0.0], abs=0.01)


def test_longer_looks_tell_what_the_width_of_the_stars_does_not() -> None:
    """A swing drew the stars wide, and looks over a swing saw by how much its middle is off."""
    rest = Rest("rested", 0.1, 0.0, 3.4, 4.0, 2.0, sigma_px=0.12)
    _, smeared = with_smear([attitude()] * 3, [2.0, 4.0, 2.1], [None, rest, None])

    assert smeared == 0
    assert sigmas_px([2.0, 4.0, 2.1], [None, rest, None]) == pytest.approx(
        [0.0, 0.12, 0.0], abs=1e-6
    )


def test_nothing_is_made_of_frames_without_a_size() -> None:
    """Solvers that bring no stars of their own leave nothing to compare."""
    assert sigmas_px([None, None]) == pytest.approx([0.0, 0.0], abs=1e-6)


@pytest.mark.parametrize("period_s", [0.4, 0.9, 1.3, 1.7])
@pytest.mark.parametrize("amplitude_px", [1.5, 4.0])
def test_the_shift_of_a_swung_frame_is_as_stated(period_s: float, amplitude_px: float) -> None:
    """Over all phases of a swing shorter than the exposure, 1.2 stated sigmas hold the shift.

    Middle and half-flux diameter of a Gaussian star swung as A sin(2 pi t / P + phase) over 2 s are
    those of its light, photon by photon.
    """
    still_hfd, exposure_s, photons = 1.5, 2.0, 20_000
    rng = np.random.default_rng(4)
    t = rng.uniform(0.0, exposure_s, photons)
    star = rng.normal(0.0, still_hfd / 2.3548, (2, photons))
    off, stated = [], []
    for phase in np.linspace(0.0, 2.0 * math.pi, 60, endpoint=False):
        place = amplitude_px * np.sin(2.0 * math.pi * t / period_s + phase)
        middle = float(place.mean())
        hfd = 2.0 * float(np.median(np.hypot(star[0] + place - middle, star[1])))
        off.append(abs(middle))
        stated.append(sigmas_px([still_hfd, hfd])[1])
    assert min(stated) > 0.0
    assert np.max(np.divide(off, stated)) < 1.2


def rest(exposed_hfd_px: float) -> Rest:
    return Rest("rested", 0.0, 0.0, 2.5, exposed_hfd_px, 2.0)


def test_frames_that_all_swung_are_told_by_the_looks_after_them() -> None:
    """Alike smeared beside each other, but not beside the looks: in wind, looks that agree with a
    frame by chance do not make it sure. That is in the figure's sigma and needs no words."""
    hfds: list[float | None] = [3.0, 3.0, 3.0]
    rests = [rest(3.0), rest(2.3), None]
    _, smeared = with_smear([attitude()] * 3, hfds, rests)

    assert smeared == 0
    beside_a_sharp_one = sigmas_px([2.0, 3.0])[1]
    assert beside_a_sharp_one > 0.1
    assert sigmas_px(hfds, rests) == pytest.approx([beside_a_sharp_one, 0.0, 0.0], abs=1e-6)


@pytest.mark.parametrize("exposed_hfd_px", [3.0, 6.0])
def test_the_larger_of_both_smears_counts(exposed_hfd_px: float) -> None:
    _, by_sharpest = sigmas_px([2.0, 4.0])
    by_looks, _ = sigmas_px([4.0, 4.0], [rest(exposed_hfd_px), None])

    _, both = sigmas_px([2.0, 4.0], [None, rest(exposed_hfd_px)])
    assert both == pytest.approx(max(by_sharpest, by_looks))
    assert (both > by_sharpest) is (exposed_hfd_px > 4.0)
