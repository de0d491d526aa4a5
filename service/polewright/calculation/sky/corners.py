"""Coordinates as a mount's driver counts them. Nothing is guessed: an unknown system is refused."""

from __future__ import annotations

from enum import IntEnum

import erfa.ufunc
import numpy as np
from numpy.typing import NDArray

from polewright.calculation.sky.errors import UnknownEquinox
from polewright.calculation.sky.frame import ObservedFrame
from polewright.foundation.angles import DEG, HOUR, Vector, spherical, unit_vector


class EquatorialSystem(IntEnum):
    """The numbers of the Alpaca property of the same name."""

    OTHER = 0
    TOPOCENTRIC = 1
    J2000 = 2
    J2050 = 3
    B1950 = 4


def _checked(system: int) -> EquatorialSystem:
    if system in (EquatorialSystem.TOPOCENTRIC, EquatorialSystem.J2000, EquatorialSystem.J2050):
        return EquatorialSystem(system)
    raise UnknownEquinox(int(system))


def _mean_equator(system: EquatorialSystem) -> NDArray[np.float64]:
    """Bias-precession matrix (3, 3) from ICRS to the mean equator and equinox of J2000 or J2050."""
    julian_date = 2451545.0 if system is EquatorialSystem.J2000 else 2451545.0 + 50 * 365.25
    return np.asarray(erfa.ufunc.pmat06(julian_date, 0.0), dtype=np.float64)


def mount_from_enu(
    frame: ObservedFrame, enu: Vector, system: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return right ascension (hours, 0 to 24) and declination (deg) to send to a mount.

    Args:
        frame: the sky at the moment meant.
        enu: observed directions (..., 3).
        system: the mount's ``EquatorialSystem``.

    Raises:
        UnknownEquinox: ``system`` is B1950, other, or not a known number.
    """
    checked = _checked(system)
    if checked is EquatorialSystem.TOPOCENTRIC:
        vectors = frame.of_date_from_enu(enu)
    else:
        vectors = frame.to_icrs(enu) @ _mean_equator(checked).T
    ra, dec = spherical(vectors)
    return ra / HOUR, dec / DEG


def enu_from_mount(
    frame: ObservedFrame,
    right_ascension_hours: float | Vector,
    declination_deg: float | Vector,
    system: int,
) -> NDArray[np.float64]:
    """Invert `mount_from_enu`: observed ENU directions (..., 3) of what a mount reports."""
    checked = _checked(system)
    vectors = unit_vector(
        np.asarray(right_ascension_hours) * HOUR, np.asarray(declination_deg) * DEG
    )
    if checked is EquatorialSystem.TOPOCENTRIC:
        return frame.enu_from_of_date(vectors)
    return frame.observe(vectors @ _mean_equator(checked))
