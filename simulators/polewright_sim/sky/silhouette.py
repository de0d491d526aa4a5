"""Houses and trees around the simulated telescope: what hides the sky, and how softly."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import DEG, TAU
from polewright.foundation.errors import ConfigError

Limit = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""Altitude (rad) of an edge for azimuths (rad, from north through east)."""


def edge_from_pairs(pairs_deg: Iterable[tuple[float, float]]) -> Limit:
    """Return straight lines through (azimuth, altitude) pairs in degrees, closed at 0/360.

    Raises:
        ConfigError: no pair, or a value that is not a direction.
    """
    pairs = sorted((az % 360.0, alt) for az, alt in pairs_deg)
    if not pairs:
        raise ConfigError("A silhouette needs at least one azimuth/altitude pair.")
    azimuth = np.array([p[0] for p in pairs]) * DEG
    altitude = np.array([p[1] for p in pairs]) * DEG
    if not (np.isfinite(azimuth).all() and np.isfinite(altitude).all()):
        raise ConfigError("A silhouette's azimuths and altitudes must be finite numbers.")
    if np.abs(altitude).max() > 90.0 * DEG:
        raise ConfigError("A silhouette's altitudes must lie between -90 and 90 deg.")

    def edge(at: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.interp(at, azimuth, altitude, period=TAU))

    return edge


@dataclass(frozen=True)
class Silhouette:
    """What stands between telescope and sky. The ground at altitude 0 always does."""

    lower: Limit | None = None
    """Hidden below this altitude."""
    upper: Limit | None = None
    """Hidden above it: a balcony, a branch."""
    distance_m: float = 30.0
    """How far off it stands. A near edge covers the pupil bit by bit, so it is a soft ramp as
    wide as the aperture over this distance."""

    @classmethod
    def from_pairs(
        cls,
        lower_deg: Iterable[tuple[float, float]],
        upper_deg: Iterable[tuple[float, float]] | None = None,
        distance_m: float = 30.0,
    ) -> Silhouette:
        """Return a silhouette through (azimuth, altitude) pairs in degrees."""
        upper = None if upper_deg is None else edge_from_pairs(upper_deg)
        return cls(edge_from_pairs(lower_deg), upper, distance_m)

    def clearance(
        self, azimuth: NDArray[np.float64], altitude: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the height (rad) of directions above the nearest edge; negative is hidden."""
        clear = np.asarray(altitude, dtype=np.float64)
        if self.lower is not None:
            clear = np.minimum(clear, altitude - self.lower(azimuth))
        if self.upper is not None:
            clear = np.minimum(clear, self.upper(azimuth) - altitude)
        return clear

    def ramp(self, aperture_mm: float) -> float:
        """Angle (rad) over which an edge goes from open to covered, seen through the aperture."""
        return math.atan(aperture_mm * 1e-3 / max(self.distance_m, 0.1))

    def open_share(
        self,
        azimuth: NDArray[np.float64],
        altitude: NDArray[np.float64],
        aperture_mm: float,
    ) -> NDArray[np.float64]:
        """Return the share of the pupil that sees past the edges, 0 to 1."""
        clear = self.clearance(azimuth, altitude)
        return np.clip(0.5 + clear / self.ramp(aperture_mm), 0.0, 1.0)


OPEN_GROUND = Silhouette()
"""Nothing but the ground."""
