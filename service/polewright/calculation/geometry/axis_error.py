"""How far the axis is from the pole it should point at, with honest uncertainty.

Signs: error is axis minus pole. ``d_alt > 0``: the axis is too high. ``d_az > 0``: the axis is
EAST of the pole, in both hemispheres (in the south, where the pole stands at azimuth 180, that is
a smaller azimuth). An azimuth error has two sizes: the turn of the base that it takes
(``d_az_base``), and what it amounts to on the sky (``d_az_sky``, smaller by cos of the pole's
altitude). Say which one a number is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.geometry.compass_words import (
    AltitudeWord,
    AzimuthWord,
    altitude_word,
    azimuth_word,
)
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import Matrix, Vector, azalt_from_enu, fold_pi, separation

_RADII, _ANGLES = 200, 72
"""Cells of equal probability in radius and angle, for `_length_quantile`."""


def _length_quantile(centre: Vector, covariance: Matrix, level: float) -> float:
    """Quantile of |x| for x ~ N(centre, covariance) in the plane.

    A Gaussian in the plane is a Rayleigh radius times an even angle, sheared; equal-probability
    cells in both and a sort give the quantile to better than 1 % (tested against the noncentral
    chi-square distribution).
    """
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    radius = np.sqrt(-2.0 * np.log1p(-(np.arange(_RADII) + 0.5) / _RADII))
    angle = 2.0 * math.pi * (np.arange(_ANGLES) + 0.5) / _ANGLES
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    points = np.asarray(centre) + (radius[:, None, None] * circle) @ root.T
    return float(np.quantile(np.linalg.norm(points, axis=-1), level))


@dataclass(frozen=True, eq=False)
class AxisError:
    """Axis minus pole. All angles in rad; the module's docstring has the signs."""

    d_alt: float
    """Altitude of the axis minus altitude of the pole."""
    d_az_sky: float
    """Azimuth error on the sky (great circle), east positive."""
    d_az_base: float
    """Azimuth error as a turn of the base about the vertical, east positive."""
    total: float
    """Great-circle distance of the axis from the pole."""
    covariance: Matrix
    """(2, 2) rad^2 of [d_az_sky, d_alt]."""
    target: PoleTarget

    @property
    def sigma_alt(self) -> float:
        """1-sigma of ``d_alt``."""
        return math.sqrt(self.covariance[1, 1])

    @property
    def sigma_az_sky(self) -> float:
        """1-sigma of ``d_az_sky``."""
        return math.sqrt(self.covariance[0, 0])

    @property
    def sigma_total(self) -> float:
        """1-sigma of ``total``: the covariance along the direction of the error.

        Where the error is not larger than its own uncertainty it has no direction to speak of,
        and the widest direction of the covariance is taken. There ``total`` is also biased high
        (it cannot be negative); `total_upper` is then the number to quote.
        """
        widest = math.sqrt(float(np.linalg.eigvalsh(self.covariance)[-1]))
        e = np.array([self.d_az_sky, self.d_alt])
        length = float(np.linalg.norm(e))
        if length <= widest:
            return widest
        return math.sqrt(float(e @ self.covariance @ e)) / length

    def total_upper(self, level: float = 0.95) -> float:
        """Return the size (rad) that the true error does not exceed, with this probability.

        The true error is taken as Gaussian about the measured one in the plane (a flat prior), so
        the bound stays sensible at zero error: with equal sigmas it is 2.45 sigma there, and tends
        to total + 1.64 sigma far out.
        """
        centre = np.array([self.d_az_sky, self.d_alt])
        length = float(np.linalg.norm(centre))
        if length > 0.0:
            # A degree off, the plane's length differs from the great circle by some arcseconds.
            centre *= self.total / length
        return _length_quantile(centre, self.covariance, level)

    def contains(self, d_az_sky: float, d_alt: float, level: float = 0.95) -> bool:
        """Return whether the confidence ellipse of this level holds a (true) error.

        In the plane the squared distance in sigmas has the distribution 1 - exp(-d^2 / 2).
        """
        e = np.array([d_az_sky - self.d_az_sky, d_alt - self.d_alt])
        return float(e @ np.linalg.solve(self.covariance, e)) <= -2.0 * math.log1p(-level)

    @property
    def move_axis(self) -> tuple[AzimuthWord, AltitudeWord]:
        """Which way the axis must go: ("east" or "west", "up" or "down")."""
        return azimuth_word(-self.d_az_sky), altitude_word(-self.d_alt)


def axis_error(
    axis: Vector,
    covariance: Matrix,
    site: Site,
    target: PoleTarget,
    atmosphere: Atmosphere,
) -> AxisError:
    """Return the error of an axis from the chosen pole.

    Args:
        axis: ENU unit vector (3,), towards the visible pole.
        covariance: (3, 3) rad^2 of it, ENU.
        site: gives the pole's altitude and side.
        target: true or refracted pole.
        atmosphere: lifts the refracted pole; not used for the true one.

    Within a degree of the Earth's poles azimuth loses its meaning; ``total`` holds everywhere.
    """
    pole = pole_enu(site, target, atmosphere)
    (az_pole, az_axis), (alt_pole, alt_axis) = azalt_from_enu(np.array([pole, axis]))
    eastward = -1.0 if site.southern else 1.0
    base = eastward * fold_pi(float(az_axis - az_pole))
    cos_pole, cos_axis = math.cos(float(alt_pole)), math.cos(float(alt_axis))
    s, c = math.sin(float(az_axis)), math.cos(float(az_axis))
    jacobian: NDArray[np.float64] = np.array(
        [
            [
                eastward * cos_pole / cos_axis * c,
                -eastward * cos_pole / cos_axis * s,
                0.0,
            ],
            [-math.sin(float(alt_axis)) * s, -math.sin(float(alt_axis)) * c, cos_axis],
        ]
    )
    return AxisError(
        d_alt=float(alt_axis - alt_pole),
        d_az_sky=base * cos_pole,
        d_az_base=base,
        total=float(separation(axis, pole)),
        covariance=jacobian @ np.asarray(covariance) @ jacobian.T,
        target=target,
    )
