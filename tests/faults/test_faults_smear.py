"""Smeared frames count for less: by how much wind can have moved their middle."""

from __future__ import annotations

import math

import numpy as np
import pytest

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.images.stillness import Rest
from polewright.foundation.angles import ARCSEC
from polewright.observing.settling.blur_weighting import HFD_OF_SIGMA, TELLING, shift_px, with_smear


def attitude() -> Attitude:
    return Attitude(
        matrix=np.eye(3),
        covariance=np.eye(3) * (0.1 * ARCSEC) ** 2,
        utc_s=0.0,
        parity=1,
        scale=9.0 * ARCSEC,
        matched=30,
        chi2_per_dof=1.0,
        rms_px=0.1,
    )


def test_frames_of_like_sharpness_stay_as_they_are() -> None:
    """Seeing and altitude make some difference; that is not wind."""
    widened, smeared = with_smear([attitude()] * 3, [2.0, 2.3, None], [None] * 3)

    assert smeared == 0
    assert all(np.array_equal(one.covariance, attitude().covariance) for one in widened)


def test_a_smeared_frame_is_less_certain_in_every_direction() -> None:
    """Its covariance grows by the shift, the sharp ones' do not."""
    widened, smeared = with_smear([attitude()] * 3, [2.0, 4.0, 2.1], [None] * 3)

    assert smeared == 1
    grown = np.sqrt(np.diag(widened[1].covariance)) / ARCSEC
    assert grown == pytest.approx([math.hypot(0.1, 9.0 * shift_px(4.0, 2.0))] * 3)
    assert np.array_equal(widened[0].covariance, attitude().covariance)


def test_nothing_is_made_of_frames_without_a_size() -> None:
    """Solvers that bring no stars of their own leave nothing to compare."""
    widened, smeared = with_smear([attitude()] * 2, [None, None], [None] * 2)

    assert smeared == 0
    assert len(widened) == 2


@pytest.mark.parametrize("period_s", [0.4, 0.9, 1.3, 1.7])
@pytest.mark.parametrize("amplitude_px", [1.5, 4.0])
def test_the_shift_of_a_swung_frame_is_as_stated(period_s: float, amplitude_px: float) -> None:
    """Over all phases of a swing shorter than the exposure, 1.5 stated sigmas hold the shift.

    The middle of a star swung as A sin(2 pi t / P + phase) over 2 s is computed here directly.
    """
    still_hfd, exposure_s = 1.5, 2.0
    t = (np.arange(4000) + 0.5) / 4000 * exposure_s
    for phase in np.linspace(0.0, 2.0 * math.pi, 60, endpoint=False):
        place = amplitude_px * np.sin(2.0 * math.pi * t / period_s + phase)
        # Along the swing the width grows by its spread; the diameter by half of that, in squares.
        hfd = math.sqrt(still_hfd**2 + HFD_OF_SIGMA**2 * float(place.var()) / 2.0)
        if hfd <= TELLING * still_hfd:
            continue
        assert abs(float(place.mean())) < 1.5 * shift_px(hfd, still_hfd)


def rest(exposed_hfd_px: float) -> Rest:
    return Rest("rested", 0.0, 0.0, 2.5, exposed_hfd_px, 2.0)


def test_frames_that_all_swung_are_told_by_the_looks_after_them() -> None:
    """Alike smeared beside each other, but not beside the looks: in wind, looks that agree with a
    frame by chance do not make it sure. That is in the figure's sigma and needs no words."""
    hfds: list[float | None] = [3.0, 3.0, 3.0]
    widened, smeared = with_smear([attitude()] * 3, hfds, [rest(3.0), rest(2.3), None])

    assert smeared == 0
    sigmas = [math.sqrt(one.covariance[0, 0]) / ARCSEC for one in widened]
    assert sigmas == pytest.approx([math.hypot(0.1, 9.0 * shift_px(3.0, 2.0)), 0.1, 0.1])


def test_the_larger_of_both_smears_counts() -> None:
    widened, smeared = with_smear([attitude()] * 2, [2.0, 4.0], [None, rest(3.0)])

    assert smeared == 1
    sigma = math.sqrt(widened[1].covariance[0, 0]) / ARCSEC
    assert sigma == pytest.approx(math.hypot(0.1, 9.0 * shift_px(4.0, 2.0)))
