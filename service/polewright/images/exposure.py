"""How long to expose, and what to change, from what one frame shows. Thresholds: own choices."""

from __future__ import annotations

from dataclasses import dataclass

from polewright.images.quality import FrameQuality

#: Stars grow in number with the exposure by about this power: between a camera's noise (0.9) and
#: a bright sky's (0.45), for counts that rise by 0.36 dex a magnitude (from memory).
COUNT_POWER = 0.65
#: One frame changes the exposure by no more than this factor, either way.
MOST_CHANGE = 4.0
#: Of the sky's share, up to which an exposure is lengthened.
SKY_ROOM = 0.9
TRAILED = 1.6
BLOATED_PX = 8.0
SHARP_PX = 1.2


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
    """Of the full scale, that the sky may take."""
    saturated_share: float = 0.3
    """Of the stars, that may be saturated."""


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
        return _change(exposure_s, 0.6 * limits.sky_share / share, limits, "the sky is too bright")
    if count < limits.stars_wanted:
        factor = MOST_CHANGE if count == 0 else (limits.stars_wanted / count) ** (1 / COUNT_POWER)
        if share > 0.0:  # the sky grows with it
            room = SKY_ROOM * limits.sky_share / share
            if room < 1.1:
                why = f"{count} stars are few, but the sky allows no longer exposure"
                return ExposureChoice(exposure_s, True, why)
            factor = min(factor, room)
        return _change(exposure_s, max(1.1, factor), limits, f"{count} stars are few")
    if quality.saturated_stars > limits.saturated_share * count:
        return _change(exposure_s, 0.5, limits, "too many stars are saturated")
    if count > limits.stars_many and exposure_s > limits.crowded_s:
        factor = (0.6 * limits.stars_many / count) ** (1.0 / COUNT_POWER)
        factor = max(factor, limits.crowded_s / exposure_s)
        return _change(exposure_s, factor, limits, f"{count} stars are more than needed")
    return ExposureChoice(exposure_s, True, f"{count} stars")


def _change(exposure_s: float, factor: float, limits: ExposureLimits, why: str) -> ExposureChoice:
    factor = min(MOST_CHANGE, max(1.0 / MOST_CHANGE, factor))
    wanted_s = min(limits.max_s, max(limits.min_s, exposure_s * factor))
    if abs(wanted_s / exposure_s - 1.0) < 0.05:
        return ExposureChoice(exposure_s, True, f"{why}, but no other exposure is allowed")
    return ExposureChoice(float(f"{wanted_s:.2g}"), False, why)


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
        told.append("No star is seen: is the cover off, the sky clear, the focus anywhere near?")
    if quality.hfd_px is not None and quality.hfd_px > BLOATED_PX:
        told.append(
            f"Stars are {quality.hfd_px:.1f} px wide: focus (`polewright check --loop`), or look "
            "for dew on the optics."
        )
    if quality.elongation is not None and quality.elongation > TRAILED:
        cause = (
            "the mount does not track: start tracking or expose shorter"
            if tracking is False
            else "look for wind, a bumped tube, or a wrong tracking rate"
        )
        told.append(f"Stars are drawn out {quality.elongation:.1f} to 1: {cause}.")
    if not choice.good:
        told.append(f"Expose {choice.exposure_s:g} s: {choice.why}.")
    if quality.hfd_px is not None and quality.hfd_px < SHARP_PX:
        told.append("Stars are hardly wider than a pixel: a touch out of focus measures better.")
    if not solved and not told:
        told.append(
            "Stars look fine, yet the solver found no match: check [optics] focal_length_mm, the "
            "site, and that the mount points where it says."
        )
    return tuple(told)
