"""Sun and Moon, for keeping the telescope away from them. No ephemeris file is needed."""

from __future__ import annotations

import erfa.ufunc
import numpy as np
from numpy.typing import NDArray

from polewright.calculation.sky.earth import earth_time
from polewright.calculation.sky.frame import ObservedFrame


def _unit(vector: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(vector / np.linalg.norm(vector), dtype=np.float64)


def _moon_from_observer_au(frame: ObservedFrame) -> NDArray[np.float64]:
    moon = erfa.ufunc.moon98(*earth_time(frame.utc_s).tt)["p"]
    return np.asarray(moon - frame.observer_gcrs_au, dtype=np.float64)


def sun_enu(frame: ObservedFrame) -> NDArray[np.float64]:
    """Return where the Sun's centre is seen, ENU unit vector (3,).

    Source: ERFA ``eraEpv00`` (Earth to a few km); light time makes less than 0.02 arcsec since
    the Sun hardly moves about the barycentre. Near the horizon refraction is 17 arcmin short.
    """
    return frame.observe(_unit(-frame.earth_heliocentric_au - frame.observer_gcrs_au))


def moon_enu(frame: ObservedFrame) -> NDArray[np.float64]:
    """Return where the Moon's centre is seen from the site (parallax included), ENU (3,).

    Source: ERFA ``eraMoon98`` (Meeus chapter 47), some 10 arcsec. The Moon shares the Earth's
    annual motion, so no annual aberration belongs to it; `ObservedFrame.observe` would add up to
    20 arcsec. That part is taken out again by starting from the ICRS direction that `observe`
    aberrates to the geometric one; the Moon's own light time (0.7 arcsec) is left out.
    """
    geometric = _unit(_moon_from_observer_au(frame))
    return frame.observe(frame.icrs_from_proper(geometric))


def moon_illuminated_fraction(frame: ObservedFrame) -> float:
    """Return the lit part of the Moon's disc, 0 to 1.

    Source: Meeus, Astronomical Algorithms, 2nd ed., formula 48.1: (1 + cos i) / 2, with i the
    angle at the Moon between Earth and Sun.
    """
    moon = _moon_from_observer_au(frame)
    to_sun = -frame.earth_heliocentric_au - frame.observer_gcrs_au - moon
    return float(0.5 * (1.0 + _unit(-moon) @ _unit(to_sun)))
