"""Whether any light reaches the camera: found out where a run's first frame shows no stars."""

from __future__ import annotations

import numpy as np

from polewright.images.frame import Frame
from polewright.measuring.errors import NoLight
from polewright.measuring.rig import Rig
from polewright.measuring.sweep import take_frame

#: The frame to compare with is exposed so much shorter.
SHORTER = 0.05
#: A frame with fewer stars than this shows none: hot pixels make some (own choice).
FEW_STARS = 4
#: Light that lifts the level by less than this share of one pixel's noise is none: dark current
#: lifts a cooled sensor's by 0.03, a house before a suburban sky by 0.7 (both in simulated frames
#: of 2 s with 1.6 electrons of read noise).
LEAST_LIFT = 0.3
#: Brighter pixels than this many times the scatter above the middle are hot pixels or stars.
BRIGHT = 5.0


def level(frame: Frame) -> tuple[float, float]:
    """Return a frame's level and the scatter of a pixel around it, counts; stars left out."""
    pixels = frame.pixels
    step = max(1, int((pixels.size / 1e6) ** 0.5))
    sample = pixels[::step, ::step].astype(np.float64).ravel()
    sample = sample[np.isfinite(sample)]
    if sample.size == 0:
        return 0.0, 0.0
    middle = float(np.median(sample))
    scatter = 1.4826 * float(np.median(np.abs(sample - middle)))
    dim = sample[sample <= middle + BRIGHT * max(scatter, 1.0)]
    return float(dim.mean()), float(dim.std())


def check_light(rig: Rig, frame: Frame) -> None:
    """Compare a frame that shows no stars with a short one; once a run, while nothing is solved.

    Raises:
        NoLight: no light reaches the camera.
        DeviceError: as the camera says.
    """
    if rig.plates.learned or rig.light_seen:
        return
    short_s = max(SHORTER * frame.exposure_s, rig.camera.info().exposure_min_s or 0.0)
    if short_s > 0.5 * frame.exposure_s:
        return  # too alike to tell
    short = take_frame(rig, short_s)
    long_adu, scatter_adu = level(frame)
    short_adu, _ = level(short)
    if long_adu - short_adu <= LEAST_LIFT * scatter_adu:
        raise NoLight(frame.exposure_s, long_adu, short_s, short_adu)
    rig.light_seen = True
