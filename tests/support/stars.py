"""Lists of stars as a detection would return them; what a test does not care about is made up."""

from __future__ import annotations

from typing import Any

import numpy as np

from polewright.calculation.images.frame import StarList


def star_list(x: Any, y: Any, **known: Any) -> StarList:
    """Stars at these pixels, in this order: round, 2.5 px wide, none saturated, on 1600 x 1200.

    Args:
        x: columns, (N,).
        y: rows, (N,).
        known: any other member of a `StarList`; a number holds for every star.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    one = np.ones(x.size)
    flux = np.asarray(known.pop("flux", np.linspace(2000.0, 200.0, x.size))) * one
    usual: dict[str, Any] = {
        "peak": flux / 8.0,
        "sigma_px": 0.05,
        "hfd_px": 2.5,
        "fwhm_px": 2.2,
        "elongation": 1.0,
        "theta": 0.0,
    }
    given: dict[str, Any] = {
        name: np.asarray(known.pop(name, value)) * one for name, value in usual.items()
    }
    saturated = np.asarray(known.pop("saturated", np.zeros(x.size, dtype=bool)))
    frame: dict[str, Any] = {
        "width": 1600,
        "height": 1200,
        "background_adu": 500.0,
        "noise_adu": 10.0,
        **known,
    }
    return StarList(x=x, y=y, flux=flux, saturated=saturated, **given, **frame)
