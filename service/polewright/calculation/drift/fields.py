"""Where to look for a drift: one field near the meridian, one far east or west.

Near the meridian the declination drift shows the azimuth error, far from it the altitude error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.drift.errors import NoFieldFits
from polewright.calculation.planning.feasibility import worst_altitude
from polewright.calculation.planning.limits import (
    FUZZ,
    SkyState,
    Use,
    allowed,
    moon_weight,
    sun_shortfall,
)
from polewright.calculation.planning.request import PlanRequest, Pointing
from polewright.calculation.planning.slew_paths import approaches
from polewright.calculation.planning.violations import Reason
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.foundation.angles import DEG, SIDEREAL_RATE, azalt_from_enu
from polewright.foundation.language import say

SPACING = 2.5 * DEG
"""Grid of hour angle and declination on which fields are looked for."""
APPROACH_SPACING = 2.0 * DEG
"""Sampling of the ways to a field; what lies between is added to the Sun's distance."""
LOWEST = 30.0 * DEG
"""Lower fields count half as good: flexure and the air grow (common practice, no source)."""
FLATTEST = 0.5
"""A second field whose sine of hour angle is below this tells little new."""
LARGEST_DECLINATION = 65.0 * DEG
"""Nearer to the pole small pointing errors are large turns (own choice)."""


@dataclass(frozen=True)
class DriftField:
    """A field to look at, by the mount's own axes (rad)."""

    hour_angle: float
    declination: float
    altitude: float
    azimuth: float
    name: str
    """Such as 'near the meridian'."""
    stay_s: float
    """For so long all limits hold."""


def choose_fields(request: PlanRequest, stay_s: float, *, both: bool = True) -> list[DriftField]:
    """Return the field near the meridian and, with ``both``, one far east or west of it.

    Each keeps every limit (skyline, Sun, mount, meridian buffer) for the whole stay and a reserve;
    the way to it keeps the Sun's and the mount's. When nothing suits as second field only the
    first is returned.

    Args:
        request: the limits and the sky; ``utc_s`` is now.
        stay_s: the longest time at one field, s.
        both: whether a second field is wanted.

    Raises:
        NoFieldFits: not even one does.
    """
    reserve = request.timing.first_slew_s + request.timing.reserve_s
    stay = stay_s + reserve
    states = [
        SkyState.at(request.frame(request.utc_s + share * 2.0 * (stay + reserve)))
        for share in (0.0, 0.5, 1.0)
    ]
    hour_angle, declination = (
        grid.ravel()
        for grid in np.meshgrid(
            np.arange(-100.0, 100.0 + 1e-9, SPACING / DEG) * DEG,
            np.arange(-LARGEST_DECLINATION, LARGEST_DECLINATION + 1e-9, SPACING),
            indexing="ij",
        )
    )
    free, blocked = _free(request, states, hour_angle, declination, stay)
    chosen: list[DriftField] = []
    start = request.pointing
    wishes = ("meridian", "side") if both else ("meridian",)
    for wish in wishes:
        score = _score(request, states[0], hour_angle, declination, wish, chosen)
        score = np.where(free, score, -math.inf)
        for k in np.argsort(-score)[:40]:
            if not math.isfinite(score[k]):
                break
            here = (float(hour_angle[k]), float(declination[k]))
            if not _way_is_safe(request, states, start, here):
                blocked["first_slew"] = 1.0
                continue
            chosen.append(_field(request, here, wish, stay_s))
            start = Pointing(here[0] + stay_s * SIDEREAL_RATE, here[1])
            break
    if not chosen:
        raise NoFieldFits(blocked)
    return chosen


def _field(request: PlanRequest, here: tuple[float, float], wish: str, stay_s: float) -> DriftField:
    azimuth, altitude = azalt_from_enu(enu_from_hour_angle_dec(request.site, *here))
    side = "east" if here[0] < 0.0 else "west"
    name = (
        say("near the meridian, {side} of it", side=side)
        if wish == "meridian"
        else say("in the {side}", side=side)
    )
    return DriftField(here[0], here[1], float(altitude), float(azimuth), name, stay_s)


def _free(
    request: PlanRequest,
    states: Sequence[SkyState],
    hour_angle: NDArray[np.float64],
    declination: NDArray[np.float64],
    stay: float,
) -> tuple[NDArray[np.bool_], dict[str, float]]:
    """Where every limit holds through the stay, and what share of the sky each one blocks."""
    free = np.ones(hour_angle.shape, dtype=np.bool_)
    blocked: dict[str, float] = {}
    for step in np.linspace(0.0, stay, 2 + int(stay // 240.0)):
        moved = hour_angle + step * SIDEREAL_RATE
        for state in states:
            verdict = allowed(request.rules, state, moved, declination, Use.EXPOSE)
            free &= verdict.mask
            for reason in Reason:
                if reason is not Reason.NONE:
                    share = float(np.mean((verdict.reasons & int(reason)) != 0))
                    if share > 0.0 and reason.name is not None:
                        name = reason.name.lower()
                        blocked[name] = max(blocked.get(name, 0.0), share)
    return free, blocked


def _score(
    request: PlanRequest,
    state: SkyState,
    hour_angle: NDArray[np.float64],
    declination: NDArray[np.float64],
    wish: str,
    chosen: Sequence[DriftField],
) -> NDArray[np.float64]:
    enu = enu_from_hour_angle_dec(request.site, hour_angle, declination)
    altitude = np.arcsin(np.clip(enu[:, 2], -1.0, 1.0))
    first = chosen[0].hour_angle if chosen else 0.0
    # Two fields tell most together when they are a quarter of a turn apart.
    tells = np.cos(hour_angle) if wish == "meridian" else np.abs(np.sin(hour_angle - first))
    score = tells * np.where(altitude >= LOWEST, 1.0, 0.5) * (0.7 + 0.3 * np.sin(altitude))
    score = score * (1.0 - 0.5 * moon_weight(state, enu))
    if wish == "side":
        score = np.where(np.abs(np.sin(hour_angle)) < FLATTEST, -math.inf, score)
        # Without a change of sides where that costs next to nothing.
        score = score * np.where(np.sign(hour_angle) == np.sign(first), 1.0, 0.97)
    return np.asarray(score)


def _way_is_safe(
    request: PlanRequest,
    states: Sequence[SkyState],
    start: Pointing | None,
    goal: tuple[float, float],
) -> bool:
    """Whether no way there passes the Sun or leaves the mount's altitude limits.

    An unknown start is safe only while the Sun is down; the run then says that it was not checked.
    """
    rules = request.rules
    sun_counts = any(state.sun_counts() for state in states)
    if start is None:
        return not sun_counts
    begin = (start.hour_angle, start.declination)
    ways = approaches(
        begin,
        goal,
        southern=request.site.southern,
        may_flip=request.mount.meridian_buffer_deg is not None,
        side=start.side,
    )
    for way in ways if sun_counts else ():
        hour_angle, declination = way.directions(APPROACH_SPACING)
        enu = enu_from_hour_angle_dec(request.site, hour_angle, declination)
        for state in states:
            if np.any(sun_shortfall(rules, state, enu) + 0.75 * APPROACH_SPACING > FUZZ):
                return False
    motion = request.timing.slew
    likely = (way for way in ways if way.likely)
    return all(worst_altitude(rules, states[0], way, motion)[2] <= FUZZ for way in likely)
