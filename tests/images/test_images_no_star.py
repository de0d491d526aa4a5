"""Frames on which every candidate turns out to be no star."""

from __future__ import annotations

import numpy as np

from polewright.images.profile import Shape, fit_stars


def test_fitting_no_star_gives_no_star() -> None:
    """Under a cloud the filters may leave nothing: the fit returns empty arrays, not an error."""
    none = np.zeros(0)

    fits = fit_stars(
        np.zeros((0, 9, 9), dtype=np.float32),
        np.ones((0, 9, 9), dtype=np.bool_),
        (none, none),
        Shape(1.0, 1.0, 0.0),
        0.6,
        none,
        1.0,
    )

    assert fits.flux.shape == fits.x.shape == fits.sigma.shape == (0,)
    assert fits.good.dtype == np.bool_
