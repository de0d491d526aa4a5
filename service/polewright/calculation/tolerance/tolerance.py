"""The largest axis error that keeps stars round tonight, and what a measured error costs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.tolerance.errors import GuideStarLost, ImagingNotUsable
from polewright.calculation.tolerance.imaging import Imaging, SkyOver, Target
from polewright.calculation.tolerance.trail import Exposures
from polewright.foundation.angle_text import angle_text, arcmin_text
from polewright.foundation.angles import ARCMIN, DEG, HOUR, Vector
from polewright.foundation.language import say

#: Fraction to which the largest axis error is found.
PRECISION = 1e-3
#: Errors beyond this are not looked at: no one photographs with them.
LARGEST_ERROR = 5.0 * DEG
CEILING_ARCMIN = 10.0
"""No larger axis error is accepted without a plain warning (own choice): slews, the next target
and longer exposures suffer from it, whatever tonight's trails say."""


@dataclass(frozen=True)
class Air:
    """What the air's changing lift trails with the axis exactly on the pole that is aimed at."""

    trail_px: float
    """The longest trail of the span."""
    hour_angle: float
    """Rad, of the exposure that has it."""
    pole: PoleTarget
    exposure_s: float
    tracking: str
    best_east: float
    """Rad from that pole to the axis that suits this span best, on the sky, east positive."""
    best_up: float
    """Rad, up positive."""
    best_px: float
    """The longest trail with that axis: no alignment (within 10 arcmin) cures it."""

    @property
    def sentence(self) -> str:
        """For the terminal and the page."""
        return say(
            "The air's changing refraction makes {trail_px:.2f} px of that at worst "
            "({hour_angle}), with the axis on the {pole} pole and the mount at the "
            "{tracking} rate; no alignment brings that below {best_px:.2f} px.",
            trail_px=self.trail_px,
            hour_angle=_place(self.hour_angle),
            pole=self.pole.value,
            tracking=rate_words(self.tracking),
            best_px=self.best_px,
        )

    def too_much(self, limit_px: float) -> str:
        """Say what to do where the air alone trails more than the limit."""
        told = say(
            "With the axis on the {pole} pole and the mount at the {tracking} rate, the "
            "air's changing refraction alone trails {trail_px:.2f} px in {exposure_s:g} "
            "s ({hour_angle}), where {limit_px:g} px are allowed. ",
            pole=self.pole.value,
            tracking=rate_words(self.tracking),
            trail_px=self.trail_px,
            exposure_s=self.exposure_s,
            hour_angle=_place(self.hour_angle),
            limit_px=limit_px,
        )
        if self.best_px <= limit_px:
            return told + (
                say(
                    "An axis {best_east} of that pole would trail {best_px:.2f} px in this "
                    "span; or expose at most about {limit_px:.0f} s, or guide.",
                    best_east=_ways(self.best_east, self.best_up),
                    best_px=self.best_px,
                    limit_px=self._bearable_s(limit_px),
                )
            )
        return told + (
            say(
                "No alignment cures that (the best axis for this span trails {best_px:.2f} "
                "px): expose at most about {limit_px:.0f} s, guide, or take a target that "
                "stands higher.",
                best_px=self.best_px,
                limit_px=self._bearable_s(limit_px),
            )
        )

    def _bearable_s(self, limit_px: float) -> float:
        """The exposure whose air trails as long as the limit; trails grow with time."""
        return math.floor(self.exposure_s * limit_px / self.trail_px)


@dataclass(frozen=True)
class Tolerance:
    """What an exposure demands of the axis."""

    axis_error: float
    """rad; `LARGEST_ERROR` when even that trails less than the limit; 0 when the air alone trails
    more."""
    limit_px: float
    trail_px: float
    """What the longest trail is with that error, in the worst direction."""
    unlimited: bool
    """Whether the limit is not reached by any error looked at."""
    air: Air

    @property
    def sentences(self) -> tuple[str, ...]:
        """For the terminal and the page."""
        if self.axis_error == 0.0:
            return (self.air.too_much(self.limit_px),)
        arcmin = self.axis_error / ARCMIN
        if self.unlimited:
            told = say(
                "Even {arcmin:.0f} deg of axis error trail less than {limit_px:g} px in "
                "one exposure.",
                arcmin=arcmin / 60.0,
                limit_px=self.limit_px,
            )
        else:
            told = say(
                "The axis may be up to {axis_error} off, in any direction, for trails of "
                "at most {limit_px:g} px.",
                axis_error=angle_text(self.axis_error),
                limit_px=self.limit_px,
            )
        warned = (
            (say("Warning: {arcmin}", arcmin=beyond_ceiling(arcmin)),)
            if arcmin > CEILING_ARCMIN
            else ()
        )
        return (told, self.air.sentence, *warned)


def beyond_ceiling(axis_error_arcmin: float) -> str:
    """Say that an axis error over `CEILING_ARCMIN` is much, whatever the tolerance is."""
    return say(
        "{axis_error_arcmin} is more than {ceiling_arcmin}. Trails may allow that, but slews "
        "miss, fields rotate, and a longer exposure or another target will not: align better.",
        axis_error_arcmin=arcmin_text(axis_error_arcmin),
        ceiling_arcmin=arcmin_text(CEILING_ARCMIN),
    )


