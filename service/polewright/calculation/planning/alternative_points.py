"""Another place for a point that did not solve, on the same declination circle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from polewright.calculation.geometry.errors import TurnTooSmall
from polewright.calculation.planning.feasibility import SAMPLE_SLACK, Outlook
from polewright.calculation.planning.limits import Use, allowed, sun_shortfall
from polewright.calculation.planning.request import PlanRequest
from polewright.calculation.planning.uncertainty import predict
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.foundation.angles import DEG, azalt_from_enu

#: Spacing of the hour angles that are looked at, rad.
SPACING = 0.25 * DEG
#: Other places are at most this far from where the mount is, rad of hour angle (own choice): what
#: hides stars is seldom wider, and each try costs its slew.
REACH = 60.0 * DEG


@dataclass(frozen=True)
class SparePoint:
    """A pointing that can stand in for one that failed."""

    hour_angle: float
    """Rad."""
    sigma: float
    """Predicted rms error of the axis (rad) from the points taken and this one; infinite while
    they do not fix an axis."""


def spare_points(
    request: PlanRequest,
    *,
    declination: float,
    hour_angle_now: float,
    taken: Sequence[float],
    failed: Sequence[float],
    apart: float = 3.0 * DEG,
    reach: float = REACH,
    count: int = 5,
) -> list[SparePoint]:
    """Return pointings reachable by the RA axis alone, best for the axis first.

    Args:
        request: the sky; its ``utc_s`` is now.
        declination: of the sweep, rad, by the mount's axes.
        hour_angle_now: where the mount is, rad; the way from here stays inside the limits.
        taken: hour angles (rad) of the frames that solved.
        failed: hour angles (rad) that did not.
        apart: least distance (rad of hour angle) from all of these.
        reach: farthest from where the mount is, rad of hour angle.
        count: at most so many, at least ``apart`` from each other.
    """
    outlook = Outlook(request)
    rules = request.rules
    # Steps of the grid lead away from where the mount is, both ways.
    offsets = np.arange(-720, 721) * SPACING
    ha = np.asarray(hour_angle_now + offsets, dtype=np.float64)
    slack = 0.5 * SPACING + SAMPLE_SLACK
    enu = enu_from_hour_angle_dec(request.site, ha, declination)
    sun = np.zeros(len(ha), dtype=np.bool_)
    for state in outlook.states:
        sun |= sun_shortfall(rules, state, enu) + slack > 0.0
    first = outlook.states[0]
    free = allowed(rules, first, ha, declination, Use.SLEW, slack=slack).mask & ~sun
    good = allowed(rules, first, ha, declination, Use.EXPOSE, slack=slack).mask & ~sun
    here = len(offsets) // 2
    linked = np.zeros(len(ha), dtype=np.bool_)
    for way in (1, -1):
        k = here + way  # the present place itself may be bad: that may be why it failed
        while 0 <= k < len(ha) and free[k] and abs(k - here) * SPACING <= reach:
            linked[k] = True
            k += way
    stay = int(np.ceil(request.timing.drift / SPACING))
    for k in range(1, stay + 1):
        good[:-k] &= good[k:]
        good[-k:] = False
    chosen = good & linked
    for other in (*taken, *failed):
        gap = np.abs((ha - other + np.pi) % (2.0 * np.pi) - np.pi)
        chosen &= gap >= apart
    if request.stars_in_field is not None and bool(np.any(chosen)):
        index = np.flatnonzero(chosen)
        counts = request.stars_in_field(outlook.icrs(ha[index], np.full(len(index), declination)))
        chosen[index] = np.asarray(counts) >= request.min_stars
    ranked = sorted(
        (
            SparePoint(float(ha[k]), _sigma(request, declination, [*taken, float(ha[k])]))
            for k in np.flatnonzero(chosen)[::4]
        ),
        key=lambda spare: (spare.sigma, abs(spare.hour_angle - hour_angle_now)),
    )
    out: list[SparePoint] = []
    for spare in ranked:
        if all(abs(spare.hour_angle - other.hour_angle) >= apart for other in out):
            out.append(spare)
        if len(out) == count:
            break
    return out


def _sigma(request: PlanRequest, declination: float, angles: list[float]) -> float:
    ordered = np.array(sorted(angles))
    if len(ordered) < 2:
        return float("inf")
    altitudes = azalt_from_enu(enu_from_hour_angle_dec(request.site, ordered, declination))[1]
    sigmas = request.noise.sigmas(altitudes)
    try:
        return predict(request.site, ordered, declination, sigmas, request.shared).sigma
    except TurnTooSmall:
        return float("inf")
