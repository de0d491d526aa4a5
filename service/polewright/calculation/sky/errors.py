"""What can be wrong with a question about the sky.

::

    ConfigError
    ├── PressureContradictsHeight   the pressure typed is not that of the site's height
    └── UnknownEquinox              the mount's equinox is not supported
"""

from __future__ import annotations

from polewright.foundation.errors import ConfigError


class UnknownEquinox(ConfigError):
    """The mount reports an equatorial system that cannot be converted safely."""

    code = "unknown_equinox"
    advice = "Set the mount's driver to topocentric (of date) or J2000 coordinates."

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number

    def __str__(self) -> str:
        return f"The mount reports EquatorialSystem {self.number}, which is not supported"


class PressureContradictsHeight(ConfigError):
    """The air pressure given is not one of the site's height; likely it is reduced to sea level."""

    code = "pressure_contradicts_height"
    advice = (
        "Weather reports reduce pressure to sea level: give the one the barometer at the site "
        "shows, or leave [site] pressure_hpa out and check [site] elevation_m."
    )

    def __init__(self, pressure_hpa: float, elevation_m: float, standard_hpa: float) -> None:
        super().__init__(pressure_hpa, elevation_m, standard_hpa)
        self.pressure_hpa, self.elevation_m = pressure_hpa, elevation_m
        self.standard_hpa = standard_hpa

    def __str__(self) -> str:
        return (
            f"the air pressure is given as {self.pressure_hpa:g} hPa, and the site's height of "
            f"{self.elevation_m:g} m has {self.standard_hpa:.0f} hPa in the standard atmosphere"
        )
