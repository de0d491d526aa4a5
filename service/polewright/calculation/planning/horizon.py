"""The skyline: what stands in the way, as seen from the mount.

Azimuths run from north through east. Between given azimuths the skyline is a straight line in
azimuth and altitude, and it wraps around at 0/360. Above it an optional overhang (a balcony, a
branch) closes the sky again, and windows (a street lamp) are forbidden rectangles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from polewright.calculation.planning.errors import LimitsInvalid
from polewright.foundation.angles import DEG, TAU, Vector, azalt_from_enu, enu_from_azalt
from polewright.foundation.language import say

HALF_PI = 0.5 * math.pi

#: Edges are replaced by points this far apart (rad) to measure distances to them; the distance
#: reported allows for it and is never too large.
EDGE_SPACING = 0.15 * DEG


@dataclass(frozen=True)
class Window:
    """A forbidden rectangle of azimuth and altitude, in degrees."""

    azimuth_from_deg: float
    azimuth_to_deg: float
    """Reached from ``azimuth_from_deg`` by going clockwise (north, east, south, west)."""
    altitude_from_deg: float
    altitude_to_deg: float
    label: str = ""

    def __post_init__(self) -> None:
        for name, value in (("from", self.azimuth_from_deg), ("to", self.azimuth_to_deg)):
            if not 0.0 <= value <= 360.0:
                raise LimitsInvalid(
                    say("window azimuth '{name}'", name=name),
                    value,
                    say("between 0 and 360 degrees"),
                )
        for name, value in (("from", self.altitude_from_deg), ("to", self.altitude_to_deg)):
            if not -90.0 <= value <= 90.0:
                raise LimitsInvalid(
                    say("window altitude '{name}'", name=name),
                    value,
                    say("between -90 and 90 degrees"),
                )
        if self.azimuth_from_deg == self.azimuth_to_deg:
            raise LimitsInvalid(
                say("window azimuth 'to'"),
                self.azimuth_to_deg,
                say("different from 'from' (whole: 0 360)"),
            )
        if self.altitude_to_deg <= self.altitude_from_deg:
            raise LimitsInvalid(
                say("window altitude 'to'"), self.altitude_to_deg, say("above 'from'")
            )

    @property
    def width_deg(self) -> float:
        """Extent in azimuth, in (0, 360]."""
        return (self.azimuth_to_deg - self.azimuth_from_deg) % 360.0 or 360.0

    def contains(self, azimuth: Vector, altitude: Vector) -> NDArray[np.bool_]:
        """Whether directions (rad, any shape) lie inside, edges included."""
        along = (azimuth / DEG - self.azimuth_from_deg) % 360.0
        height = altitude / DEG
        inside = (along <= self.width_deg) & (height >= self.altitude_from_deg)
        return np.asarray(inside & (height <= self.altitude_to_deg), dtype=np.bool_)

    def outline(self) -> Vector:
        """Azimuth and altitude (N, 2) in rad along the edge, points `EDGE_SPACING` apart."""
        a = self.azimuth_from_deg * DEG
        b = a + self.width_deg * DEG
        lo, hi = self.altitude_from_deg * DEG, self.altitude_to_deg * DEG
        sides = [_between(a, lo, a, hi), _between(b, lo, b, hi)]
        for height in (lo, hi):
            sides.append(_between(a, height, b, height))
        return np.concatenate(sides)


@dataclass(frozen=True)
class UsableSky:
    """How much of the sky above a minimum altitude is open."""

    minimum_altitude_deg: float
    open_fraction: float
    """Share (0 to 1) of the solid angle above the minimum altitude."""
    open_square_deg: float
    highest_obstacle_deg: float
    highest_obstacle_azimuth_deg: float
    widest_open_from_deg: float
    """Where the widest run of azimuths begins that are open just above the minimum altitude."""
    widest_open_deg: float
    """Its width; 0 when no azimuth is open there, 360 when all are."""


@dataclass(frozen=True)
class Horizon:
    """A skyline in degrees; frozen, compared by value. See `horizon_text` for files."""

    azimuth_deg: tuple[float, ...] = (0.0,)
    """Strictly increasing, in [0, 360)."""
    altitude_deg: tuple[float, ...] = (0.0,)
    """Height of the skyline at these azimuths, -90 to 90."""
    upper_deg: tuple[float, ...] | None = None
    """Height at which an overhang begins, 90 where there is none; None: no overhang at all."""
    windows: tuple[Window, ...] = field(default=())
    clearance_deg: float = 1.0
    """Distance to keep from every edge, on the sky (1 degree: common practice, no source)."""

    def __post_init__(self) -> None:
        n = len(self.azimuth_deg)
        if n == 0:
            raise LimitsInvalid(say("number of horizon points"), 0, say("at least 1"))
        if len(self.altitude_deg) != n or (self.upper_deg is not None and len(self.upper_deg) != n):
            raise LimitsInvalid(say("number of horizon altitudes"), len(self.altitude_deg), f"{n}")
        previous = -1.0
        for azimuth in self.azimuth_deg:
            if not (0.0 <= azimuth < 360.0 and azimuth > previous):
                raise LimitsInvalid(
                    say("horizon azimuth"), azimuth, say("in [0, 360) and increasing")
                )
            previous = azimuth
        for altitude in self.altitude_deg:
            if not -90.0 <= altitude <= 90.0:
                raise LimitsInvalid(
                    say("horizon altitude"), altitude, say("between -90 and 90 degrees")
                )
        for lower, upper in zip(self.altitude_deg, self.upper_deg or (), strict=False):
            if not lower <= upper <= 90.0:
                raise LimitsInvalid(
                    say("overhang altitude"),
                    upper,
                    say("between {lower:g} and 90 degrees", lower=lower),
                )
        if not 0.0 <= self.clearance_deg <= 45.0:
            raise LimitsInvalid(
                say("horizon clearance"), self.clearance_deg, say("between 0 and 45 degrees")
            )

    @property
    def clearance(self) -> float:
        """Distance (rad) to keep from every edge."""
        return self.clearance_deg * DEG

    def skyline(self, azimuth: float | Vector) -> Vector:
        """Height (rad) of the skyline at azimuths (rad, any value, any shape)."""
        return self._interpolate(azimuth, self.altitude_deg)

    def overhang(self, azimuth: float | Vector) -> Vector:
        """Height (rad) where the overhang begins; pi/2 where there is none."""
        if self.upper_deg is None:
            return np.full(np.shape(azimuth), HALF_PI)
        return self._interpolate(azimuth, self.upper_deg)

    def _interpolate(self, azimuth: float | Vector, values_deg: tuple[float, ...]) -> Vector:
        x = (np.asarray(azimuth, dtype=np.float64) / DEG) % 360.0
        return np.asarray(
            np.interp(x, self.azimuth_deg, values_deg, period=360.0) * DEG, dtype=np.float64
        )

    def lower_distance(self, enu: Vector, reach: float = math.inf) -> Vector:
        """Angle (rad) from directions (..., 3) to the skyline, negative below it.

        Distances above ``reach`` may come back as infinite, which is faster. Never too large.
        """
        azimuth, altitude = azalt_from_enu(enu)
        # The skyline is nowhere higher than its highest corner.
        near = np.asarray(altitude < max(self.altitude_deg) * DEG + reach)
        out = np.full(near.shape, math.inf)
        above = altitude[near] >= self.skyline(azimuth[near])
        out[near] = _signed(self._lower_tree, np.asarray(enu)[near], above, reach)
        return out

    def upper_distance(self, enu: Vector, reach: float = math.inf) -> Vector:
        """As `lower_distance`, to the overhang, negative above it; infinite without one."""
        if self.upper_deg is None:
            return np.full(np.shape(enu)[:-1], math.inf)
        azimuth, altitude = azalt_from_enu(enu)
        limit = self.overhang(azimuth)
        below = (altitude <= limit) | (limit >= HALF_PI - 1e-9)
        return _signed(self._upper_tree, enu, below, reach)

    def window_distance(self, enu: Vector, reach: float = math.inf) -> Vector:
        """As `lower_distance`, to the nearest window, negative inside one; infinite without."""
        if not self.windows:
            return np.full(np.shape(enu)[:-1], math.inf)
        azimuth, altitude = azalt_from_enu(enu)
        outside = np.ones(np.shape(azimuth), dtype=np.bool_)
        for window in self.windows:
            outside &= ~window.contains(azimuth, altitude)
        return _signed(self._window_tree, enu, outside, reach)

    def window_at(self, enu: Vector) -> Window | None:
        """The window nearest to one direction (3,), or None when there are none."""
        best: tuple[float, Window] | None = None
        azimuth, altitude = azalt_from_enu(enu)
        for window in self.windows:
            edge = window.outline()
            gap = float(np.max(enu_from_azalt(edge[:, 0], edge[:, 1]) @ enu))
            if bool(window.contains(azimuth, altitude)):
                return window
            if best is None or gap > best[0]:
                best = (gap, window)
        return None if best is None else best[1]

    def is_open(self, enu: Vector) -> NDArray[np.bool_]:
        """Whether directions (..., 3) see the sky, without any clearance."""
        azimuth, altitude = azalt_from_enu(enu)
        limit = self.overhang(azimuth)
        result = altitude >= self.skyline(azimuth)
        result &= (altitude <= limit) | (limit >= HALF_PI - 1e-9)
        for window in self.windows:
            result &= ~window.contains(azimuth, altitude)
        return np.asarray(result, dtype=np.bool_)

    def usable(self, minimum_altitude_deg: float = 0.0) -> UsableSky:
        """Statistics on a grid of 0.5 degrees in azimuth and equal steps of sin(altitude)."""
        azimuth = np.asarray((np.arange(720) + 0.5) * 0.5 * DEG, dtype=np.float64)
        low = math.sin(max(minimum_altitude_deg, 0.0) * DEG)
        height = low + (1.0 - low) * (np.arange(400) + 0.5) / 400.0
        altitude = np.arcsin(height)
        open_ = self.is_open(enu_from_azalt(azimuth[:, None], altitude[None, :]))
        fraction = float(np.mean(open_))
        whole = TAU * (1.0 - low) / DEG**2
        corners = np.asarray(self.altitude_deg)
        top = int(np.argmax(corners))
        start, width = _longest_run(open_[:, 0])
        return UsableSky(
            minimum_altitude_deg=minimum_altitude_deg,
            open_fraction=fraction,
            open_square_deg=fraction * whole,
            highest_obstacle_deg=float(corners[top]),
            highest_obstacle_azimuth_deg=self.azimuth_deg[top],
            widest_open_from_deg=0.5 * start,
            widest_open_deg=0.5 * width,
        )

    @cached_property
    def _lower_tree(self) -> cKDTree | None:
        return _tree(self._outline(self.altitude_deg))

    @cached_property
    def _upper_tree(self) -> cKDTree | None:
        edge = self._outline(self.upper_deg or ())
        return _tree(edge[edge[:, 1] < HALF_PI - 1e-9])

    @cached_property
    def _window_tree(self) -> cKDTree | None:
        return _tree(np.concatenate([window.outline() for window in self.windows]))

    def _outline(self, values_deg: tuple[float, ...]) -> Vector:
        """Azimuth and altitude (N, 2), rad, along a profile, its last point joined to the first."""
        azimuth = [*self.azimuth_deg, self.azimuth_deg[0] + 360.0]
        values = [*values_deg, values_deg[0]]
        parts = [
            _between(a0 * DEG, v0 * DEG, a1 * DEG, v1 * DEG)
            for a0, a1, v0, v1 in zip(azimuth, azimuth[1:], values, values[1:], strict=False)
        ]
        return np.concatenate(parts)


def _between(a0: float, v0: float, a1: float, v1: float) -> Vector:
    """Points (N, 2) from (a0, v0) to (a1, v1), no farther apart than `EDGE_SPACING` on the sky."""
    # On a slope through the zenith the widest circle decides, so azimuth counts at its full
    # cosine there; a straight line between equal heights needs fewer points high up.
    widest = math.cos(min(abs(v0), abs(v1))) if v0 * v1 > 0.0 else 1.0
    length = math.hypot((a1 - a0) * widest, v1 - v0)
    n = max(2, math.ceil(length / EDGE_SPACING) + 1)
    f = np.linspace(0.0, 1.0, n)
    return np.stack([a0 + f * (a1 - a0), v0 + f * (v1 - v0)], axis=-1)


def _tree(edge: Vector) -> cKDTree | None:
    return cKDTree(enu_from_azalt(edge[:, 0], edge[:, 1])) if len(edge) else None


def _signed(
    tree: cKDTree | None, enu: Vector, free: NDArray[np.bool_], reach: float
) -> NDArray[np.float64]:
    """Angle (rad) to the nearest point of an edge, shortened for the gaps between its points."""
    enu = np.asarray(enu, dtype=np.float64)
    if tree is None:
        return np.where(free, math.inf, -math.inf)
    slack = 0.5 * EDGE_SPACING
    bound = math.inf if reach >= math.pi else 2.0 * math.sin(0.5 * min(math.pi, reach + slack))
    chord, _ = tree.query(enu, distance_upper_bound=bound)
    chord = np.asarray(chord, dtype=np.float64)
    far = ~np.isfinite(chord)
    angle = 2.0 * np.arcsin(np.clip(0.5 * np.where(far, 0.0, chord), 0.0, 1.0))
    angle = np.sqrt(np.maximum(angle**2 - slack**2, 0.0))
    angle = np.where(far, math.inf, angle)
    return np.where(free, angle, -angle)


def _longest_run(open_: NDArray[np.bool_]) -> tuple[int, int]:
    """Start and length of the longest run of True around a circle."""
    n = len(open_)
    if bool(np.all(open_)):
        return 0, n
    if not bool(np.any(open_)):
        return 0, 0
    first_closed = int(np.argmin(open_))
    best, start, length = (0, 0), 0, 0
    for i in range(1, n + 1):
        if open_[(first_closed + i) % n]:
            start = start if length else first_closed + i
            length += 1
            best = max(best, (length, start % n), key=lambda run: run[0])
        else:
            length = 0
    return best[1], best[0]
