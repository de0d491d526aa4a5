"""Short looks at the middle of the frame: how the stars lie just now."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from dataclasses import replace

from polewright.calculation.images.detect import DetectOptions, detect_stars
from polewright.calculation.images.frame import Frame, StarList, middle_margins
from polewright.calculation.images.stillness import Look, shift_between
from polewright.devices.alpaca.errors import (
    AlpacaError,
    BadGeometry,
    InvalidValue,
    MislabelledImage,
    NotImplementedByDevice,
    StaleImage,
)
from polewright.devices.alpaca.one_exposure import ExposureProgress
from polewright.observing.rig.rig import Rig
from polewright.observing.rig.settle_memory import (
    LONGEST_LOOK_S,
    MOST_PIXELS,
    OLDER_IMAGES,
)

#: A look that is not there so many seconds after its exposure has failed.
LATE_S = 10.0
LOOK_OPTIONS = DetectOptions(max_stars=60)
#: Corners and sides of a subframe are multiples of so many pixels (common practice, no source).
STEP_PX = 16


class Looks:
    """Takes looks, as large as the run's memory says.

    Args:
        rig: the rig; its camera is left with the subframe of the last look until `done`.
        watch: called while a look is exposed; what it raises ends the look.
    """

    def __init__(self, rig: Rig, watch: Callable[[], None]) -> None:
        self.rig, self.watch = rig, watch
        self.taken = 0
        self._aimed: tuple[int, int, int, int] | None = None

    def take(self, exposure_s: float) -> StarList | None:
        """Take a look so long and find its stars; None when the camera sent another subframe.

        Raises:
            AlpacaError, ImageError: as camera and detection say.
        """
        rig = self.rig

        def progress(_now: ExposureProgress) -> None:
            self.watch()

        try:
            self._aim()
            frame: Frame = rig.camera.expose(
                exposure_s,
                clock=rig.clock,
                cancel=rig.cancel,
                on_progress=progress,
                margin_s=LATE_S,
            )
        except (BadGeometry, InvalidValue, MislabelledImage, NotImplementedByDevice):
            return None
        except StaleImage:
            rig.settle_memory.useless = OLDER_IMAGES
            raise
        self.taken += 1
        return detect_stars(frame, LOOK_OPTIONS)

    def more_light(self, *, at_once: bool) -> bool:
        """Take more of the frame, or expose longer, from now on; False when neither is left.

        ``at_once`` goes to the end of both.
        """
        memory = self.rig.settle_memory
        before = self.region(), memory.exposure_s
        if memory.pixels < MOST_PIXELS:
            memory.pixels = MOST_PIXELS if at_once else min(MOST_PIXELS, 4.0 * memory.pixels)
        if at_once or self.region() == before[0]:
            memory.exposure_s = LONGEST_LOOK_S if at_once else 2.0 * memory.exposure_s
            memory.exposure_s = min(LONGEST_LOOK_S, memory.exposure_s)
        return (self.region(), memory.exposure_s) != before

    def region(self) -> tuple[int, int, int, int]:
        """Return the middle of the frame that is looked at: left, top, width, height (pixels)."""
        info, binning = self.rig.camera.info(), self.rig.config.camera.binning
        width, height = info.width // binning, info.height // binning
        part = min(1.0, math.sqrt(self.rig.settle_memory.pixels / (width * height)))
        left, top = middle_margins(width, height, part)
        wide, high = width - 2 * left, height - 2 * top
        if part == 1.0:
            return left, top, wide, high
        # Some drivers round a corner down without a word; then it would not be this part.
        return (
            left - left % STEP_PX,
            top - top % STEP_PX,
            wide - wide % STEP_PX,
            high - high % STEP_PX,
        )

    def done(self) -> None:
        """Have the camera take whole frames again.

        What is set is sent again before each exposure, so trouble here is told there. Not for the
        way out of a run, where the mount is stopped before anything else is asked: `let_go`.
        """
        with contextlib.suppress(AlpacaError):
            self.rig.camera.set_geometry(self.rig.config.camera.binning)
        self._aimed = None

    def let_go(self) -> None:
        """Have the next exposure take a whole frame; asks no device."""
        self.rig.camera.choose_geometry(self.rig.config.camera.binning)
        self._aimed = None

    def same_of(self, frame: Frame) -> StarList | None:
        """Return the stars of a whole frame where the last look was taken, placed as in it.

        None when the frame has another size than the sensor: where the look lies is not known.
        """
        left, top, width, height = self._aimed or self.region()
        info, binning = self.rig.camera.info(), self.rig.config.camera.binning
        if (frame.width, frame.height) != (info.width // binning, info.height // binning):
            return None
        middle = frame.pixels[top : top + height, left : left + width]
        return detect_stars(replace(frame, pixels=middle), LOOK_OPTIONS)

    def _aim(self) -> tuple[int, int]:
        """Have the next exposure take that part of the frame; return the size asked for."""
        region = self.region()
        if self._aimed != region:
            self.rig.camera.choose_geometry(self.rig.config.camera.binning, region)
            self._aimed = region
        return region[2:]


def placed(against: StarList, stars: StarList, at_s: float) -> Look | None:
    """Return where the stars of a look lie against others; None when too few are common.

    Args:
        against: stars of a look or frame, brightest first.
        stars: of the look.
        at_s: middle of its exposure, by a timer that never steps back.
    """
    shift = shift_between(against, stars)
    if shift is None:
        return None
    return Look(shift.x, shift.y, shift.sigma, middle_hfd_px(stars), at_s)


def middle_hfd_px(stars: StarList) -> float:
    """Return the median half-flux diameter, pixels."""
    widths = sorted(stars.hfd_px)
    return float(widths[len(widths) // 2])
