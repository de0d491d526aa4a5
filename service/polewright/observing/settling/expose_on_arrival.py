"""Exposes right after a slew, and sees afterwards whether the stars lay where they rest.

A swing averages out over some seconds, so most frames are good although the mount still rang when
they began; looks after the exposure tell by how much not: a short one, and where the stars still
swing, longer ones, over which that swing averages out as well. A shorter exposure is lengthened: it
takes less time than waiting. A frame whose stars rest elsewhere
is taken again: the mount has had the time of the exposure to ring out. Against looks before the
exposure this saves the ringing itself. A slide to the rest that dies out within the exposure shows
better than in looks before it, a longer one as badly (tests/bench/settle_model.py --creep).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.stillness import (
    LEAST_COMMON,
    REST_LOOKS,
    Look,
    Rest,
    judge_rest,
)
from polewright.devices.alpaca.discovery import is_loopback
from polewright.devices.alpaca.errors import AlpacaError
from polewright.foundation.angle_text import angle_text
from polewright.foundation.errors import ImageError
from polewright.foundation.language import say
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.rig.rig import Rig
from polewright.observing.rig.settle_memory import NO_SUBFRAMES, STARS_WANTED
from polewright.observing.settling.blur_weighting import TELLING, shift_px
from polewright.observing.settling.settle import settle, tell_settled, wait_out
from polewright.observing.settling.settle_frames import Looks, middle_hfd_px, placed
from polewright.observing.settling.still_stars import SLOW_S, STARLESS, Settled, floors_px

#: Distance of a frame's stars from their rest that does not matter, as a multiple of [sweep]
#: frame_floor_arcsec, the error that each frame has anyway (own choice; half of it is noise of
#: looks and motion of the sky; tests/bench/settle_model.py).
REST_OF_FLOOR = 1.0
#: Exposures that average a swing well enough, s; shorter ones are made so long, by this factor at
#: most, else bright stars would be full; and so long at most, as a share of [sweep] settle_s, that
#: one more fits into that wait (own choices).
SHORTEST_S, LENGTHENED, LONGEST_OF_WAIT = 3.0, 4.0, 0.4
#: A look over which what is left of a swing averages out, s, and how many of them tell that the
#: stars rest elsewhere (own choices; tests/bench/settle_model.py).
LONG_LOOK_S, LONG_LOOKS = 1.5, 2
#: A mount that is known to ring long is left to itself for so long before it is exposed, and then
#: exposed for so long at least, s: the first swings draw the stars widest, and wide stars tell less
#: (own choices).
FIRST_SWINGS_S, RINGING_S = 1.0, 4.0
#: An exposure that shows less than this share of a look's stars has lost too much light (own
#: choice).
STARS_KEPT = 0.5
#: Where a whole frame takes longer to download, s, it had better come while the mount slews on.
#: Until one has come it is believed to be quick from this computer, and where it is small, pixels
#: (own choices).
QUICK_FETCH_S, QUICK_PIXELS = 1.0, 2.0e6


def lengthened_s(rig: Rig, exposure_s: float) -> float:
    """Return how long such a frame (s) is exposed where the mount may still ring."""
    wanted_s = SHORTEST_S if rig.settle_memory.sharp_px is None else RINGING_S
    most_s = min(LENGTHENED * exposure_s, rig.config.sweep.exposure_max_s)
    return max(exposure_s, min(wanted_s, most_s))


def goes_at_once(rig: Rig, exposure_s: float) -> bool:
    """Whether to expose such a frame (s) right after a slew, and to look at the stars then."""
    section, memory = rig.config.sweep, rig.settle_memory
    return (
        section.settle == "measured"
        and not rig.exposure_open  # what it finds out needs stars that stand still
        and SHORTEST_S <= lengthened_s(rig, exposure_s) <= LONGEST_OF_WAIT * section.settle_s
        and not memory.useless
        and not memory.looks_first
        and rig.plates.scale is not None  # else nobody knows what distance matters
        and _comes_quickly(rig)
    )


def _comes_quickly(rig: Rig) -> bool:
    known_s = rig.settle_memory.fetch_s
    if known_s is not None:
        return known_s <= QUICK_FETCH_S
    info, binning = rig.camera.info(), rig.config.camera.binning
    small = info.width * info.height <= QUICK_PIXELS * binning**2
    return small or is_loopback(rig.camera.where.host)


def expose_at_once(
    rig: Rig, exposure_s: float, number: int, total: int
) -> tuple[Frame, Rest | None]:
    """Expose where a slew has just ended, again while the stars rest elsewhere afterwards.

    Returns:
        The frame, and what looks after it told. None with a frame that was exposed once the mount
        was settled, since looks afterwards told nothing or [sweep] settle_s was over.

    Raises:
        DeviceError, ImageError: as the camera says of an exposure.
        GuardError: a guard objects to something meanwhile.
    """
    clock, times, wait_s = rig.clock, rig.times, rig.config.sweep.settle_s
    began_s, taken = clock.monotonic_s(), 0
    at_once_s = lengthened_s(rig, exposure_s)
    rest: Rest | None = None
    if rig.settle_memory.sharp_px is not None:
        with times.spent("settle", clock):
            wait_out(rig, number, total, began_s, FIRST_SWINGS_S)
    while True:
        spent = replace(times)
        frame = take_frame(rig, at_once_s, number, total)
        after = _Afterwards(rig, number, total, frame)
        with times.spent("settle", clock):
            rest, why = after.rest(rest)
        taken += after.looks.taken
        if rest is not None and rest.good:
            times.settle += at_once_s - exposure_s
            times.expose -= at_once_s - exposure_s
            times.settle_fixed += wait_s
            if rest.verdict == "steady" and rest.drift == (0.0, 0.0):
                rig.note(
                    say(
                        "Point {point}: the stars drift steadily, as they do with an axis "
                        "far from the pole; the mount itself stands still.",
                        point=number,
                    )
                )
            if rest.verdict == "steady" or rest.drift != (0.0, 0.0):
                rig.settle_memory.drift = rest.seen_drift
            return frame, rest
        # What a frame cost that is of no use is time spent on settling.
        times.settle += times.expose - spent.expose + times.download - spent.download
        times.expose, times.download = spent.expose, spent.download
        over = clock.monotonic_s() - began_s + at_once_s > wait_s
        if rest is None or over:
            break
        rig.note(say("Point {point}: {why}; exposing again.", point=number, why=why))
    rig.settle_memory.looks_first = True
    if not over:  # looks after an exposure do not tell: perhaps those before one do
        if not rig.settle_memory.useless:  # which `settle` tells
            rig.note(
                say(
                    "Point {point}: {why}; exposing again after settle frames.",
                    point=number,
                    why=why,
                )
            )
        settle(rig, number, total)
    else:
        with times.spent("settle", clock):
            wait_out(rig, number, total, began_s, wait_s)
        times.settle_fixed += wait_s
        tell_settled(rig, number, Settled(False, taken, None, why), clock.monotonic_s() - began_s)
    return take_frame(rig, exposure_s, number, total), None


def swinging_look(look: Look, exposed_hfd_px: float, sharpest_px: float | None) -> Look:
    """Return a look, unsure by what a swing may have shifted it.

    Args:
        look: as it is.
        exposed_hfd_px: half-flux diameter of the stars in the exposure before it.
        sharpest_px: that in a short look between; None: no swing was seen.
    """
    if sharpest_px is None:
        return look
    sigma = math.hypot(look.sigma, shift_px(exposed_hfd_px, sharpest_px))
    return replace(look, hfd_px=min(look.hfd_px, sharpest_px), sigma=sigma)


class _Afterwards:
    """Looks after one exposure."""

    def __init__(self, rig: Rig, number: int, total: int, frame: Frame) -> None:
        self.rig, self.number, self.total, self.frame = rig, number, total, frame
        self.began_s = rig.clock.monotonic_s()
        self.exposed_s = self.began_s - (rig.clock.utc_s() - frame.utc_mid_s)
        """Middle of the exposure by the timer."""
        self.looks = Looks(rig, self._watch)

    def rest(self, before: Rest | None) -> tuple[Rest | None, str]:
        """Look until it is clear where the stars rest, and put the camera back to whole frames.

        Args:
            before: what the exposure before this one came to, at the same place.

        Returns:
            Where they rest, None when looks do not tell; and a clause that says what is wrong.
        """
        try:
            told = self._rest(before)
        except (AlpacaError, ImageError) as error:
            told = None, say("a settle frame failed ({error})", error=error)
        except BaseException:
            self.looks.let_go()  # the mount is stopped before anything else is asked
            raise
        self.looks.done()
        return told

    def _rest(self, before: Rest | None) -> tuple[Rest | None, str]:
        memory = self.rig.settle_memory
        limit_px = floors_px(self.rig, REST_OF_FLOOR)
        exposed: StarList | None = None
        row: Sequence[Look] = ()
        starless = 0
        # Half-flux diameter of stars in a short look, once looks are long.
        sharpest_px = memory.sharp_px
        while True:
            self._watch()
            look_s = self.rig.clock.monotonic_s()
            exposure_s = memory.exposure_s if sharpest_px is None else LONG_LOOK_S
            stars = self.looks.take(exposure_s)
            took_s = self.rig.clock.monotonic_s() - look_s
            if stars is None:
                memory.useless = NO_SUBFRAMES
                return None, memory.useless
            if took_s > exposure_s + SLOW_S:
                return None, say("the camera took {took_s:.1f} s for a settle frame", took_s=took_s)
            starless = starless + 1 if len(stars) < LEAST_COMMON else 0
            if starless >= STARLESS:
                return None, say(
                    "a settle frame of {exposure_s:g} s shows too few stars",
                    exposure_s=exposure_s,
                )
            if len(stars) < STARS_WANTED and self.looks.more_light(at_once=starless > 0):
                exposed, row = None, ()
                continue
            if starless:
                continue
            exposed = exposed or self.looks.same_of(self.frame)
            look = None
            if exposed is not None and len(exposed) >= LEAST_COMMON:
                look = placed(exposed, stars, look_s + 0.5 * took_s)
            if exposed is None or look is None:
                return None, say("its stars were not found again in a settle frame after it")
            wide_px = middle_hfd_px(exposed)
            row = (*row, swinging_look(look, wide_px, sharpest_px))
            rest = judge_rest(
                row,
                wide_px,
                self.exposed_s,
                limit_px,
                drift=memory.drift,
                before=before,
                fewer_stars=len(exposed) < STARS_KEPT * len(stars),
                enough=REST_LOOKS if sharpest_px is None else LONG_LOOKS,
            )
            refused = rest.verdict in ("moved", "unsure")
            if refused and sharpest_px is None and rest.wider > TELLING:  # the look swings as well
                sharpest_px, row = look.hfd_px, ()
                memory.sharp_px = sharpest_px
            elif rest.verdict != "unsure":
                if sharpest_px is None:
                    memory.seen(stars)
                else:  # both, exposure and looks, are off by as much as they differ
                    off_px = 0.0 if rest.verdict == "steady" else rest.moved_px
                    rest = replace(rest, sigma_px=max(limit_px, off_px) / math.sqrt(2.0))
                return rest, self._why(rest)

    def _why(self, rest: Rest) -> str:
        if rest.verdict == "smeared":
            return say(
                "its stars were drawn {wider:.1f} times as wide as they are now", wider=rest.wider
            )
        scale = self.rig.plates.scale
        far = (
            say("{moved_px:.1f} px", moved_px=rest.moved_px)
            if scale is None
            else angle_text(rest.moved_px * scale)
        )
        return say(
            "its stars came to rest {distance} from where the frame shows them", distance=far
        )

    def _watch(self) -> None:
        rig = self.rig
        rig.guards.while_tracking()
        elapsed_s = rig.clock.monotonic_s() - self.began_s
        rig.progress("settle", self.number, self.total, elapsed_s, None)
