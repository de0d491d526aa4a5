"""The axis's distance from the pole in the words of the adjusters: east and up, with its noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from polewright.angles import Matrix, Vector, fold_pi, separation

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)


@dataclass(frozen=True, eq=False)
class PoleOffset:
    """Axis minus pole. Radians; east is the compass's east in both hemispheres."""

    east: float
    """On the sky: turn of the base times the cosine of the pole's altitude."""
    up: float
    total: float
    """Great-circle distance."""
    east_base: float
    """Turn of the base about the vertical, positive where the axis stands east of the pole."""
    covariance: Matrix
    """(2, 2) rad^2 of [east, up]."""
    bound: float
    """The total error is below this with 95 % probability, see `total_quantile`."""

    @property
    def sigma_east(self) -> float:
        """1-sigma of ``east``."""
        return math.sqrt(float(self.covariance[0, 0]))

    @property
    def sigma_up(self) -> float:
        """1-sigma of ``up``."""
        return math.sqrt(float(self.covariance[1, 1]))

    @property
    def vector(self) -> Vector:
        """(2,) [east, up]."""
        return np.array([self.east, self.up])


def pole_offset(axis: Vector, covariance: Matrix, pole: Vector) -> PoleOffset:
    """Offset of ``axis`` (3,) with ``covariance`` (3, 3) rad^2 from ``pole`` (3,), all in ENU."""
    cos_pole = math.hypot(pole[0], pole[1])
    cos_axis = math.hypot(axis[0], axis[1])
    # Seen from above, compass azimuth grows clockwise; towards the south that is westward.
    towards_south = pole[1] < 0.0
    clockwise = fold_pi(math.atan2(axis[0], axis[1]) - math.atan2(pole[0], pole[1]))
    east_base = -clockwise if towards_south else clockwise
    up = math.atan2(axis[2], cos_axis) - math.atan2(pole[2], cos_pole)

    level = np.array([axis[1], -axis[0], 0.0]) / cos_axis  # clockwise seen from above
    east_unit = (-level if towards_south else level) * (cos_pole / cos_axis)
    up_unit = np.array([-axis[0] * axis[2], -axis[1] * axis[2], cos_axis**2]) / cos_axis
    jacobian = np.stack([east_unit, up_unit])
    cov = jacobian @ covariance @ jacobian.T
    cov = 0.5 * (cov + cov.T)
    east = east_base * cos_pole
    total = float(separation(axis, pole))
    # The components curve away from the great circle when far off; the total rules the length.
    length = math.hypot(east, up)
    scale = total / length if length > 0.0 else 1.0
    return PoleOffset(
        east=east,
        up=up,
        total=total,
        east_base=east_base,
        covariance=cov,
        bound=total_quantile(np.array([east, up]) * scale, cov),
    )


def total_quantile(mean: Vector, covariance: Matrix, probability: float = 0.95) -> float:
    """Length that a normal vector (2,) does not exceed with ``probability``.

    With a flat prior this is the upper credible bound of the true length. For a measured length
    far above its noise it is the length plus 1.645 sigma, for a measured zero with equal sigmas
    2.448 sigma (Rayleigh distribution); near zero it is on the safe side of a confidence bound.
    Found by quadrature and bisection, to about 1e-4 of a sigma.
    """
    values, vectors = np.linalg.eigh(covariance)
    sx, sy = (math.sqrt(max(float(v), 1e-24)) for v in values[::-1])
    mx, my = (float(m) for m in (vectors.T @ mean)[::-1])

    def inside(radius: float) -> float:
        low, high = max(-radius, mx - 7.0 * sx), min(radius, mx + 7.0 * sx)
        if low >= high:
            return 0.0
        x = 0.5 * (high - low) * _NODES + 0.5 * (high + low)
        half = np.sqrt(np.maximum(radius**2 - x**2, 0.0))
        band = ndtr((half - my) / sy) - ndtr((-half - my) / sy)
        density = np.exp(-0.5 * ((x - mx) / sx) ** 2) / (sx * math.sqrt(2.0 * math.pi))
        return float(0.5 * (high - low) * np.sum(_WEIGHTS * density * band))

    low, high = 0.0, math.hypot(mx, my) + 6.0 * sx
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if inside(middle) < probability else (low, middle)
    return high
