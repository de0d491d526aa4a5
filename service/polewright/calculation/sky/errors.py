"""What can be wrong with a question about the sky.

::

    ConfigError
    └── PressureContradictsHeight   the pressure typed is not that of the site's height
    DeviceError
    └── UnknownEquatorialSystem     the mount's coordinates are of a kind not converted here
"""

from __future__ import annotations

from polewright.foundation.errors import ConfigError, DeviceError
from polewright.foundation.language import say


class UnknownEquatorialSystem(DeviceError):
    """The mount counts its coordinates in a system this program does not convert."""

    code = "unknown_equatorial_system"
    advice = say(
        "Set the mount's driver to topocentric (JNow) or J2000 coordinates; slewing with "
        "unconverted coordinates would point elsewhere."
    )

    def __init__(self, system: int) -> None:
        super().__init__(system)
        self.system = system

    def __str__(self) -> str:
        return say(
            "the mount reports EquatorialSystem {system}, which is not converted here",
            system=self.system,
        )


class PressureContradictsHeight(ConfigError):
    """The air pressure given is not one of the site's height; likely it is reduced to sea level."""

    code = "pressure_contradicts_height"
    advice = say(
        "Weather reports reduce pressure to sea level: give the one the barometer at the "
        "site shows, or leave [site] pressure_hpa out and check [site] elevation_m."
    )

    def __init__(self, pressure_hpa: float, elevation_m: float, standard_hpa: float) -> None:
        super().__init__(pressure_hpa, elevation_m, standard_hpa)
        self.pressure_hpa, self.elevation_m = pressure_hpa, elevation_m
        self.standard_hpa = standard_hpa

    def __str__(self) -> str:
        return say(
            "the air pressure is given as {pressure_hpa:g} hPa, and the site's height of "
            "{elevation_m:g} m has {standard_hpa:.0f} hPa in the standard atmosphere",
            pressure_hpa=self.pressure_hpa,
            elevation_m=self.elevation_m,
            standard_hpa=self.standard_hpa,
        )