def largest_axis_error(
    imaging: Imaging, target: Target, limit_px: float, sky: SkyOver
) -> Tolerance:
    """Return the largest axis error whose longest trail is ``limit_px`` in its worst direction.

    The error is counted from the pole that ``sky`` aims at; only exposures over `imaging.LOWEST`
    count. Found on the exact trail, to 0.1 % from below; the trail grows with the error in all
    cases looked at.

    Raises:
        ImagingNotUsable: the limit cannot be.
        TargetTooLow: the target does not stand high enough anywhere in its span.
    """
    if not (math.isfinite(limit_px) and 0.0 < limit_px <= 1000.0):
        raise ImagingNotUsable(
            say("trail limit (px)"), limit_px, say("between 0 and 1000, 0 excluded")
        )
    exposures = Exposures(imaging, target.declination, sky.exposed(imaging, target), sky)
    air = _air(exposures)

    def trail(axis_error: float) -> float:
        try:
            return exposures.worst_px(axis_error)
        except GuideStarLost:
            return math.inf

    if air.trail_px > limit_px:
        return Tolerance(0.0, limit_px, air.trail_px, unlimited=False, air=air)
    most = trail(LARGEST_ERROR)
    if most <= limit_px:
        return Tolerance(LARGEST_ERROR, limit_px, most, unlimited=True, air=air)
    # Small errors trail in proportion, beside what the air does: aiming along the chord converges
    # fast; the bracket catches the cases where it would not.
    low, high = 0.0, LARGEST_ERROR
    error, found = 1.0 * ARCMIN, trail(1.0 * ARCMIN)
    while not (1.0 - PRECISION) * limit_px <= found <= limit_px:
        low, high = (error, high) if found <= limit_px else (low, error)
        if high - low <= PRECISION * high:
            error = low
            break
        wanted = (1.0 - 0.5 * PRECISION) * limit_px - air.trail_px
        aimed = error * wanted / max(found - air.trail_px, 1e-12)
        error = aimed if low < aimed < high else 0.5 * (low + high)
        found = trail(error)
    return Tolerance(error, limit_px, trail(error), unlimited=False, air=air)


def _air(exposures: Exposures) -> Air:
    trails = exposures.trails_px(0.0, 0.0)
    worst = int(np.argmax(trails))
    east, up, px = exposures.best_axis()
    return Air(
        trail_px=float(trails[worst]),
        hour_angle=float(exposures.hour_angles[worst]),
        pole=exposures.sky.pole,
        exposure_s=exposures.imaging.exposure_s,
        tracking=exposures.imaging.tracking,
        best_east=east,
        best_up=up,
        best_px=min(px, float(trails[worst])),
    )


@dataclass(frozen=True, eq=False)
class Cost:
    """What a measured axis error costs on a target."""

    hour_angles: Vector
    """(n,) rad, middles of exposures."""
    trails_px: Vector
    """(n,) longest trail in each, the air's share in it."""
    air_px: Vector
    """(n,) what they would be with the axis on the pole."""

    @property
    def worst_px(self) -> float:
        """The longest of the night."""
        return float(np.max(self.trails_px))

    def verdict(self, limit_px: float) -> str:
        """Plain sentence for a limit in pixels."""
        at = int(np.argmax(self.trails_px))
        good = say("good enough") if self.worst_px <= limit_px else say("not good enough")
        return say(
            "{worst_px:.2f} px of trail at worst, {hour_angles} ({air_px:.2f} px there "
            "by the air alone): {verdict} for {limit_px:g} px.",
            worst_px=self.worst_px,
            hour_angles=_place(float(self.hour_angles[at])),
            air_px=self.air_px[at],
            verdict=good,
            limit_px=limit_px,
        )


def cost(imaging: Imaging, target: Target, east: float, up: float, sky: SkyOver) -> Cost:
    """Return the trails that an axis error (rad on the sky) gives over the target's span.

    Raises:
        GuideStarLost: guided, and the mount cannot follow the guide star.
        TargetTooLow: the target does not stand high enough anywhere in its span.
    """
    exposures = Exposures(imaging, target.declination, sky.exposed(imaging, target), sky)
    trails = exposures.trails_px(east, up)
    return Cost(exposures.hour_angles, trails, exposures.trails_px(0.0, 0.0))


def trail_map(
    imaging: Imaging,
    declinations: Vector,
    hour_angles: Vector,
    east: float,
    up: float,
    sky: SkyOver,
) -> NDArray[np.float64]:
    """Return trails (m, n) in px over ``declinations`` (m,) and ``hour_angles`` (n,).

    For a picture. Guided: the places where a mount could not follow the guide star hold infinity.
    """
    rows = []
    for declination in declinations:
        try:
            rows.append(
                Exposures(imaging, float(declination), hour_angles, sky).trails_px(east, up)
            )
        except GuideStarLost:
            rows.append(np.full(len(hour_angles), np.inf))
    return np.array(rows)


def rate_words(tracking: str) -> str:
    """Return the name of a tracking rate as it is written in a sentence."""
    return "King" if tracking.lower() == "king" else tracking.lower()


def _place(hour_angle: float) -> str:
    hours = hour_angle / HOUR
    if abs(hours) < 0.25:
        return say("on the meridian")
    return say(
        "{hours:.1f} h {side} of the meridian",
        hours=abs(hours),
        side=say("west") if hours > 0 else say("east"),
    )


def _ways(east: float, up: float) -> str:
    return say(
        "{up} {above} and {east} {side}",
        up=angle_text(up),
        above=say("above") if up >= 0 else say("below"),
        east=angle_text(east),
        side=say("east") if east >= 0 else say("west"),
    )
