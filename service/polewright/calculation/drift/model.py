"""How a field drifts on the sky while a mount tracks about an axis that is not at the pole.

Exact: the camera is turned about the axis in the observed frame and its directions are taken back
to the stars, so that refraction changing with altitude is in it. The first-order formula is kept
beside it as a check.

Signs: the declination drift is that of the field's CENTRE (of what the camera looks at), north
positive in both hemispheres; a star in the frame moves the other way. Right ascension drift is
along the sky (times cos declination), east positive. Roll is the turn of the camera against the
stars about its line of sight, from north towards east positive (counterclockwise on the sky).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.geometry.rotation import rotation_about
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import SIDEREAL_RATE, Matrix, Vector

#: Roll is read from points this far (rad) from the centre along camera x and y.
_ROLL_ARM = 0.005


@dataclass(frozen=True, eq=False)
class SkyDrift:
    """Drift against the first frame; arrays (n,)."""

    seconds: NDArray[np.float64]
    """Since the first frame."""
    declination: NDArray[np.float64]
    """Rad, north positive."""
    right_ascension: NDArray[np.float64]
    """Rad along the sky, east positive; holds periodic error and tracking rate."""
    roll: NDArray[np.float64]
    """Rad, from north through east."""


def tracked_attitudes(
    axis: Vector, start: Matrix, seconds: Vector, *, southern: bool
) -> NDArray[np.float64]:
    """Return camera attitudes (n, 3, 3), observed frame, after tracking for ``seconds`` (n,).

    Args:
        axis: polar axis (3,), towards the visible pole.
        start: attitude (3, 3) at 0 s.
        seconds: of tracking at the sidereal rate.
        southern: the sky turns westward, which is against the right-hand rule about the north
            pole and with it about the south pole.
    """
    way = 1.0 if southern else -1.0
    turned = rotation_about(axis, way * SIDEREAL_RATE * np.asarray(seconds, dtype=np.float64))
    return np.asarray(turned @ start)


def sky_drift(
    matrices: Sequence[Matrix] | NDArray[np.float64],
    utc_s: Sequence[float] | Vector,
    site: Site,
    atmosphere: Atmosphere,
) -> SkyDrift:
    """Return how a camera with these attitudes (n, 3, 3) at these times drifts against the stars.

    Good for drifts up to some degrees; the first attitude is the origin.
    """
    times = np.asarray(utc_s, dtype=np.float64)
    vectors = np.stack(
        [
            ObservedFrame.at(site, atmosphere, float(time)).to_icrs(_aims(np.asarray(matrix)))
            for matrix, time in zip(matrices, times, strict=True)
        ]
    )
    pole = ObservedFrame.at(site, atmosphere, float(times[0])).icrs_from_of_date(
        np.array([0.0, 0.0, 1.0])
    )
    centre = vectors[0, 0]
    east = np.cross(pole, centre)
    east /= np.linalg.norm(east)
    north = np.cross(centre, east)
    angles = []
    for aims in vectors:
        here = aims[0]
        east_here = np.cross(pole, here)
        east_here /= np.linalg.norm(east_here)
        north_here = np.cross(here, east_here)
        angles.append(
            [math.atan2(float(arm @ east_here), float(arm @ north_here)) for arm in aims[1:] - here]
        )
    turned = np.unwrap(np.array(angles), axis=0)
    ahead = vectors[:, 0] @ centre
    return SkyDrift(
        seconds=times - times[0],
        declination=np.arctan2(vectors[:, 0] @ north, ahead),
        right_ascension=np.arctan2(vectors[:, 0] @ east, ahead),
        # Refraction squeezes the field, which turns two crossed arms oppositely: their mean.
        roll=np.mean(turned - turned[0], axis=1),
    )


def _aims(matrix: Matrix) -> NDArray[np.float64]:
    """Centre and a point along camera x and y, unit vectors (3, 3) as rows."""
    x, y, centre = matrix.T
    points = np.stack([centre, centre + _ROLL_ARM * x, centre + _ROLL_ARM * y])
    return np.asarray(points / np.linalg.norm(points, axis=1, keepdims=True))


def predicted_drift(
    axis: Vector,
    start: Matrix,
    utc_s: Sequence[float] | Vector,
    site: Site,
    atmosphere: Atmosphere,
) -> SkyDrift:
    """Return the drift that tracking about ``axis`` gives, from attitude ``start`` on.

    Args:
        axis: polar axis (3,), observed frame.
        start: attitude (3, 3) at the first time.
        utc_s: times (n,).
        site: where.
        atmosphere: the air, whose refraction changes as the field rises or sinks.
    """
    times = np.asarray(utc_s, dtype=np.float64)
    matrices = tracked_attitudes(axis, start, times - times[0], southern=site.southern)
    return sky_drift(matrices, times, site, atmosphere)
