"""Where the polar axis should point."""

from __future__ import annotations

import math
from enum import Enum

import numpy as np

from polewright.angles import Vector
from polewright.sky.refraction import refract, refraction_constants
from polewright.sky.site import Atmosphere, Site


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
    return refract(pole, refraction_constants(atmosphere))
