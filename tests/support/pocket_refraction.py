"""Refraction by pocket formulas: an independent check of the product's own.

For one standard air (1010 hPa, 10 C), good to about 0.07 arcmin (3 % high at middle altitudes),
usable down to the horizon.
"""

from __future__ import annotations

import math

from polewright.foundation.angles import ARCMIN, DEG


def bennett(altitude_apparent: float) -> float:
    """Return refraction (rad) of an apparent altitude (rad).

    Source: Bennett 1982, as formula 16.3 of Meeus, Astronomical Algorithms, 2nd ed.
    """
    h = altitude_apparent / DEG
    return ARCMIN / math.tan(DEG * (h + 7.31 / (h + 4.4)))


def saemundsson(altitude_true: float) -> float:
    """Return refraction (rad) of a true (airless) altitude (rad).

    Source: Saemundsson 1986, as formula 16.4 of Meeus, Astronomical Algorithms, 2nd ed.
    """
    h = altitude_true / DEG
    return 1.02 * ARCMIN / math.tan(DEG * (h + 10.3 / (h + 5.11)))
