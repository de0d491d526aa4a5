"""The simulated lens: from directions to pixels and back, pinhole with radial distortion.

Written from the convention alone (camera x, y, boresight as attitude columns; a pixel looks along
(parity (px - cx), py - cy, 1 / scale); centre of the first pixel is (0, 0)), not shared with the
product's geometry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import Matrix, Vector
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, pixel_scale

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Lens:
    """Projection onto the full, unbinned sensor."""

    width: int
    height: int
    scale: float
    """Radians per pixel at the centre."""
    parity: int
    k1: float

    @classmethod
    def of(cls, optics: OpticsSpec, sensor: SensorSpec) -> Lens:
        """Return the projection of a set-up."""
        scale = pixel_scale(optics, sensor)
        return cls(sensor.width, sensor.height, scale, optics.parity, optics.distortion_k1)

    @property
    def centre(self) -> tuple[float, float]:
        """Pixel on the boresight."""
        return (self.width - 1) / 2.0, (self.height - 1) / 2.0

    @property
    def half_diagonal(self) -> float:
        """Angle (rad) from the boresight to the corners; distortion included."""
        r = math.hypot(self.width, self.height) / 2.0
        bend = 1.0 + max(0.0, self.k1) * (r / (self.width / 2.0)) ** 2
        return math.atan(r * bend * self.scale)

    def pixels(self, enu: Vector, attitude: Matrix) -> tuple[Floats, Floats]:
        """Return x, y (N,) of directions (N, 3); NaN for those the lens cannot see."""
        camera = enu @ attitude
        with np.errstate(divide="ignore", invalid="ignore"):
            factor = np.where(camera[:, 2] > 0.05, 1.0 / (camera[:, 2] * self.scale), np.nan)
        right, down = self.parity * camera[:, 0] * factor, camera[:, 1] * factor
        if self.k1 != 0.0:
            shrink = self._shrink(np.hypot(right, down) / (self.width / 2.0))
            right, down = right * shrink, down * shrink
        return self.centre[0] + right, self.centre[1] + down

    def _shrink(self, true: Floats) -> Floats:
        """Return seen over true radius, solving seen (1 + k1 seen^2) = true by Newton's method."""
        # With k1 < 0 the true radius turns back at seen = sqrt(-1 / 3 k1): nothing lies beyond.
        largest = math.inf if self.k1 > 0 else 2.0 / 3.0 * math.sqrt(-1.0 / (3.0 * self.k1))
        reachable = true < 0.98 * largest
        seen = np.where(reachable, true, 0.0).astype(np.float64)
        target = seen.copy()
        for _ in range(12):
            seen -= (seen + self.k1 * seen**3 - target) / (1.0 + 3.0 * self.k1 * seen**2)
        safe = np.where(target > 0.0, target, 1.0)
        ratio = np.where(target > 0.0, seen / safe, 1.0)
        return np.where(reachable, ratio, np.nan)

    def directions(self, x: Floats, y: Floats, attitude: Matrix) -> Vector:
        """Return ENU unit vectors (..., 3) along which pixels look."""
        right, down = x - self.centre[0], y - self.centre[1]
        bend = 1.0 + self.k1 * (right**2 + down**2) / (self.width / 2.0) ** 2
        camera = np.stack(
            [self.parity * right * bend, down * bend, np.full_like(right, 1.0 / self.scale)], -1
        )
        camera /= np.linalg.norm(camera, axis=-1, keepdims=True)
        return np.asarray(camera @ attitude.T)
