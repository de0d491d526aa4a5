"""Frames on which every candidate turns out to be no star."""

from __future__ import annotations

import numpy as np

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.images.psf_fit import Expected, Shape, Stamps, fit_stars


def test_fitting_no_star_gives_no_star() -> None:
    """Under a cloud the filters may leave nothing: the fit returns empty arrays, not an error."""
    none = np.zeros(0)

    stamps = Stamps(
        np.zeros((0, 9, 9), dtype=np.float32), np.ones((0, 9, 9), dtype=np.bool_), none, none, none
    )

    fits = fit_stars(stamps, Expected(Shape(1.0, 1.0, 0.0), 0.6, 1.0))

    assert fits.flux.shape == fits.x.shape == fits.sigma.shape == (0,)
    assert fits.good.dtype == np.bool_


def test_hot_pixels_that_leak_alone_are_no_star() -> None:
    """Under a lens cap the warm pixels that look most like stars are dropped after the fit.

    Each gives 5 to 30 % of its light to its four neighbours, in between hot pixel and star.
    """
    lonely = 0
    for seed in range(28, 60):
        rng = np.random.default_rng(seed)
        pixels = rng.normal(300.0, 6.0, (200, 260))
        count = int(rng.integers(1, 6))
        rows, columns = rng.integers(5, 190, count), rng.integers(5, 250, count)
        peak, leak = rng.uniform(300.0, 6000.0, count), rng.uniform(0.05, 0.3, count)
        pixels[rows, columns] += peak
        for down, right in ((0, 1), (1, 0), (0, -1), (-1, 0)):
            pixels[rows + down, columns + right] += peak * leak
        stars = detect_stars(Frame(np.rint(pixels).astype(np.uint16), 0.0, 2.0))
        lonely += len(stars) == 0
    assert lonely >= 4
