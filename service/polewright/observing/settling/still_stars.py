"""Waits until the stars stand still after a slew, by short looks at them; at most a fixed time.

Where looks tell nothing (no stars in a short exposure, a camera without subframes or a slow one)
the fixed wait is what is left, and that is told. Looks never end a run: what goes wrong with one
leaves the trouble to the exposure that follows, which has its own rules.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import cycle

from polewright.calculation.images.frame import StarList
from polewright.calculation.images.stillness import (
    LEAST_COMMON,
    Look,
    judge_looks,
)
from polewright.devices.alpaca.errors import AlpacaError
from polewright.foundation.angles import ARCSEC, DEG
from polewright.foundation.errors import ImageError
from polewright.foundation.language import say
from polewright.observing.rig.rig import Rig
from polewright.observing.rig.settle_memory import NO_SUBFRAMES, STARS_WANTED
from polewright.observing.settling.settle_frames import Looks, placed

#: A fixed wait shorter than this leaves nothing to be won by looks, s.
LEAST_FIXED_S = 2.5
#: A camera that takes so many seconds longer than the exposure, so often in a row, is too slow.
SLOW_S, SLOW_LOOKS = 3.0, 2
#: Waits between looks, s: uneven, so that no swing is caught at the same phase each time.
GAPS_S = (0.0, 0.17, 0.05, 0.29, 0.11, 0.23)
#: Looks without enough stars after which the fixed wait is taken.
STARLESS = 3
#: Motion that does not matter, as a multiple of [sweep] frame_floor_arcsec, the error that each
#: frame's attitude has anyway. Looks that lie within it swing by half of it to either side, and an
#: exposure of at least `AVERAGING_S`, so of a swing or more, averages that to under a third: the
#: middle of the frame is off by a third of the floor. A shorter one averages less. (A longer one
#: averages a swing more, but not a creep: it gets no more.)
LIMIT_OF_FLOOR, AVERAGING_S = 2.0, 2.0
#: Looks that have to agree before such an exposure, and before a shorter one.
AGREEING_LONG, AGREEING_SHORT = 2, 3
#: Least of that floor, arcsec, and least limit in pixels: no look tells less.
LEAST_FLOOR_ARCSEC, LEAST_LIMIT_PX = 0.5, 0.05


@dataclass(frozen=True)
class Settled:
    """How a wait for still stars ended."""

    still: bool
    looks: int
    moved_arcsec: float | None
    """Largest distance among the last looks, if they told one."""
    why: str = ""
    """Why it was not seen that they stand still."""
    starless: bool = False
    """Whether the last looks showed no stars to speak of."""


def wait_for_still_stars(rig: Rig, number: int, total: int, wait_s: float) -> Settled:
    """Look until the stars stand still, or until ``wait_s`` is nearly over.

    The caller waits for what is left of ``wait_s`` when they were not seen to stand still.
    """
    memory = rig.settle_memory
    if memory.useless:
        return Settled(False, 0, None, memory.useless)
    wait = _Wait(rig, number, total, wait_s)
    settled = wait.run()
    wait.looks.done()  # not on the way out of a run: the mount is stopped first
    return settled


def limit_factor(exposure_s: float) -> float:
    """Return the motion that does not matter before such an exposure, in floors of a frame."""
    return max(0.5, LIMIT_OF_FLOOR * min(1.0, exposure_s / AVERAGING_S))


def limit_px(rig: Rig) -> float:
    """Return the motion between looks that does not matter, pixels of the frame."""
    return floors_px(rig, limit_factor(rig.exposure_s))


def floors_px(rig: Rig, factor: float) -> float:
    """Return so many times the error that a frame has anyway, pixels of the frame."""
    floor = factor * max(LEAST_FLOOR_ARCSEC, rig.config.sweep.frame_floor_arcsec) * ARCSEC
    # Where no scale is known: of a lens of some degrees; looks then ask for more stillness.
    scale = rig.plates.scale or 2.0 * DEG / 3600.0
    return max(LEAST_LIMIT_PX, floor / scale)


def agreeing_looks(exposure_s: float) -> int:
    """Return how many looks in a row have to agree before an exposure so long (s)."""
    return AGREEING_LONG if exposure_s >= AVERAGING_S else AGREEING_SHORT


class _Wait:
    def __init__(self, rig: Rig, number: int, total: int, wait_s: float) -> None:
        self.rig, self.number, self.total, self.wait_s = rig, number, total, wait_s
        self.began_s = rig.clock.monotonic_s()
        self.limit_px = limit_px(rig)
        self.moved_px: float | None = None
        self.looks = Looks(rig, self._watch)

    @property
    def elapsed_s(self) -> float:
        return self.rig.clock.monotonic_s() - self.began_s

    def run(self) -> Settled:
        """Take looks."""
        rig, memory = self.rig, self.rig.settle_memory
        agreeing = agreeing_looks(rig.exposure_s)
        first: StarList | None = None
        row: list[Look] = []
        starless, slow, look_s = 0, 0, memory.exposure_s + 0.5
        for gap_s in cycle(GAPS_S):
            if self.elapsed_s + gap_s + look_s > self.wait_s:
                return self._end(self._why_not(starless), starless=starless > 0)
            if gap_s:
                rig.clock.sleep(gap_s, rig.cancel)
            self._watch()
            before_s = self.elapsed_s
            try:
                stars = self.looks.take(memory.exposure_s)
            except (AlpacaError, ImageError) as error:
                return self._end(say("a settle frame failed: {error}", error=error))
            look_s = self.elapsed_s - before_s
            if stars is None:
                memory.useless = NO_SUBFRAMES
                return self._end(memory.useless)
            slow = slow + 1 if look_s > memory.exposure_s + SLOW_S else 0
            if slow >= SLOW_LOOKS:
                memory.useless = say(
                    "the camera takes {look_s:.1f} s for a settle frame", look_s=look_s
                )
                return self._end(memory.useless)
            starless = starless + 1 if len(stars) < LEAST_COMMON else 0
            if len(stars) < STARS_WANTED and self.looks.more_light(at_once=starless > 0):
                first, row = None, []
                continue
            if starless:
                first, row = None, []
                if starless >= STARLESS:
                    return self._end(self._why_not(starless), starless=True)
                continue
            at_s = before_s + 0.5 * look_s
            look = placed(stars if first is None else first, stars, at_s)
            if look is None:  # another part of the sky, or smeared beyond recognition
                first, look, row = stars, placed(stars, stars, at_s), []
            first = first or stars
            row = [*row, look] if look is not None else []
            judged = judge_looks(row, self.limit_px, agreeing)
            self.moved_px = judged.spread_px
            if judged.still:
                memory.seen(stars)
                return Settled(True, self.looks.taken, self._moved_arcsec)
        raise AssertionError("the gaps never end")

    def _why_not(self, starless: int) -> str:
        if starless:
            return say(
                "a settle frame of {exposure_s:g} s shows too few stars",
                exposure_s=self.rig.settle_memory.exposure_s,
            )
        return (
            say("too few settle frames to compare")
            if self.moved_px is None
            else say("still moving")
        )

    def _end(self, why: str, *, starless: bool = False) -> Settled:
        return Settled(False, self.looks.taken, self._moved_arcsec, why, starless)

    @property
    def _moved_arcsec(self) -> float | None:
        scale = self.rig.plates.scale
        return None if self.moved_px is None or scale is None else self.moved_px * scale / ARCSEC

    def _watch(self) -> None:
        self.rig.guards.while_tracking()
        self._tell(self.elapsed_s)

    def _tell(self, elapsed_s: float) -> None:
        self.rig.progress("settle", self.number, self.total, elapsed_s, self.wait_s)
