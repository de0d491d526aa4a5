"""Where the polar axis should point."""

from __future__ import annotations

import math
from enum import Enum

import numpy as np

from polewright.calculation.sky.refraction import refract, refraction_constants, traced_lift
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import DEG, Vector

TRACED_BELOW = 15.0 * DEG
"""Altitude of the pole below which its lift is traced: ERFA's series is good to 0.1 arcsec down to
here, to 1 arcsec at 10 degrees, 30 at 5, and ends at 3."""


class PoleTarget(Enum):
    """Which of the two poles the axis is brought to."""

    TRUE = "true"
    """The pole of the Earth's rotation: altitude |latitude|."""
    REFRACTED = "refracted"
    """Where that pole is seen through the air, one to two arcmin higher at middle latitudes."""


def pole_enu(site: Site, target: PoleTarget, atmosphere: Atmosphere) -> Vector:
    """Return the visible pole as an ENU unit vector (3,): azimuth 0 in the north, 180 south."""
    sign = -1.0 if site.southern else 1.0
    pole = sign * np.array([0.0, math.cos(site.latitude), math.sin(site.latitude)])
    if target is PoleTarget.TRUE:
        return pole
    if abs(site.latitude) < TRACED_BELOW:
        altitude = abs(site.latitude)
        altitude += traced_lift(altitude, atmosphere)
        return np.array([0.0, sign * math.cos(altitude), math.sin(altitude)])
    return refract(pole, refraction_constants(atmosphere))
