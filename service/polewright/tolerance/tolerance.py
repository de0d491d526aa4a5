"""The largest axis error that keeps stars round tonight, and what a measured error costs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.angles import ARCMIN, DEG, Vector
from polewright.tolerance.errors import GuideStarLost, ImagingNotUsable
from polewright.tolerance.imaging import Imaging, Target
from polewright.tolerance.trail import trail_px, worst_trail_px

PRECISION = 1e-3
#: Errors beyond this are not looked at: no one photographs with them.
LARGEST_ERROR = 5.0 * DEG


@dataclass(frozen=True)
class Tolerance:
    """What an exposure demands of the axis."""

    axis_error: float
    """rad; `LARGEST_ERROR` when even that trails less than the limit."""
    limit_px: float
    trail_px: float
    """What the longest trail is with that error, in the worst direction."""
    unlimited: bool
    """Whether the limit is not reached by any error looked at."""

    @property
    def sentence(self) -> str:
        """For the terminal and the page."""
        arcmin = self.axis_error / ARCMIN
        if self.unlimited:
            return (
                f"Even {arcmin / 60.0:.0f} deg of axis error trail less than {self.limit_px:g} px "
                "in one exposure."
            )
        size = f"{arcmin:.1f} arcmin" if arcmin >= 1.0 else f"{60.0 * arcmin:.0f} arcsec"
        return (
            f"The axis may be up to {size} off, in any direction, for trails of at most "
            f"{self.limit_px:g} px."
        )


def largest_axis_error(
    imaging: Imaging, target: Target, limit_px: float, *, southern: bool
) -> Tolerance:
    """Return the largest axis error whose longest trail is ``limit_px`` in its worst direction.

    Found on the exact trail, to 0.1 % from below; the trail grows with the error in all cases
    looked at.
    """
    if not (math.isfinite(limit_px) and 0.0 < limit_px <= 1000.0):
        raise ImagingNotUsable("trail limit (px)", limit_px, "between 0 and 1000, 0 excluded")

    def trail(axis_error: float) -> float:
        try:
            return worst_trail_px(imaging, target, axis_error, southern=southern)
        except GuideStarLost:
            return math.inf

    if trail(LARGEST_ERROR) <= limit_px:
        return Tolerance(LARGEST_ERROR, limit_px, trail(LARGEST_ERROR), unlimited=True)
    # Small errors trail in proportion, so stretching the error by what is missing converges fast;
    # the bracket catches the cases where it would not.
    low, high = 0.0, LARGEST_ERROR
    error, found = 1.0 * ARCMIN, trail(1.0 * ARCMIN)
    while not (1.0 - PRECISION) * limit_px <= found <= limit_px:
        low, high = (error, high) if found <= limit_px else (low, error)
        if high - low <= PRECISION * high:
            error = low
            break
        aimed = error * (1.0 - 0.5 * PRECISION) * limit_px / max(found, 1e-12)
        error = aimed if low < aimed < high else 0.5 * (low + high)
        found = trail(error)
    return Tolerance(error, limit_px, trail(error), unlimited=False)


@dataclass(frozen=True, eq=False)
class Cost:
    """What a measured axis error costs on a target."""

    hour_angles: Vector
    """(n,) rad, middles of exposures."""
    trails_px: Vector
    """(n,) longest trail in each."""

    @property
    def worst_px(self) -> float:
        """The longest of the night."""
        return float(np.max(self.trails_px))

    def verdict(self, limit_px: float) -> str:
        """Plain sentence for a limit in pixels."""
        worst = self.worst_px
        hours = float(self.hour_angles[int(np.argmax(self.trails_px))]) * 12.0 / math.pi
        side = "on the meridian"
        if abs(hours) >= 0.25:
            side = f"{abs(hours):.1f} h {'west' if hours > 0 else 'east'} of the meridian"
        good = "good enough" if worst <= limit_px else "not good enough"
        return f"{worst:.2f} px of trail at worst, {side}: {good} for {limit_px:g} px."


def cost(imaging: Imaging, target: Target, east: float, up: float, *, southern: bool) -> Cost:
    """Return the trails that an axis error (rad on the sky) gives over the target's span."""
    hours = target.hour_angles
    trails = trail_px(imaging, target.declination, hours, east, up, southern=southern)
    return Cost(hours, trails)


def trail_map(
    imaging: Imaging,
    declinations: Vector,
    hour_angles: Vector,
    east: float,
    up: float,
    *,
    southern: bool,
) -> NDArray[np.float64]:
    """Return trails (m, n) in px over ``declinations`` (m,) and ``hour_angles`` (n,).

    For a picture. Guided: the places where a mount could not follow the guide star hold infinity.
    """
    rows = []
    for declination in declinations:
        try:
            rows.append(
                trail_px(imaging, float(declination), hour_angles, east, up, southern=southern)
            )
        except GuideStarLost:
            rows.append(np.full(len(hour_angles), np.inf))
    return np.array(rows)
