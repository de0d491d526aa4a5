"""The planned exposure: optics, length, guiding, target."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from polewright.angles import DEG, Vector
from polewright.tolerance.errors import ImagingNotUsable

#: Nearer to a pole the target's hour angle loses its meaning.
MOST_DECLINATION_DEG = 89.0
SPAN_STEPS = 13


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

    def __post_init__(self) -> None:
        _need("focal length (mm)", self.focal_length_mm, 1.0, 1e5)
        _need("pixel size (um)", self.pixel_um, 0.1, 1000.0)
        _need("exposure (s)", self.exposure_s, 1e-3, 6.0 * 3600.0)
        _need("guide star distance (deg)", self.guide_distance_deg, 0.0, 30.0)
        _need("field radius (deg)", self.field_radius_deg, 0.0, 45.0)

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
            "declination (deg)", self.declination_deg, -MOST_DECLINATION_DEG, MOST_DECLINATION_DEG
        )
        _need("first hour angle (hours)", self.hour_angle_from_hours, -12.0, 12.0)
        first = self.hour_angle_from_hours
        _need("last hour angle (hours)", self.hour_angle_to_hours, first, 12.0)

    @property
    def declination(self) -> float:
        """Declination in rad."""
        return self.declination_deg * DEG

    @property
    def hour_angles(self) -> Vector:
        """(13,) rad, evenly over the span: the middles of exposures."""
        span = np.linspace(self.hour_angle_from_hours, self.hour_angle_to_hours, SPAN_STEPS)
        return np.asarray(span * math.pi / 12.0)


def _need(what: str, value: float, low: float, high: float) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise ImagingNotUsable(what, value, f"between {low:g} and {high:g}")
