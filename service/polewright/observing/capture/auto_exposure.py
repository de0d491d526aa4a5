"""How long to expose: tried where the telescope points, as short as the wanted axis allows."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.next_exposure import (
    ExposureChoice,
    ExposureLimits,
    Forecast,
    candidates,
    forecast,
    next_exposure,
)
from polewright.calculation.images.quality import FrameQuality
from polewright.calculation.planning.request import Pointing
from polewright.calculation.planning.uncertainty import predict
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG
from polewright.foundation.language import say
from polewright.observing.capture.frame_quality import look_at
from polewright.observing.capture.lens_cap import FEW_STARS, check_light
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.plan.frame_noise import frame_floor
from polewright.observing.plan.rig_errors import shared_errors_of
from polewright.observing.rig.rig import Rig

#: Shorter is not chosen, s: seeing moves single stars too far (own choice).
LEAST_EXPOSURE_S = 0.5
#: Frames taken at most to find an exposure.
SEARCH_FRAMES = 5
#: How far the air moves single stars in 1 s, arcsec (Lindegren 1980 for a degree, from memory).
AIR_ARCSEC = 0.3
#: Where the wanted certainty is out of reach, an exposure may cost so much of what there is.
HARDLY_WORSE = 1.1
#: Of a sweep that is not planned yet, rad.
USUAL_DECLINATION = 30.0 * DEG


def exposure_limits(rig: Rig) -> ExposureLimits:
    """Return the limits that the configuration sets."""
    low_s, high_s = sorted((LEAST_EXPOSURE_S, rig.config.sweep.exposure_max_s))
    return ExposureLimits(min_s=low_s, max_s=high_s)


def judged(rig: Rig, frame: Frame, quality: FrameQuality) -> ExposureChoice:
    """Say what to expose after this frame."""
    return next_exposure(frame.exposure_s, quality, frame.saturation_adu, exposure_limits(rig))


def find_exposure(rig: Rig, points: Sequence[Pointing] = ()) -> float:
    """Expose where the telescope points until sky and stars are right, and see how short will do.

    Args:
        rig: the rig.
        points: of the sweep that is to be made; a usual one when there are none.

    Returns:
        Seconds to expose.

    Raises:
        DeviceError, ImageError: as camera and detection say.
    """
    return _found(rig, points)[0]


def _found(rig: Rig, points: Sequence[Pointing]) -> tuple[float, Frame | None]:
    """Return the exposure, and the last frame if it was exposed long enough to be used."""
    exposure_s = rig.exposure_s
    for _ in range(SEARCH_FRAMES):
        frame = take_frame(rig, exposure_s)
        stars, quality = look_at(rig, frame)
        if quality.star_count < FEW_STARS:
            check_light(rig, frame)
        choice = judged(rig, frame, quality)
        if choice.good:
            return shortest(rig, frame, stars, points), frame
        rig.note(
            say(
                "Exposing {exposure_s:g} s instead of {before_s:g} s: {why}.",
                exposure_s=choice.exposure_s,
                before_s=exposure_s,
                why=choice.why,
            )
        )
        exposure_s = choice.exposure_s
    return exposure_s, None


def shortest(rig: Rig, frame: Frame, stars: StarList, points: Sequence[Pointing]) -> float:
    """Return the shortest exposure whose stars make the axis as certain as it is wanted, s.

    Forecast from the stars of a frame that is long enough; says what was chosen and why.
    """
    limits, scale = exposure_limits(rig), rig.plates.scale
    if scale is None:
        return frame.exposure_s  # what a pixel is on the sky is not known yet
    wanted = wanted_sigma(rig)
    gain = frame.gain_e_per_adu or 1.0

    def axis_sigma(short: Forecast) -> float:
        floor = frame_floor(rig, short.exposure_s)
        boresight = math.hypot(short.boresight_px * scale, floor)
        return _axis_sigma(rig, points, (boresight, math.hypot(short.roll, floor)))

    air_px = AIR_ARCSEC * ARCSEC / scale
    best = axis_sigma(forecast(stars, frame.exposure_s, frame.exposure_s, gain, air_px))
    for exposure_s in candidates(limits, frame.exposure_s):
        short = forecast(stars, frame.exposure_s, exposure_s, gain, air_px)
        if short.stars < limits.stars_wanted or exposure_s == frame.exposure_s:
            continue
        sigma = axis_sigma(short)
        if sigma <= max(wanted, HARDLY_WORSE * best):
            rig.note(
                say(
                    "Exposing {exposure_s:g} s instead of {before_s:g} s: about {remaining} "
                    "of {stars} stars remain, which gives the axis to {sigma} (1 sigma; "
                    "{wanted} wanted).",
                    exposure_s=exposure_s,
                    before_s=frame.exposure_s,
                    remaining=short.stars,
                    stars=len(stars),
                    sigma=angle_text(sigma),
                    wanted=angle_text(wanted),
                )
            )
            return exposure_s
    rig.note(
        say(
            "Exposing {exposure_s:g} s: with {stars} stars, less would leave fewer than "
            "{stars_wanted} certain ones, or an axis less certain than wanted.",
            exposure_s=frame.exposure_s,
            stars=len(stars),
            stars_wanted=limits.stars_wanted,
        )
    )
    return frame.exposure_s


def wanted_sigma(rig: Rig) -> float:
    """Return how certain the axis has to be, 1 sigma in rad: a quarter of the tolerance."""
    return (rig.config.sweep.sigma_arcmin or 0.25 * rig.tolerance_arcmin) * ARCMIN


def _axis_sigma(rig: Rig, points: Sequence[Pointing], frame_sigmas: tuple[float, float]) -> float:
    """Return the axis's 1 sigma (rad) after a sweep of frames this good (boresight, roll)."""
    section = rig.config.sweep
    angles = [point.hour_angle for point in points]
    if len(angles) < 2:
        angles = [number * section.step_deg * DEG for number in range(section.points)]
    declination = points[0].declination if points else USUAL_DECLINATION
    sigmas = np.tile(frame_sigmas, (len(angles), 1))
    shared = shared_errors_of(rig)
    return predict(rig.site, np.array(angles), declination, sigmas, shared).sigma


def choose_exposure(rig: Rig, points: Sequence[Pointing] = ()) -> Frame | None:
    """Let the rest of the run expose as sky and stars ask for, where [sweep] exposure_auto.

    Returns:
        A frame of where the telescope points, if one was taken that is good enough to be solved.
    """
    if not rig.exposure_open:
        return None
    exposure_s, frame = _found(rig, points)
    keep_exposure(rig, exposure_s)
    return frame


def keep_exposure(rig: Rig, exposure_s: float) -> None:
    """Let the rest of the run expose so long; it is not looked for any more."""
    rig.exposure_s, rig.exposure_open = exposure_s, False
