"""What a frame's stars tell about focus, tracking and exposure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.luminance import Canvas


@dataclass(frozen=True)
class FrameQuality:
    """Summary of one frame. Star figures are None when no star serves for them."""

    star_count: int
    """Stars in the list (detection keeps the brightest `DetectOptions.max_stars`)."""
    hfd_px: float | None
    """Median half-flux diameter of the better half of the unsaturated stars."""
    fwhm_px: float | None
    """Median full width at half maximum, geometric mean of both axes."""
    elongation: float | None
    """Long over short axis of the common star image: trailing and tilt, not single stars."""
    elongation_theta: float | None
    """Direction of the common long axis, rad from +x towards +y, in (-pi/2, pi/2]."""
    saturated_stars: int
    background_adu: float
    noise_adu: float
    """1-sigma noise of a pixel of the background."""
    saturated_fraction: float
    """Share of all pixels that are full (from a sample of about a million)."""


def frame_quality(stars: StarList, frame: Frame) -> FrameQuality:
    """Summarise a frame and the stars found on it.

    The level at which a pixel is full is the camera's, or the largest whole number of the pixel
    type when the camera does not tell.
    """
    sure = ~stars.saturated
    if sure.sum() >= 8:  # the fainter half only adds noise
        flux = stars.flux
        sure &= flux >= np.median(flux[sure])
    hfd = fwhm = elongation = theta = None
    if sure.any():
        hfd = float(np.median(stars.hfd_px[sure]))
        fwhm = float(np.median(stars.fwhm_px[sure]))
        # Averaging directions of single round stars would call noise a trail; averaging the
        # double-angle ellipticity does not.
        strength = (stars.elongation**2 - 1.0) / (stars.elongation**2 + 1.0)
        e1 = float(np.median((strength * np.cos(2.0 * stars.theta))[sure]))
        e2 = float(np.median((strength * np.sin(2.0 * stars.theta))[sure]))
        e = min(float(np.hypot(e1, e2)), 0.999)
        elongation = float(np.sqrt((1.0 + e) / (1.0 - e)))
        theta = 0.5 * float(np.arctan2(e2, e1))
    return FrameQuality(
        star_count=len(stars),
        hfd_px=hfd,
        fwhm_px=fwhm,
        elongation=elongation,
        elongation_theta=theta,
        saturated_stars=int(stars.saturated.sum()),
        background_adu=stars.background_adu,
        noise_adu=stars.noise_adu,
        saturated_fraction=_saturated_fraction(frame),
    )


def _saturated_fraction(frame: Frame) -> float:
    data = Canvas.of(frame).data
    full = frame.saturation_adu
    if full is None:
        if data.dtype.kind == "f":
            return 0.0
        full = float(np.iinfo(data.dtype.str).max)
    step = max(1, data.shape[0] * data.shape[1] // 1_000_000)
    return float(np.mean(data[::step].astype(np.float64) >= 0.98 * full))
