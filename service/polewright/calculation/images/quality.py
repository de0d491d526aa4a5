"""What a frame's stars tell about focus, tracking and exposure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from polewright.calculation.images.frame import StarList


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
    saturated_stars: int
    background_adu: float
    noise_adu: float
    """1-sigma noise of a pixel of the background."""


def frame_quality(stars: StarList) -> FrameQuality:
    """Summarise a frame by the stars found on it."""
    sure = ~stars.saturated
    if sure.sum() >= 8:  # the fainter half only adds noise
        flux = stars.flux
        sure &= flux >= np.median(flux[sure])
    hfd = fwhm = elongation = None
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
    return FrameQuality(
        star_count=len(stars),
        hfd_px=hfd,
        fwhm_px=fwhm,
        elongation=elongation,
        saturated_stars=int(stars.saturated.sum()),
        background_adu=stars.background_adu,
        noise_adu=stars.noise_adu,
    )
