"""Whether light reaches the camera, or too much: asked where a run's first frame shows no stars."""

from __future__ import annotations

import numpy as np

from polewright.calculation.images.errors import EmptyFrame
from polewright.calculation.images.frame import Frame
from polewright.observing.capture.frame_quality import measure_stars
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.guard_errors import NoLight, TooBright

#: The frame to compare with is exposed so much shorter.
SHORTER = 0.05
#: A frame with fewer stars than this shows none: hot pixels make some (own choice).
FEW_STARS = 4
#: Light that lifts the level by less than this share of one pixel's noise is none: dark current
#: lifts a cooled sensor's by 0.03, a house before a suburban sky by 0.7 (both in simulated frames
#: of 2 s with 1.6 electrons of read noise).
LEAST_LIFT = 0.3
#: Where a shorter frame shows nothing, one so long (s, own choice) is looked at before anybody is
#: sent to the lens cap: in 3 s a dark sky at f/10 lifts a pixel of 3.8 um by a tenth of its noise.
SURE_S = 10.0
#: Brighter pixels than this many times the scatter above the middle are hot pixels or stars.
BRIGHT = 5.0


#: From this share of what a pixel holds on it is full; where the camera does not tell that, from
#: these counts on and without any noise (own choices: a bias lies below, and has noise).
FULL, LEAST_FULL_ADU = 0.9, 2000.0


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

    Where that shows no light, a longer frame has the last word: does it show stars?

    Raises:
        NoLight: no light reaches the camera.
        TooBright: its pixels are full.
        DeviceError: as the camera says.
    """
    if rig.plates.learned or rig.light_seen:
        return
    long_adu, scatter_adu = level(frame)
    told_full = frame.saturation_adu is not None and long_adu >= FULL * frame.saturation_adu
    if told_full or (scatter_adu == 0.0 and long_adu > LEAST_FULL_ADU):
        raise TooBright(frame.exposure_s, long_adu)
    short_s = max(SHORTER * frame.exposure_s, rig.camera.info().exposure_min_s or 0.0)
    if short_s > 0.5 * frame.exposure_s:
        return  # too alike to tell
    short_adu, _ = level(take_frame(rig, short_s))
    if long_adu - short_adu <= LEAST_LIFT * scatter_adu:
        sure_s = min(SURE_S, rig.config.sweep.exposure_max_s)
        if sure_s <= frame.exposure_s or not _shows_stars(rig, take_frame(rig, sure_s)):
            raise NoLight(frame.exposure_s, long_adu, short_s, short_adu)
    rig.light_seen = True


def _shows_stars(rig: Rig, frame: Frame) -> bool:
    try:
        return len(measure_stars(rig, frame)[0]) >= FEW_STARS
    except EmptyFrame:
        return False
