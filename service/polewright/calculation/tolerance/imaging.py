"""The planned exposure: optics, length, guiding, target, and the sky it is taken through."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.refraction import refraction_constants
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.calculation.tolerance.errors import ImagingNotUsable, TargetTooLow
from polewright.foundation.angles import DEG, SIDEREAL_RATE, Vector
from polewright.foundation.language import joined, say

#: Nearer to a pole the target's hour angle loses its meaning.
MOST_DECLINATION_DEG = 89.0
#: Exposures that stand for all of a target's span.
SPAN_STEPS = 13
#: Exposures lower than this do not count: nobody plans them, and the air there is beyond figures.
LOWEST = 10.0 * DEG

TRACKING_RATES: Mapping[str, float] = MappingProxyType(
    {"sidereal": SIDEREAL_RATE / (DEG / 3600.0), "lunar": 14.685, "solar": 15.0, "king": 15.0369}
)
"""Arcsec of hour angle a second by name, in the order of Alpaca's DriveRate, which has these
figures (the sidereal one as 15.041)."""


@dataclass(frozen=True)
class Imaging:
    """Optics and exposure. Validated: `ImagingNotUsable` says which figure and what is allowed."""

    focal_length_mm: float
    pixel_um: float
    exposure_s: float
    guided: bool = False
    guide_distance_deg: float = 0.0
    """From the field's centre to the guide star; its direction is not known, the worst counts."""
    field_radius_deg: float = 0.0
    """From the field's centre to the farthest star that shall be round; 0: the centre only."""
    tracking: str = "sidereal"
    """The rate at which the mount drives in right ascension, of `TRACKING_RATES`."""

    def __post_init__(self) -> None:
        _need(say("focal length (mm)"), self.focal_length_mm, 1.0, 1e5)
        _need(say("pixel size (um)"), self.pixel_um, 0.1, 1000.0)
        _need("exposure (s)", self.exposure_s, 1e-3, 6.0 * 3600.0)
        _need(say("guide star distance (deg)"), self.guide_distance_deg, 0.0, 30.0)
        _need(say("field radius (deg)"), self.field_radius_deg, 0.0, 45.0)
        if self.tracking not in TRACKING_RATES:
            raise ImagingNotUsable(
                say("tracking rate"), self.tracking, "as " + _either(TRACKING_RATES)
            )

    @property
    def drive_rate(self) -> float:
        """Rad of hour angle a second that the mount drives at."""
        return TRACKING_RATES[self.tracking] * DEG / 3600.0

    @property
    def scale(self) -> float:
        """Radians per pixel at the centre."""
        return self.pixel_um * 1e-3 / self.focal_length_mm


@dataclass(frozen=True)
class Target:
    """Where the exposures of the night are taken. Hour angles grow westward."""

    declination_deg: float
    hour_angle_from_hours: float = -4.0
    hour_angle_to_hours: float = 4.0

    def __post_init__(self) -> None:
        _need(
            say("declination (deg)"),
            self.declination_deg,
            -MOST_DECLINATION_DEG,
            MOST_DECLINATION_DEG,
        )
        _need(say("first hour angle (hours)"), self.hour_angle_from_hours, -12.0, 12.0)
        first = self.hour_angle_from_hours
        _need(say("last hour angle (hours)"), self.hour_angle_to_hours, first, 12.0)

    @property
    def declination(self) -> float:
        """Declination in rad."""
        return self.declination_deg * DEG

    @property
    def hour_angles(self) -> Vector:
        """(13,) rad, evenly over the span: the middles of exposures."""
        span = np.linspace(self.hour_angle_from_hours, self.hour_angle_to_hours, SPAN_STEPS)
        return np.asarray(span * math.pi / 12.0)


@dataclass(frozen=True)
class SkyOver:
    """Where the mount stands as far as trails know it: latitude, air, and the pole aimed at."""

    latitude_deg: float
    atmosphere: Atmosphere
    pole: PoleTarget = PoleTarget.TRUE
    """What an axis error is counted from."""

    def __post_init__(self) -> None:
        _need(say("latitude (deg)"), self.latitude_deg, -90.0, 90.0)

    @property
    def southern(self) -> bool:
        """Whether the visible pole is the south pole."""
        return self.latitude_deg < 0.0

    @property
    def pole_height(self) -> float:
        """Rad that the visible true pole stands over the horizon."""
        return abs(self.latitude_deg) * DEG

    @property
    def refraction(self) -> tuple[float, float]:
        """The constants of `polewright.calculation.sky.refraction.refract`."""
        return refraction_constants(self.atmosphere)

    @property
    def pole_lift(self) -> float:
        """Rad that the pole aimed at stands above the true one."""
        site = Site(self.latitude_deg, 0.0)
        aimed = pole_enu(site, self.pole, self.atmosphere)
        return math.asin(float(aimed[2])) - self.pole_height

    def exposed(self, imaging: Imaging, target: Target) -> Vector:
        """Return those of the target's hour angles at which it stands over `LOWEST` throughout.

        Raises:
            TargetTooLow: there are none.
        """
        d, p = target.declination, self.latitude_deg * DEG
        half = 0.5 * SIDEREAL_RATE * imaging.exposure_s
        ends = target.hour_angles + np.array([[-half], [half]])
        sine = math.sin(d) * math.sin(p) + math.cos(d) * math.cos(p) * np.cos(ends)
        seen = target.hour_angles[np.min(sine, axis=0) >= math.sin(LOWEST)]
        if len(seen) == 0:
            raise TargetTooLow(target.declination_deg, self.latitude_deg, LOWEST / DEG)
        return np.asarray(seen)


def _either(names: Mapping[str, float]) -> str:
    *some, last = names
    return say("{some} or {last}", some=joined(", ", some), last=last)


def _need(what: str, value: float, low: float, high: float) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise ImagingNotUsable(what, value, say("between {low:g} and {high:g}", low=low, high=high))
