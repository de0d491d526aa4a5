"""The sky as a grid of hour angle and declination: where a sweep fits.

Everything but the Sun stands still in hour angle, and a sweep stays on one declination. So a
sweep fits where a few cells of a row may be exposed and all between them may be passed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.planning.feasibility import SAMPLE_SLACK, Outlook
from polewright.calculation.planning.limits import (
    FUZZ,
    MountLimits,
    Use,
    moon_weight,
    required_clearance,
    shortfalls,
    sun_shortfall,
)
from polewright.calculation.planning.violations import Reason
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.foundation.angles import DEG, Vector

#: Spacing of the grid: hour angle (rad) and declination (rad).
CELL = 0.25 * DEG
ROW = 1.0 * DEG

#: Sweeps are not laid exactly on the mount's own limits, where its rounding decides; rad.
OFF_LIMITS = 0.1 * DEG

Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class SkyGrid:
    """What is allowed where; arrays (rows of declination, columns of hour angle)."""

    hour_angle: Vector
    declination: Vector
    altitude: Vector
    expose: Mask
    """A frame may be taken, for as long as a point may take."""
    passing: Mask
    """The telescope may pass."""
    stars: Vector | None
    """Catalogue stars in the field, as counted at the nearest place; None without a catalogue."""
    drift_cells: int
    blocked: dict[str, float]
    """Share of the reachable cells that each reason takes away."""
    moon: Vector
    """`limits.moon_weight` of each cell."""

    def fits(self, step_cells: int, n_points: int) -> Mask:
        """Whether a sweep whose most eastern point is at a cell fits; shape of the grid."""
        rows, columns = self.expose.shape
        span = (n_points - 1) * step_cells
        out = np.zeros((rows, columns), dtype=np.bool_)
        width = span + self.drift_cells  # cells beyond the first one
        if width >= columns:
            return out
        m = columns - width
        good = self._closed[:, width + 1 :] == self._closed[:, :m]
        for i in range(n_points):
            good = good & self.expose[:, i * step_cells : i * step_cells + m]
        out[:, :m] = good
        return out

    @cached_property
    def cells_ahead(self) -> NDArray[np.int64]:
        """How many cells the mount may track on from each cell before something is in the way."""
        columns = self.passing.shape[1]
        place = np.where(self.passing, columns, np.arange(columns)[None, :])
        nearest = np.minimum.accumulate(place[:, ::-1], axis=1)[:, ::-1]
        return np.asarray(np.maximum(nearest - np.arange(columns)[None, :], 0), dtype=np.int64)

    @cached_property
    def _closed(self) -> NDArray[np.int32]:
        """Number of impassable cells to the left of each cell border, (rows, columns + 1)."""
        rows = len(self.passing)
        count = np.cumsum(~self.passing, axis=1, dtype=np.int32)
        return np.concatenate([np.zeros((rows, 1), np.int32), count], axis=1)


def build_grid(outlook: Outlook, *, obstacles: bool = True, hopeful: bool = False) -> SkyGrid:
    """Look at every cell once.

    Args:
        outlook: the request.
        hopeful: leave out the reserve for what lies between cells. Sweeps that just fit are
            found as well, among some that do not: each has to be evaluated.
        obstacles: False leaves out skyline, windows, Sun and stars, to know what they cost.
    """
    request = outlook.request
    rules = request.rules
    mount = rules.mount
    declination = _rows(mount)
    hour_angle = np.asarray(np.arange(-720, 720) * CELL, dtype=np.float64)
    enu = enu_from_hour_angle_dec(request.site, hour_angle, declination[:, None])
    ha, dec = np.broadcast_arrays(hour_angle, declination[:, None])
    altitude = np.arcsin(np.clip(enu[..., 2], -1.0, 1.0))
    # The middle between two cells is this far from both.
    slack = 0.0 if hopeful else 0.5 * CELL + SAMPLE_SLACK

    high = altitude >= rules.sky.altitude_min_deg * DEG + slack
    reasons = np.where(high, 0, int(Reason.LOW))
    found, open_ = _broken(outlook, ha[high], dec[high], enu[high], slack, obstacles, hopeful)
    reasons[high] = found
    expose = reasons == 0
    passing = np.zeros(high.shape, dtype=np.bool_)
    passing[high] = open_

    drift = request.timing.drift / CELL
    drift_cells = math.floor(drift) if hopeful else math.ceil(drift - 1e-9)
    expose = _for_whole_stay(expose, drift_cells)
    stars = None
    if obstacles and request.stars_in_field is not None:
        stars = _count_stars(outlook, ha, dec, expose)
        poor = expose & (stars < request.min_stars)
        reasons[poor] |= int(Reason.STARS)
        expose &= ~poor

    reach = high & ((reasons & _MOUNT_ONLY) == 0)
    weight = np.cos(dec) * reach
    total = float(np.sum(weight)) or 1.0
    blocked = {
        (reason.name or "").lower(): float(np.sum(weight[(reasons & int(reason)) != 0])) / total
        for reason in (Reason.SKYLINE, Reason.OVERHANG, Reason.WINDOW, Reason.SUN, Reason.STARS)
    }
    return SkyGrid(
        hour_angle=hour_angle,
        declination=declination,
        altitude=altitude,
        expose=expose,
        passing=passing,
        stars=stars,
        drift_cells=drift_cells,
        blocked=blocked,
        moon=moon_weight(outlook.states[1], enu),
    )


def _broken(
    outlook: Outlook,
    hour_angle: Vector,
    declination: Vector,
    enu: Vector,
    slack: float,
    obstacles: bool,
    hopeful: bool,
) -> tuple[NDArray[np.int64], Mask]:
    """Return why cells (N,) may not be exposed at, as `Reason` bits, and which may be passed."""
    request = outlook.request
    rules = request.rules if obstacles else request.open_rules
    amounts = dict(
        shortfalls(
            rules,
            outlook.states[0],
            hour_angle,
            declination,
            Use.EXPOSE,
            slack=slack,
            reach=DEG,
            enu=enu,
        )
    )
    if obstacles:
        for other in () if hopeful else outlook.states[1:]:
            near = sun_shortfall(rules, other, enu) + slack
            amounts[Reason.SUN] = np.maximum(amounts[Reason.SUN], near)
    else:
        del amounts[Reason.SUN]
    if rules.mount.hour_angle_max_deg - rules.mount.hour_angle_min_deg < 360.0:
        amounts[Reason.HOUR_ANGLE] = amounts[Reason.HOUR_ANGLE] + OFF_LIMITS
    # Passing asks for the same, but less distance from the skyline.
    less = required_clearance(rules, Use.EXPOSE) - required_clearance(rules, Use.SLEW)
    closed = np.zeros(len(hour_angle), dtype=np.bool_)
    found = np.zeros(len(closed), dtype=np.int64)
    for reason, amount in amounts.items():
        found |= np.where(amount > FUZZ, int(reason), 0)
        closed |= amount - (less if reason in _EDGES else 0.0) > FUZZ
    return found, ~closed


def _rows(mount: MountLimits) -> Vector:
    """Return the declinations (rad) of the grid: whole degrees off the limits, if there are any."""
    low, high = mount.declination_min_deg, mount.declination_max_deg
    off = OFF_LIMITS / DEG
    if high - low > 2.0:
        low, high = low + off, high - off
    rows = np.arange(math.ceil(low - 1e-9), math.floor(high + 1e-9) + 1)
    if len(rows) == 0:  # a range so narrow that no whole degree lies in it
        rows = np.array([0.5 * (low + high)])
    return np.asarray(rows * ROW, dtype=np.float64)


_EDGES = Reason.SKYLINE | Reason.OVERHANG | Reason.WINDOW
_MOUNT_ONLY = int(
    Reason.LOW | Reason.MOUNT_ALTITUDE | Reason.HOUR_ANGLE | Reason.MERIDIAN | Reason.DECLINATION
)


def _for_whole_stay(expose: Mask, drift_cells: int) -> Mask:
    """Keep the cells from which all cells reached by tracking may be exposed too."""
    out = expose.copy()
    for k in range(1, drift_cells + 1):
        out[:, :-k] &= expose[:, k:]
        out[:, -k:] = False
    return out


def _count_stars(outlook: Outlook, ha: Vector, dec: Vector, expose: Mask) -> Vector:
    """Counts at every second degree, spread to the cells around; inf where not needed."""
    counter = outlook.request.stars_in_field
    stars = np.full(expose.shape, np.inf)
    if counter is None or not bool(np.any(expose)):
        return stars
    rows, columns = expose.shape
    block = round(2.0 * DEG / CELL)
    for r in range(0, rows, 2):
        part = expose[r : r + 2]
        starts = np.arange(0, columns, block)
        used = np.array([bool(np.any(part[:, c : c + block])) for c in starts])
        if not bool(np.any(used)):
            continue
        centre = np.minimum(starts[used] + block // 2, columns - 1)
        counts = counter(outlook.icrs(ha[r, centre], dec[r, centre]))
        for c, count in zip(starts[used], counts, strict=True):
            stars[r : r + 2, c : c + block] = count
    return stars


@dataclass(frozen=True)
class Level:
    """A number of points and a step (cells) to try."""

    n_points: int
    step_cells: int

    @property
    def step(self) -> float:
        """Rad."""
        return self.step_cells * CELL


def levels(step: float, min_step: float, n_points: int, max_points: int) -> Iterator[list[Level]]:
    """Yield groups of levels, wanted step first, then narrower spans with every point count.

    The groups go down in the *span* of the sweep, which decides its accuracy; within a group
    the same span is filled with more points.
    """
    first = round(step / CELL)
    least = math.ceil(min_step / CELL - 1e-9)
    yield [Level(n_points, first)]
    for cells in range(first - 2, least - 1, -2):
        span = cells * (n_points - 1)
        group = [Level(n_points, cells)]
        for n in range(n_points + 1, max_points + 1):
            finer = span // (n - 1)
            if finer >= least:
                group.append(Level(n, finer))
        yield group
    if (first - least) % 2:
        yield [Level(n_points, least)]
