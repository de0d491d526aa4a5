"""What the telescope may look at and pass over; used by the planner and by the guards of a run.

Everything is a function of the mount's hour angle and declination about the nominal pole, and of
where the Sun and Moon stand. A limit is written as a *shortfall*: the angle by which it is
broken, negative while it is kept. So one piece of code says whether, why and by how much.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.planning.errors import LimitsInvalid
from polewright.calculation.planning.horizon import Horizon
from polewright.calculation.planning.violations import Reason
from polewright.calculation.sky.bodies import moon_enu, moon_illuminated_fraction, sun_enu
from polewright.calculation.sky.frame import ObservedFrame, enu_from_hour_angle_dec
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import DEG, Vector, separation
from polewright.foundation.language import say
from polewright.foundation.usual_limits import (
    LOWEST_POINT_DEG,
    MERIDIAN_BUFFER_DEG,
    MOUNT_ALTITUDE_MIN_DEG,
    POINTING_MARGIN_DEG,
    SUN_AVOID_DEG,
)

#: The Sun is a hard limit while its altitude is above this: the end of civil twilight.
SUN_COUNTS_ABOVE_DEG = -6.0
#: Within this of a full Moon a plan ranks lower, in proportion to the lit part (common practice,
#: no source).
MOON_AVOID_DEG = 30.0


class Use(Enum):
    """What happens at a direction; it decides which limits count."""

    EXPOSE = "expose"
    """A frame is taken: most of the field must be clear as well."""
    SLEW = "slew"
    """The telescope passes during the sweep."""
    APPROACH = "approach"
    """On the way to the first point: looking at a wall or over the meridian is harmless here,
    but the Sun and the mount's own altitude limits are not."""


