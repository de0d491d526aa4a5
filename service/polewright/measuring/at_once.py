"""Exposes right after a slew, and sees afterwards whether the stars lay where they rest.

A swing averages out over some seconds, so most frames are good although the mount still rang when
they began; short looks after the exposure tell by how much not. A frame whose stars rest elsewhere
is taken again: the mount has had the time of the exposure to ring out. Against looks before the
exposure this saves the ringing itself, and a slow slide to the rest shows over the longer time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from polewright.alpaca.errors import AlpacaError
from polewright.angles import ARCSEC
from polewright.errors import ImageError
from polewright.images.frame import Frame, StarList
from polewright.images.stillness import LEAST_COMMON, Look, Rest, judge_rest
from polewright.measuring.looks import (
    NO_SUBFRAMES,
    STARS_WANTED,
    Looks,
    middle_hfd_px,
    placed,
)
from polewright.measuring.rig import Rig
from polewright.measuring.settling import SLOW_S, STARLESS, Settled, floors_px
from polewright.measuring.sweep import take_frame, tell_settled, wait_out

#: Distance of a frame's stars from their rest that does not matter, as a multiple of [sweep]
#: frame_floor_arcsec, the error that each frame has anyway (own choice; half of it is noise of
#: looks and motion of the sky; tests/bench/settle_model.py).
REST_OF_FLOOR = 2.0
#: Exposures that average a swing well enough, s; and so long at most, as a share of [sweep]
#: settle_s, that one more fits into that wait (own choices).
SHORTEST_S, LONGEST_OF_WAIT = 3.0, 0.4
#: Where a whole frame takes longer to download, s, it had better come while the mount slews on.
QUICK_FETCH_S = 1.0


def goes_at_once(rig: Rig, exposure_s: float) -> bool:
    """Whether to expose such a frame (s) right after a slew, and to look at the stars then."""
    section, memory = rig.config.sweep, rig.look_memory
    return (
        section.settle == "measured"
        and not section.exposure_auto  # what it finds out needs stars that stand still
        and SHORTEST_S <= exposure_s <= LONGEST_OF_WAIT * section.settle_s
        and not memory.useless
        and (memory.fetch_s is None or memory.fetch_s <= QUICK_FETCH_S)
    )


def expose_at_once(rig: Rig, exposure_s: float, number: int, total: int) -> tuple[Frame, bool]:
    """Expose where a slew has just ended, again while the stars rest elsewhere afterwards.

    Returns:
        The frame; whether its stars were seen to rest where they lie in it. Where looks tell
        nothing, or after [sweep] settle_s, the frame is one exposed after that wait.

    Raises:
        DeviceError, ImageError: as the camera says of an exposure.
        GuardError: a guard objects to something meanwhile.
    """
    clock, times, wait_s = rig.clock, rig.times, rig.config.sweep.settle_s
    began_s, taken, rest = clock.monotonic_s(), 0, None
    while True:
        spent = replace(times)
        frame = take_frame(rig, exposure_s, number, total)
        after = _Afterwards(rig, number, total, frame)
        with times.spent("settle", clock):
            rest, why = after.rest(rest)
        taken += after.looks.taken
        if rest is not None and rest.verdict == "rested":
            times.settle_fixed += wait_s
            return frame, True
        # What a frame cost that is of no use is time spent on settling.
        times.settle += times.expose - spent.expose + times.download - spent.download
        times.expose, times.download = spent.expose, spent.download
        if rest is None or clock.monotonic_s() - began_s + exposure_s > wait_s:
            break
        rig.note(
            f"The mount still moved while point {number} was exposed ({why}): exposed once more."
        )
    with times.spent("settle", clock):
        wait_out(rig, number, total, began_s, wait_s)
    times.settle_fixed += wait_s
    moved = None if rest is None else _arcsec(rig, rest.moved_px)
    settled = Settled(False, taken, moved, why if rest is None else "they still moved")
    tell_settled(rig, number, settled, clock.monotonic_s() - began_s)
    return take_frame(rig, exposure_s, number, total), False


class _Afterwards:
    """Looks after one exposure."""

    def __init__(self, rig: Rig, number: int, total: int, frame: Frame) -> None:
        self.rig, self.number, self.total, self.frame = rig, number, total, frame
        self.began_s = rig.clock.monotonic_s()
        self.looks = Looks(rig, self._watch)

    def rest(self, before: Rest | None) -> tuple[Rest | None, str]:
        """Look until it is clear where the stars rest, and put the camera back to whole frames.

        Args:
            before: what the exposure before this one came to, at the same place.

        Returns:
            Where they rest, None when looks do not tell; and how far off that is, or why not.
        """
        try:
            return self._rest(before)
        except (AlpacaError, ImageError) as error:
            return None, f"a look failed: {error}"
        finally:
            self.looks.done()

    def _rest(self, before: Rest | None) -> tuple[Rest | None, str]:
        memory = self.rig.look_memory
        limit_px = floors_px(self.rig, REST_OF_FLOOR)
        exposed: StarList | None = None
        row: Sequence[Look] = ()
        starless = 0
        while True:
            self._watch()
            look_s = self.rig.clock.monotonic_s()
            stars = self.looks.take()
            took_s = self.rig.clock.monotonic_s() - look_s
            if stars is None:
                memory.useless = NO_SUBFRAMES
                return None, memory.useless
            if took_s > memory.exposure_s + SLOW_S:
                memory.fetch_s = took_s  # so slow a camera is not looked at after exposures
            starless = starless + 1 if len(stars) < LEAST_COMMON else 0
            if starless >= STARLESS:
                return None, f"a look of {memory.exposure_s:g} s shows too few stars"
            if len(stars) < STARS_WANTED and self.looks.more_light(at_once=starless > 0):
                exposed, row = None, ()
                continue
            if starless:
                continue
            exposed = exposed or self._exposed()
            look = placed(exposed, stars, look_s + 0.5 * took_s)
            if look is None:
                return Rest("moved", np.inf, np.inf), "its stars are not those of a look after it"
            row = (*row, look)
            rest = judge_rest(row, middle_hfd_px(exposed), limit_px, before)
            if rest.verdict != "unsure":
                memory.seen(stars)
                arcsec = _arcsec(self.rig, rest.moved_px)
                far = f"{rest.moved_px:.1f} px" if arcsec is None else f"{arcsec:.1f}″"
                return rest, f"its stars lay {far} from where they came to rest"

    def _exposed(self) -> StarList:
        """Return the frame's stars as a look would show them; full ones have no sure middle."""
        stars = self.looks.same_of(self.frame)
        return stars.take(~stars.saturated)

    def _watch(self) -> None:
        rig = self.rig
        rig.guards.while_tracking()
        elapsed_s = rig.clock.monotonic_s() - self.began_s
        rig.progress("settle", self.number, self.total, elapsed_s, None)


def _arcsec(rig: Rig, pixels: float) -> float | None:
    scale = rig.plates.scale
    return None if scale is None or not np.isfinite(pixels) else pixels * scale / ARCSEC
