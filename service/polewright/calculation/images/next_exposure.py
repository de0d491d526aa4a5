"""How long to expose, and what to change, from what one frame shows. Thresholds: own choices."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from polewright.calculation.images.frame import StarList
from polewright.calculation.images.quality import FrameQuality
from polewright.foundation.language import say

#: Stars grow in number with the exposure by about this power: between a camera's noise (0.9) and
#: a bright sky's (0.45), for counts that rise by 0.36 dex a magnitude (from memory).
COUNT_POWER = 0.65
#: One frame changes the exposure by no more than this factor, either way.
MOST_CHANGE = 4.0
#: An exposure is lengthened until the sky takes this part of `ExposureLimits.sky_share`.
SKY_ROOM = 0.9
#: A star that counts on a frame to come has this signal over its noise: detection wants 6.
SURE_SNR = 8.0
#: Of the light of a star, its image is measured on so many squares of its width.
IMAGE_FWHMS2 = 2.0
#: Long over short axis above which stars are called trailed.
TRAILED = 1.6
#: Half-flux diameters above which stars are called out of focus, and below which they are hardly
#: wider than a pixel.
BLOATED_PX = 8.0
SHARP_PX = 1.2
NO_STAR = say("no star is seen; first look whether the cover is off")


@dataclass(frozen=True)
class ExposureLimits:
    """Within what an exposure is chosen."""

    min_s: float = 0.5
    max_s: float = 20.0
    stars_wanted: int = 40
    stars_many: int = 250
    crowded_s: float = 2.0
    """A crowd of stars shortens an exposure no further: short ones show the air's unrest."""
    sky_share: float = 0.5
    """Part of the full scale that the sky may take."""
    saturated_share: float = 0.3
    """Part of the stars that may be saturated."""


@dataclass(frozen=True)
class ExposureChoice:
    """What to expose next."""

    exposure_s: float
    good: bool
    """Whether the exposure just taken is fine as it is, or nothing better is allowed."""
    why: str


def next_exposure(
    exposure_s: float, quality: FrameQuality, full_adu: float | None, limits: ExposureLimits
) -> ExposureChoice:
    """Return the exposure to try after one of ``exposure_s``.

    Args:
        exposure_s: of the frame just taken, s.
        quality: what it shows.
        full_adu: counts at which a pixel is full; None when unknown: the sky is not judged then.
        limits: shortest, longest, and what counts as good.
    """
    share = 0.0 if not full_adu else quality.background_adu / full_adu
    count = quality.star_count
    if share > limits.sky_share:
        return _change(
            exposure_s, 0.6 * limits.sky_share / share, limits, say("the sky is too bright")
        )
    if count < limits.stars_wanted:
        factor = MOST_CHANGE if count == 0 else (limits.stars_wanted / count) ** (1 / COUNT_POWER)
        if share > 0.0:  # the sky grows with it
            room = SKY_ROOM * limits.sky_share / share
            if room < 1.1:
                why = say(
                    "{count} stars are few, but the sky allows no longer exposure", count=count
                )
                return ExposureChoice(exposure_s, True, why)
            factor = min(factor, room)
        why = say("{count} stars are few", count=count) if count else NO_STAR
        return _change(exposure_s, max(1.1, factor), limits, why)
    if quality.saturated_stars > limits.saturated_share * count:
        return _change(exposure_s, 0.5, limits, say("too many stars are saturated"))
    if count > limits.stars_many and exposure_s > limits.crowded_s:
        factor = (0.6 * limits.stars_many / count) ** (1.0 / COUNT_POWER)
        factor = max(factor, limits.crowded_s / exposure_s)
        return _change(
            exposure_s, factor, limits, say("{count} stars are more than needed", count=count)
        )
    return ExposureChoice(exposure_s, True, say("{count} stars", count=count))


def _change(exposure_s: float, factor: float, limits: ExposureLimits, why: str) -> ExposureChoice:
    factor = min(MOST_CHANGE, max(1.0 / MOST_CHANGE, factor))
    wanted_s = min(limits.max_s, max(limits.min_s, exposure_s * factor))
    if abs(wanted_s / exposure_s - 1.0) < 0.05:
        return ExposureChoice(
            exposure_s, True, say("{why}, but no other exposure is allowed", why=why)
        )
    return ExposureChoice(float(f"{wanted_s:.2g}"), False, why)


