"""Sentences on broken limits, with numbers and with what would keep them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from polewright.calculation.planning.limits import SUN_COUNTS_ABOVE_DEG, Rules, SkyState
from polewright.calculation.planning.violations import Reason, Violation
from polewright.foundation.angles import DEG, Vector, azalt_from_enu, separation
from polewright.foundation.language import say


@dataclass(frozen=True, eq=False)
class Breach:
    """The worst place at which one limit is broken. Angles in rad."""

    rules: Rules
    state: SkyState
    reason: Reason
    where: str
    """Such as 'point 2'."""
    enu: Vector
    hour_angle: float
    declination: float
    utc_s: float
    amount: float
    """Rad by which it is broken; for `Reason.STARS` the stars missing."""
    need: float = 0.0
    """Rad of clearance asked for; for `Reason.STARS` the stars needed."""

    @property
    def azimuth(self) -> float:
        """Rad."""
        return float(azalt_from_enu(self.enu)[0])

    @property
    def place(self) -> str:
        """The direction in words."""
        azimuth, altitude = (float(x) / DEG for x in azalt_from_enu(self.enu))
        return say(
            "azimuth {azimuth:.1f} altitude {altitude:.1f}", azimuth=azimuth, altitude=altitude
        )

    @property
    def hour_angle_deg(self) -> float:
        """Folded into [-180, 180)."""
        return ((self.hour_angle + math.pi) % (2.0 * math.pi) - math.pi) / DEG


def describe(breach: Breach) -> Violation:
    """Return the `Violation` with its sentences."""
    azimuth, altitude = (float(x) for x in azalt_from_enu(breach.enu))
    sentence, fix = _SENTENCES[breach.reason](breach)
    return Violation(
        reason=breach.reason,
        where=breach.where,
        azimuth=azimuth,
        altitude=altitude,
        hour_angle=breach.hour_angle,
        utc_s=breach.utc_s,
        amount=breach.amount,
        sentence=sentence,
        fix=fix,
    )


def _skyline(b: Breach) -> tuple[str, str]:
    height = float(b.rules.horizon.skyline(b.azimuth)) / DEG
    return (
        say(
            "{place} is {amount:.1f} deg too near the skyline or below it; at this azimuth "
            "the skyline is {height:.1f} deg high",
            place=b.place,
            amount=b.amount / DEG,
            height=height,
        ),
        say("stay {need:.1f} deg away from it", need=b.need / DEG),
    )


def _overhang(b: Breach) -> tuple[str, str]:
    height = float(b.rules.horizon.overhang(b.azimuth)) / DEG
    return (
        say(
            "{place} is {amount:.1f} deg too near the overhang or behind it; at this azimuth "
            "it begins at {height:.1f} deg",
            place=b.place,
            amount=b.amount / DEG,
            height=height,
        ),
        say("stay {need:.1f} deg away from it", need=b.need / DEG),
    )


def _window(b: Breach) -> tuple[str, str]:
    window = b.rules.horizon.window_at(b.enu)
    label = window.label if window is not None and window.label else say("forbidden window")
    return (
        say(
            "{place} is {amount:.1f} deg too near '{label}' or inside it",
            place=b.place,
            amount=b.amount / DEG,
            label=label,
        ),
        say("stay {need:.1f} deg away from it", need=b.need / DEG),
    )


def _low(b: Breach) -> tuple[str, str]:
    return (
        say("{place} is below the minimum altitude", place=b.place),
        say("stay above {altitude_min_deg:g} deg", altitude_min_deg=b.rules.sky.altitude_min_deg),
    )


def _mount_altitude(b: Breach) -> tuple[str, str]:
    lo, hi = b.rules.mount.altitude_min_deg, b.rules.mount.altitude_max_deg
    margin = b.rules.pointing_margin_deg
    return (
        say(
            "{place} is {amount:.1f} deg outside the mount's altitude limits",
            place=b.place,
            amount=b.amount / DEG,
        ),
        say(
            "stay between {least:g} and {most:g} deg",
            least=lo + margin,
            most=hi if hi >= 90 else hi - margin,
        ),
    )


def _hour_angle(b: Breach) -> tuple[str, str]:
    lo, hi = b.rules.mount.hour_angle_min_deg, b.rules.mount.hour_angle_max_deg
    return (
        say(
            "hour angle {hour_angle_deg:+.1f} deg is outside the mount's limits",
            hour_angle_deg=b.hour_angle_deg,
        ),
        say("stay between {least:+g} and {most:+g} deg", least=lo, most=hi),
    )


def _meridian(b: Breach) -> tuple[str, str]:
    keep = (b.rules.mount.meridian_buffer_deg or 0.0) + b.rules.pointing_margin_deg
    which = say("meridian") if abs(b.hour_angle_deg) < 90.0 else say("meridian below the pole")
    return (
        say(
            "hour angle {hour_angle_deg:+.1f} deg is too near the {meridian} or beyond it, "
            "where the mount may change sides",
            hour_angle_deg=b.hour_angle_deg,
            meridian=which,
        ),
        say("keep {keep:g} deg of hour angle from it during the whole sweep", keep=keep),
    )


def _declination(b: Breach) -> tuple[str, str]:
    lo, hi = b.rules.mount.declination_min_deg, b.rules.mount.declination_max_deg
    return (
        say(
            "declination {declination:+.1f} deg is outside the mount's limits",
            declination=b.declination / DEG,
        ),
        say("stay between {least:+g} and {most:+g} deg", least=lo, most=hi),
    )


def _sun(b: Breach) -> tuple[str, str]:
    gap = float(separation(b.enu, b.state.sun_enu)) / DEG
    azimuth, altitude = (float(x) / DEG for x in azalt_from_enu(b.state.sun_enu))
    sky = b.rules.sky
    return (
        say(
            "{place} comes within {gap:.1f} deg of the Sun, then at azimuth {azimuth:.1f} "
            "altitude {altitude:.1f}",
            place=b.place,
            gap=gap,
            azimuth=azimuth,
            altitude=altitude,
        ),
        say(
            "keep {sun_avoid_deg:g} deg from it, or wait until it is below "
            "{sun_counts_above_deg:g} deg",
            sun_avoid_deg=sky.sun_avoid_deg + b.rules.pointing_margin_deg,
            sun_counts_above_deg=SUN_COUNTS_ABOVE_DEG,
        ),
    )


def _stars(b: Breach) -> tuple[str, str]:
    return (
        say(
            "the field at {place} has {need:.0f} catalogue stars",
            place=b.place,
            need=b.need - b.amount,
        ),
        say("{need:.0f} are needed: choose a richer field or a deeper catalogue", need=b.need),
    )


def _pier_side(b: Breach) -> tuple[str, str]:
    return (
        say(
            "the mount would change sides at hour angle {hour_angle_deg:+.1f} deg",
            hour_angle_deg=b.hour_angle_deg,
        ),
        say("choose points on one side of the pier only"),
    )


_SENTENCES: Mapping[Reason, Callable[[Breach], tuple[str, str]]] = {
    Reason.SKYLINE: _skyline,
    Reason.OVERHANG: _overhang,
    Reason.WINDOW: _window,
    Reason.LOW: _low,
    Reason.MOUNT_ALTITUDE: _mount_altitude,
    Reason.HOUR_ANGLE: _hour_angle,
    Reason.MERIDIAN: _meridian,
    Reason.DECLINATION: _declination,
    Reason.SUN: _sun,
    Reason.STARS: _stars,
    Reason.PIER_SIDE: _pier_side,
}
