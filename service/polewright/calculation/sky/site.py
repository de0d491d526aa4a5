"""Where the mount stands and the air above it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from polewright.foundation.angles import DEG
from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say


def _require(name: str, value: float, low: float, high: float, unit: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise ConfigError(
            say(
                "{name} is {given:g} {unit}; it must lie between {low:g} and {high:g}.",
                name=name,
                given=value,
                unit=unit,
                low=low,
                high=high,
            )
        )


@dataclass(frozen=True)
class Site:
    """Geodetic place of the mount (WGS84).

    Raises:
        ConfigError: a coordinate is out of range or not a number.
    """

    latitude_deg: float
    """North positive."""
    longitude_deg: float
    """East positive; -180 to 360 is accepted."""
    elevation_m: float = 0.0
    elevation_told: bool = True
    """Whether anybody told the height; if not, ``elevation_m`` is 0 for want of it."""

    def __post_init__(self) -> None:
        _require(say("Site latitude"), self.latitude_deg, -90.0, 90.0, say("deg (north positive)"))
        _require(
            say("Site longitude"), self.longitude_deg, -180.0, 360.0, say("deg (east positive)")
        )
        _require(say("Site elevation"), self.elevation_m, -500.0, 9000.0, "m")

    @property
    def latitude(self) -> float:
        """Rad, north positive."""
        return self.latitude_deg * DEG

    @property
    def longitude(self) -> float:
        """Rad, east positive."""
        return self.longitude_deg * DEG

    @property
    def southern(self) -> bool:
        """Whether the visible pole is the south pole (the equator counts as north)."""
        return self.latitude_deg < 0.0


@dataclass(frozen=True)
class Atmosphere:
    """The air at the site, for refraction. Pressure is the station's own, not reduced to sea level.

    Raises:
        ConfigError: a value is out of range; a pressure reduced to sea level cannot be noticed.
    """

    pressure_hpa: float
    """0 means no air, hence no refraction."""
    temperature_c: float = 10.0
    relative_humidity: float = 0.5
    """From 0 to 1."""
    wavelength_um: float = 0.55

    def __post_init__(self) -> None:
        _require(say("Air pressure"), self.pressure_hpa, 0.0, 1100.0, say("hPa (at the station)"))
        _require(say("Air temperature"), self.temperature_c, -80.0, 60.0, "C")
        _require(say("Relative humidity"), self.relative_humidity, 0.0, 1.0, "(a fraction)")
        _require("Wavelength", self.wavelength_um, 0.3, 2.5, "micrometres")

    @classmethod
    def standard(cls, elevation_m: float) -> Atmosphere:
        """Return the standard pressure of a height above the sea, at 10 C and half humidity.

        Source: ICAO standard atmosphere, troposphere: 1013.25 hPa at sea level and 288.15 K,
        6.5 K/km; exponent g M / (R L) = 5.25588.
        """
        ratio = 1.0 - 0.0065 * elevation_m / 288.15
        return cls(pressure_hpa=1013.25 * ratio**5.25588)

    @classmethod
    def none(cls) -> Atmosphere:
        """Return no air: directions are not refracted."""
        return cls(pressure_hpa=0.0)