@dataclass(frozen=True)
class Forecast:
    """What a shorter exposure of the same field would show."""

    exposure_s: float
    stars: int
    """Stars that are sure to be found."""
    boresight_px: float
    """1 sigma of the frame's position along one coordinate, from the stars' noise."""
    arm_px: float
    """Root mean square distance of these stars from the frame's middle: what tells the roll."""

    @property
    def roll(self) -> float:
        """1 sigma of the turn about the boresight, rad."""
        return self.boresight_px / self.arm_px if self.arm_px > 0.0 else math.inf


def forecast(
    stars: StarList, exposure_s: float, shorter_s: float, gain: float, air_px: float
) -> Forecast:
    """Return what an exposure of ``shorter_s`` would show.

    A star's light falls with the time, its own photon noise with the root of it; the background's
    noise is taken not to fall at all, as if it were the camera's: so the forecast is rather too
    poor than too good.

    Args:
        stars: of a frame of ``exposure_s``.
        exposure_s: s.
        shorter_s: not longer than that, s.
        gain: electrons per count.
        air_px: how far the air moves single stars in an exposure of 1 s, pixels; grows with the
            inverse root of the time.
    """
    share = min(1.0, shorter_s / exposure_s)
    flux = np.maximum(stars.flux, 1e-9)
    background = IMAGE_FWHMS2 * stars.fwhm_px**2 * stars.noise_adu**2
    now = flux / np.sqrt(flux / gain + background)
    then = share * flux / np.sqrt(share * flux / gain + background)
    air = air_px / math.sqrt(max(shorter_s, 1e-3))
    sigma = np.hypot(stars.sigma_px * now / then, air)
    sure = (then >= SURE_SNR) & ~stars.saturated
    count = int(sure.sum())
    if count == 0:
        return Forecast(shorter_s, 0, math.inf, 0.0)
    weight = sigma[sure] ** -2
    dx = stars.x[sure] - 0.5 * (stars.width - 1)
    dy = stars.y[sure] - 0.5 * (stars.height - 1)
    arm = math.sqrt(float(np.average(dx**2 + dy**2, weights=weight)))
    return Forecast(shorter_s, count, float(1.0 / math.sqrt(weight.sum())), arm)


def candidates(limits: ExposureLimits, exposure_s: float) -> tuple[float, ...]:
    """Return exposures (s) to choose from, shortest first, up to the one given."""
    low_s = max(1e-3, min(limits.min_s, exposure_s))
    steps = max(1, math.ceil(math.log(exposure_s / low_s) / math.log(1.15)))
    spread = np.geomspace(low_s, exposure_s, steps + 1)
    rounded = {float(f"{value:.2g}") for value in spread[:-1]}
    return (*sorted(value for value in rounded if limits.min_s <= value < exposure_s), exposure_s)


def what_to_change(
    quality: FrameQuality, *, choice: ExposureChoice, tracking: bool | None, solved: bool
) -> tuple[str, ...]:
    """Return sentences on what to change, most helpful first; none when all is well.

    Args:
        quality: what the frame shows.
        choice: what `next_exposure` says to it.
        tracking: whether the mount follows the sky, if known.
        solved: whether the solver coped.
    """
    told: list[str] = []
    if quality.star_count == 0:
        told.append(say("No star seen: is the cover off, the sky clear, the focus anywhere near?"))
    if quality.hfd_px is not None and quality.hfd_px > BLOATED_PX:
        told.append(
            say(
                "Stars are {hfd_px:.1f} px wide: focus (`polewright check --loop`), or look "
                "for dew on the optics.",
                hfd_px=quality.hfd_px,
            )
        )
    if quality.elongation is not None and quality.elongation > TRAILED:
        cause = (
            say("the mount does not track: start tracking or expose shorter")
            if tracking is False
            else say("look for wind, a bumped tube, or a wrong tracking rate")
        )
        told.append(
            say(
                "Stars are drawn out {elongation:.1f} to 1: {cause}.",
                elongation=quality.elongation,
                cause=cause,
            )
        )
    if not choice.good and choice.why == NO_STAR:
        told.append(
            say(
                "No star is seen: first look whether the cover is off, then expose "
                "{exposure_s:g} s.",
                exposure_s=choice.exposure_s,
            )
        )
    elif not choice.good:
        told.append(
            say("Expose {exposure_s:g} s: {why}.", exposure_s=choice.exposure_s, why=choice.why)
        )
    if quality.hfd_px is not None and quality.hfd_px < SHARP_PX:
        told.append(
            say("Stars are hardly wider than a pixel: a touch out of focus measures better.")
        )
    if not solved and not told:
        told.append(
            say(
                "Stars look fine, yet the solver found no match: check [optics] "
                "focal_length_mm, the site, and that the mount points where it says."
            )
        )
    return tuple(told)
