"""Between what a mount calls right ascension and declination, and directions on the sky.

Nothing is guessed: a system that is not known here is refused.
"""

from __future__ import annotations

import math

import numpy as np

from polewright.calculation.sky.errors import UnknownEquatorialSystem
from polewright.calculation.sky.frame import ObservedFrame, hour_angle_dec
from polewright.calculation.sky.refraction import refraction_constants, unrefract
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import (
    ARCSEC,
    DEG,
    HOUR,
    Vector,
    enu_from_azalt,
    fold_pi,
    spherical,
    unit_vector,
)

TOPOCENTRIC = 1
J2000 = 2
OTHER = 0
#: J2000 that the mount's driver turns into coordinates of date without aberration (own number).
J2000_TURNED = 102
#: J2000 of which nobody knows whether aberration is in it: taken halfway, and the rest of it is in
#: the covariance of the axis (own number).
J2000_MIDWAY = 103
#: Whether a mount counts with aberration can be told where aberration shifts the declination by the
#: first at least, and the mount's altitude and azimuth agree with one assumption to within the
#: second and differ from the other by more than the third (rad, own choice).
TELLING, AGREES, DIFFERS = 8.0 * ARCSEC, 1.5 * ARCSEC, 3.0 * ARCSEC


def check_system(system: int) -> None:
    """Raise `UnknownEquatorialSystem` unless ``system`` is one of 0, 1 and 2 of the standard.

    0 ("other") is taken as topocentric; the caller warns.
    """
    if system not in (OTHER, TOPOCENTRIC, J2000, J2000_TURNED, J2000_MIDWAY):
        raise UnknownEquatorialSystem(system)


def icrs_from_mount(
    frame: ObservedFrame, system: int, right_ascension_hours: float, declination_deg: float
) -> Vector:
    """ICRS unit vector (3,) of a mount's coordinates in its own ``system``."""
    check_system(system)
    vector = unit_vector(right_ascension_hours * HOUR, declination_deg * DEG)
    return vector if system == J2000 else frame.icrs_from_of_date(_to_date(frame, system, vector))


def hour_angle_dec_from_mount(
    frame: ObservedFrame, system: int, right_ascension_hours: float, declination_deg: float
) -> tuple[float, float]:
    """Hour angle in [-pi, pi) and declination (rad, of date) of a mount's coordinates."""
    check_system(system)
    vector = unit_vector(right_ascension_hours * HOUR, declination_deg * DEG)
    longitude, latitude = spherical(_to_date(frame, system, vector))
    return fold_pi(frame.lst - float(longitude)), float(latitude)


def _to_date(frame: ObservedFrame, system: int, vector: Vector) -> Vector:
    """Turn a direction (3,) in the mount's axes into those of date."""
    if system == J2000:
        return frame.of_date_from_icrs(vector)
    if system == J2000_TURNED:
        return frame.turned_to_date(vector)
    if system == J2000_MIDWAY:
        return _halfway(frame.of_date_from_icrs(vector), frame.turned_to_date(vector))
    return vector


def _halfway(one: Vector, other: Vector) -> Vector:
    middle = one + other
    return np.asarray(middle / np.linalg.norm(middle))


def mount_from_of_date(frame: ObservedFrame, system: int, of_date: Vector) -> tuple[float, float]:
    """Right ascension (hours) and declination (degrees) that a mount wants for a direction.

    Args:
        frame: the sky at the time of the slew.
        system: the mount's EquatorialSystem.
        of_date: unit vector (3,), true equator and equinox of date, topocentric.
    """
    check_system(system)
    vector = of_date
    if system == J2000:
        vector = frame.icrs_from_of_date(of_date)
    elif system == J2000_TURNED:
        vector = frame.turned_from_date(of_date)
    elif system == J2000_MIDWAY:
        vector = _halfway(frame.icrs_from_of_date(of_date), frame.turned_from_date(of_date))
    longitude, latitude = spherical(vector)
    return float(longitude) / HOUR % 24.0, float(latitude) / DEG


def aberration_of_mount(
    frame: ObservedFrame,
    latitude_deg: float,
    right_ascension_hours: float,
    declination_deg: float,
    altitude_deg: float,
    azimuth_deg: float,
) -> bool | None:
    """Whether a J2000 mount counts with aberration; None where what it reports does not show it.

    Its declination axis stays where it was between two targets only if they are converted as the
    mount does it. Its altitude and azimuth show the declination of date that it has made of its
    J2000 coordinates, with or without refraction.

    Args:
        frame: the sky when it was asked.
        latitude_deg: the mount's own.
        right_ascension_hours: J2000, as it tells.
        declination_deg: the same.
        altitude_deg: as it tells.
        azimuth_deg: as it tells, north 0, east 90.
    """
    told = unit_vector(right_ascension_hours * HOUR, declination_deg * DEG)
    with_it = float(spherical(frame.of_date_from_icrs(told))[1])
    without = float(spherical(frame.turned_to_date(told))[1])
    if abs(with_it - without) < TELLING:
        return None
    site = Site(latitude_deg, 0.0)
    seen = enu_from_azalt(azimuth_deg * DEG, altitude_deg * DEG)
    constants = refraction_constants(frame.atmosphere)
    shown = [float(hour_angle_dec(site, enu)[1]) for enu in (seen, unrefract(seen, constants))]
    off_with = min(abs(declination - with_it) for declination in shown)
    off_without = min(abs(declination - without) for declination in shown)
    if min(off_with, off_without) > AGREES or max(off_with, off_without) < DIFFERS:
        return None
    return off_with < off_without


def of_date_at(frame: ObservedFrame, hour_angle: float, declination: float) -> Vector:
    """Of-date unit vector (3,) that stands at an hour angle and declination (rad) now."""
    return unit_vector((frame.lst - hour_angle) % (2.0 * math.pi), declination)
