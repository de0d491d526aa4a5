"""Between what a mount calls right ascension and declination, and directions on the sky."""

from __future__ import annotations

import math
from dataclasses import replace

from polewright.angles import DEG, HOUR, Vector, fold_pi, spherical, unit_vector
from polewright.errors import DeviceError
from polewright.planning.motion import PAST_MERIDIAN
from polewright.planning.request import Pointing
from polewright.sky.frame import ObservedFrame

TOPOCENTRIC = 1
J2000 = 2
OTHER = 0


class UnknownEquatorialSystem(DeviceError):
    """The mount counts its coordinates in a system this program does not convert."""

    code = "unknown_equatorial_system"
    advice = (
        "Set the mount's driver to topocentric (JNow) or J2000 coordinates; slewing with "
        "unconverted coordinates would point elsewhere."
    )

    def __init__(self, system: int) -> None:
        super().__init__(system)
        self.system = system

    def __str__(self) -> str:
        return f"the mount reports EquatorialSystem {self.system}, which is not converted here"


def check_system(system: int) -> None:
    """Raise `UnknownEquatorialSystem` unless ``system`` is one of 0, 1 and 2 of the standard.

    0 ("other") is taken as topocentric; the caller warns.
    """
    if system not in (OTHER, TOPOCENTRIC, J2000):
        raise UnknownEquatorialSystem(system)


def icrs_from_mount(
    frame: ObservedFrame, system: int, right_ascension_hours: float, declination_deg: float
) -> Vector:
    """ICRS unit vector (3,) of a mount's coordinates in its own ``system``."""
    check_system(system)
    vector = unit_vector(right_ascension_hours * HOUR, declination_deg * DEG)
    return vector if system == J2000 else frame.icrs_from_of_date(vector)


def pointing_from_mount(
    frame: ObservedFrame, system: int, right_ascension_hours: float, declination_deg: float
) -> Pointing:
    """Hour angle and declination (of date, about the nominal pole) of a mount's coordinates."""
    check_system(system)
    vector = unit_vector(right_ascension_hours * HOUR, declination_deg * DEG)
    if system == J2000:
        vector = frame.of_date_from_icrs(vector)
    longitude, latitude = spherical(vector)
    return Pointing(fold_pi(frame.lst - float(longitude)), float(latitude))


class Sides:
    """What a mount means by its pointing state, learnt where the hour angle tells it as well.

    The standard calls 0 the state for targets in the west; some drivers count otherwise.
    """

    def __init__(self) -> None:
        self._west: dict[int, bool] = {0: True, 1: False}

    def told(self, pointing: Pointing, state: int | None) -> Pointing:
        """Return a pointing with the side of the meridian that a pointing state stands for."""
        if state not in self._west:
            return pointing
        far = abs(math.sin(pointing.hour_angle)) > math.sin(PAST_MERIDIAN)
        if far and abs(pointing.declination) < 80.0 * DEG:
            west = pointing.hour_angle > 0.0
            self._west = {state: west, 1 - state: not west}
        return replace(pointing, side=1 if self._west[state] else -1)


def mount_from_of_date(frame: ObservedFrame, system: int, of_date: Vector) -> tuple[float, float]:
    """Right ascension (hours) and declination (degrees) that a mount wants for a direction.

    Args:
        frame: the sky at the time of the slew.
        system: the mount's EquatorialSystem.
        of_date: unit vector (3,), true equator and equinox of date, topocentric.
    """
    check_system(system)
    vector = frame.icrs_from_of_date(of_date) if system == J2000 else of_date
    longitude, latitude = spherical(vector)
    return float(longitude) / HOUR % 24.0, float(latitude) / DEG


def of_date_at(frame: ObservedFrame, hour_angle: float, declination: float) -> Vector:
    """Of-date unit vector (3,) that stands at an hour angle and declination (rad) now."""
    return unit_vector((frame.lst - hour_angle) % (2.0 * math.pi), declination)
