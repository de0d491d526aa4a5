"""The best focus from star sizes at several focuser positions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

LEAST_POINTS = 5
#: Misfit over the size, root mean square, above which the curve is not one (own choice).
MOST_MISFIT = 0.15


@dataclass(frozen=True)
class FocusCurve:
    """The hyperbola ``hfd^2 = smallest^2 + (slope * (position - best))^2``: where it is least."""

    best: float
    """Position, steps."""
    misfit: float
    """Root mean square of the relative residuals."""


def fit_focus(positions: Sequence[float], hfd_px: Sequence[float]) -> FocusCurve | None:
    """Fit the curve; None when the points do not hold a minimum between them.

    A defocused star grows in proportion to the distance from focus and adds to the seeing in
    squares: hence a hyperbola, which is a parabola in hfd squared (least squares, each point
    weighted for an equal relative error).

    Args:
        positions: (n,) steps.
        hfd_px: (n,) half-flux diameters, pixels.
    """
    x = np.asarray(positions, dtype=np.float64)
    y = np.asarray(hfd_px, dtype=np.float64)
    if len(x) < LEAST_POINTS or len(np.unique(x)) < LEAST_POINTS or not np.all(y > 0.0):
        return None
    middle, scale = float(np.mean(x)), float(np.ptp(x)) / 2.0
    t = (x - middle) / scale
    weight = 1.0 / (2.0 * y**2)
    design = np.column_stack([t**2, t, np.ones_like(t)]) * weight[:, None]
    (a, b, c), *_rest = np.linalg.lstsq(design, y**2 * weight, rcond=None)
    if a <= 0.0:
        return None
    best = -b / (2.0 * a)
    # Noise can put the bottom of a steep curve a little below zero.
    bottom = max(float(c - b * b / (4.0 * a)), 0.25 * float(np.min(y)) ** 2)
    misfit = float(np.sqrt(np.mean((np.sqrt(bottom + a * (t - best) ** 2) / y - 1.0) ** 2)))
    position = float(middle + best * scale)
    if not float(np.min(x)) < position < float(np.max(x)) or misfit > MOST_MISFIT:
        return None
    return FocusCurve(position, misfit)
