"""The readings so far, thinned to what a picture of the way needs."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from polewright.calculation.adjusting.engine import Reading


@dataclass(frozen=True)
class TrailPoint:
    """One settled reading. rad, as in `polewright.calculation.geometry.axis_error.AxisError`."""

    utc_s: float
    east: float
    """On the sky."""
    up: float
    total: float
    sigma_east: float
    sigma_up: float


class Trail:
    """Settled readings, oldest first.

    A reading closer to the last point than ``step_sigmas`` of its noise takes that point's place,
    so that standing still does not push the way out of the picture.
    """

    def __init__(self, most: int = 500, step_sigmas: float = 3.0) -> None:
        if most < 1:
            raise ValueError(f"a trail of {most} points cannot show anything; give at least 1")
        self._points: deque[TrailPoint] = deque(maxlen=most)
        self._step = step_sigmas

    def add(self, reading: Reading) -> bool:
        """Take a reading; return whether it made a new point. Unsettled ones are passed over."""
        if not reading.settled:
            return False
        error = reading.error
        point = TrailPoint(
            reading.utc_s,
            error.d_az_sky,
            error.d_alt,
            error.total,
            error.sigma_az_sky,
            error.sigma_alt,
        )
        new = not self._points or self._apart(self._points[-1], point)
        if not new:
            self._points.pop()
        self._points.append(point)
        return new

    @property
    def points(self) -> tuple[TrailPoint, ...]:
        """The points, oldest first."""
        return tuple(self._points)

    def _apart(self, a: TrailPoint, b: TrailPoint) -> bool:
        east, up = (b.east - a.east) / b.sigma_east, (b.up - a.up) / b.sigma_up
        return east**2 + up**2 > self._step**2