def _check(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:  # also catches NaN
        raise LimitsInvalid(
            name, value, say("between {low:g} and {high:g} degrees", low=low, high=high)
        )


@dataclass(frozen=True)
class MountLimits:
    """Where the mount can point, in degrees."""

    altitude_min_deg: float = MOUNT_ALTITUDE_MIN_DEG
    altitude_max_deg: float = 90.0
    hour_angle_min_deg: float = -180.0
    hour_angle_max_deg: float = 180.0
    declination_min_deg: float = -85.0
    declination_max_deg: float = 85.0
    meridian_buffer_deg: float | None = MERIDIAN_BUFFER_DEG
    """Hour angle to keep from both meridians; None for a mount that has no side to change (a
    fork)."""

    def __post_init__(self) -> None:
        _check(say("mount altitude minimum"), self.altitude_min_deg, -90.0, 80.0)
        _check(say("mount altitude maximum"), self.altitude_max_deg, self.altitude_min_deg, 90.0)
        _check(say("hour angle minimum"), self.hour_angle_min_deg, -180.0, 180.0)
        _check(say("hour angle maximum"), self.hour_angle_max_deg, self.hour_angle_min_deg, 180.0)
        _check(say("declination minimum"), self.declination_min_deg, -90.0, 90.0)
        _check(say("declination maximum"), self.declination_max_deg, self.declination_min_deg, 90.0)
        if self.meridian_buffer_deg is not None:
            _check(say("meridian buffer"), self.meridian_buffer_deg, 0.0, 80.0)


@dataclass(frozen=True)
class SkyLimits:
    """What in the sky to stay away from, in degrees."""

    altitude_min_deg: float = LOWEST_POINT_DEG
    sun_avoid_deg: float = SUN_AVOID_DEG
    """Angle to keep from the Sun."""

    def __post_init__(self) -> None:
        _check(say("minimum altitude"), self.altitude_min_deg, 0.0, 80.0)
        _check(say("Sun avoidance"), self.sun_avoid_deg, 1.0, 180.0)


@dataclass(frozen=True)
class Rules:
    """All limits of one set-up at one place."""

    site: Site
    horizon: Horizon = field(default_factory=Horizon)
    mount: MountLimits = MountLimits()
    sky: SkyLimits = SkyLimits()
    pointing_margin_deg: float = POINTING_MARGIN_DEG
    """How far the pointing may be off: the axis is not aligned yet. Added to the clearance from
    the skyline, the Sun, the meridian (as hour angle) and the mount's altitude limits."""
    field_margin_deg: float = 0.0
    """Further distance from the skyline at which a frame is taken, so that the field is clear."""

    def __post_init__(self) -> None:
        _check(say("pointing margin"), self.pointing_margin_deg, 0.0, 20.0)
        _check(say("field margin"), self.field_margin_deg, 0.0, 20.0)


@dataclass(frozen=True, eq=False)
class SkyState:
    """Where Sun and Moon are seen at one instant."""

    utc_s: float
    sun_enu: Vector
    """(3,) unit vector."""
    moon_enu: Vector
    moon_fraction: float
    """Lit part of the Moon's disc, 0 to 1."""

    @classmethod
    def at(cls, frame: ObservedFrame) -> SkyState:
        """Look the bodies up for a frame."""
        return cls(frame.utc_s, sun_enu(frame), moon_enu(frame), moon_illuminated_fraction(frame))

    def sun_counts(self) -> bool:
        """Whether the Sun is a hard limit now."""
        limit = math.sin(SUN_COUNTS_ABOVE_DEG * DEG)
        return bool(self.sun_enu[2] > limit)


@dataclass(frozen=True, eq=False)
class Verdict:
    """What `allowed` says of directions; arrays have the shape of its arguments."""

    reasons: NDArray[np.int64]
    """`Reason` flags; 0 where nothing is broken."""
    worst: NDArray[np.float64]
    """The largest shortfall (rad); negative where everything is kept, by this margin."""

    @property
    def mask(self) -> NDArray[np.bool_]:
        """True where allowed."""
        return np.asarray(self.reasons == 0, dtype=np.bool_)


def required_clearance(rules: Rules, use: Use) -> float:
    """Angle (rad) to keep from skyline, overhang and windows."""
    extra = rules.field_margin_deg if use is Use.EXPOSE else 0.0
    return (rules.horizon.clearance_deg + rules.pointing_margin_deg + extra) * DEG


def shortfalls(
    rules: Rules,
    state: SkyState,
    hour_angle: float | Vector,
    declination: float | Vector,
    use: Use,
    *,
    slack: float = 0.0,
    reach: float = math.inf,
    enu: Vector | None = None,
) -> Mapping[Reason, NDArray[np.float64]]:
    """Return by which angle (rad) each limit is broken; negative or -inf where it is kept.

    Args:
        rules: the limits.
        state: Sun and Moon.
        hour_angle: of the mount, rad, any shape, west positive.
        declination: of the mount, rad, same shape.
        use: which limits count.
        slack: rad, added to every distance on the sky (for checks on a grid).
        reach: distances to edges farther inside than this (rad) may come back as -inf; faster.
        enu: the directions (..., 3) of these angles, if they are known already.
    """
    ha, dec = np.broadcast_arrays(
        np.asarray(hour_angle, dtype=np.float64), np.asarray(declination, dtype=np.float64)
    )
    ha = (ha + math.pi) % (2.0 * math.pi) - math.pi
    if enu is None:
        enu = enu_from_hour_angle_dec(rules.site, ha, dec)
    altitude = np.arcsin(np.clip(enu[..., 2], -1.0, 1.0))
    margin = rules.pointing_margin_deg * DEG
    mount = rules.mount
    out: dict[Reason, NDArray[np.float64]] = {}
    out[Reason.MOUNT_ALTITUDE] = np.maximum(
        mount.altitude_min_deg * DEG + margin - altitude,
        # The zenith itself is no limit: only a maximum below it is.
        altitude + margin - mount.altitude_max_deg * DEG
        if mount.altitude_max_deg < 90.0
        else np.full(altitude.shape, -math.inf),
    )
    out[Reason.MOUNT_ALTITUDE] = out[Reason.MOUNT_ALTITUDE] + slack
    out[Reason.SUN] = sun_shortfall(rules, state, enu) + slack
    if use is Use.APPROACH:
        return out
    need = required_clearance(rules, use) + slack
    far = need + reach
    horizon = rules.horizon
    out[Reason.SKYLINE] = need - horizon.lower_distance(enu, far)
    out[Reason.OVERHANG] = need - horizon.upper_distance(enu, far)
    out[Reason.WINDOW] = need - horizon.window_distance(enu, far)
    out[Reason.LOW] = rules.sky.altitude_min_deg * DEG - altitude + slack
    out[Reason.HOUR_ANGLE] = np.maximum(
        mount.hour_angle_min_deg * DEG - ha, ha - mount.hour_angle_max_deg * DEG
    )
    out[Reason.DECLINATION] = np.maximum(
        mount.declination_min_deg * DEG - dec, dec - mount.declination_max_deg * DEG
    )
    if mount.meridian_buffer_deg is not None:
        nearest = np.minimum(np.abs(ha), math.pi - np.abs(ha))
        out[Reason.MERIDIAN] = mount.meridian_buffer_deg * DEG + margin - nearest
    return out


#: Numerical fuzz (rad) under which a limit counts as kept: 0.0004 arcsec.
FUZZ = 2e-9


def allowed(
    rules: Rules,
    state: SkyState,
    hour_angle: float | Vector,
    declination: float | Vector,
    use: Use = Use.SLEW,
    *,
    slack: float = 0.0,
) -> Verdict:
    """Say which pointings are allowed, and why the others are not (see `shortfalls`)."""
    broken = shortfalls(rules, state, hour_angle, declination, use, slack=slack, reach=1.0 * DEG)
    first = next(iter(broken.values()))
    reasons = np.zeros(first.shape, dtype=np.int64)
    worst = np.full(first.shape, -math.inf)
    for reason, amount in broken.items():
        reasons |= np.where(amount > FUZZ, int(reason), 0)
        worst = np.maximum(worst, amount)
    return Verdict(reasons=reasons, worst=worst)


def sun_shortfall(rules: Rules, state: SkyState, enu: Vector) -> NDArray[np.float64]:
    """Return how much (rad) directions (..., 3) are too near the Sun; -inf while it is down."""
    if not state.sun_counts():
        return np.full(np.shape(enu)[:-1], -math.inf)
    return moving_sun_shortfall(rules, state.sun_enu, enu)


def moving_sun_shortfall(rules: Rules, sun_enu: Vector, enu: Vector) -> NDArray[np.float64]:
    """As `sun_shortfall`, with a Sun (..., 3) of its own for each direction."""
    need = (rules.sky.sun_avoid_deg + rules.pointing_margin_deg) * DEG
    counts = sun_enu[..., 2] > math.sin(SUN_COUNTS_ABOVE_DEG * DEG)
    gap = separation(np.asarray(enu, dtype=np.float64), sun_enu)
    return np.asarray(np.where(counts, need - gap, -math.inf), dtype=np.float64)


def moon_weight(state: SkyState, enu: Vector) -> NDArray[np.float64]:
    """Return 0 (no moonlight) to 1 (on the full Moon) for directions (..., 3); soft.

    Falls in a straight line with distance to 0 at `MOON_AVOID_DEG`, times the lit part; 0 while
    the Moon is down. Own weighting, no source.
    """
    reach = MOON_AVOID_DEG * DEG
    shape = np.shape(enu)[:-1]
    if reach <= 0.0 or state.moon_enu[2] <= 0.0:
        return np.zeros(shape)
    look = np.asarray(enu, dtype=np.float64)
    near = np.asarray(look @ state.moon_enu > math.cos(reach))
    out = np.zeros(shape)
    gap = separation(look[near], state.moon_enu)
    out[near] = state.moon_fraction * np.clip(1.0 - gap / reach, 0.0, 1.0)
    return out
