"""What no run asks for: a clock that is set, and somebody else who moves the mount."""

from __future__ import annotations

import math

from polewright.foundation.angles import DEG, fold_pi
from polewright.foundation.clock import Clock
from polewright.observing.rig.guard_interface import Arrival, Look, Move, Solved, Watching
from polewright.observing.safety.guard_errors import ClockWasSet, MovedBySomebodyElse

#: A clock that is steered to the right time goes a little faster or slower; one that is set jumps
#: by more than this between two looks, s (own choice). Less harms no axis.
CLOCK_JUMP_S = 1.5
#: The mount's word moves by so much between two looks only when it is moved or synchronised, rad
#: (own choice): guiding and another tracking rate do less.
MOVED = 0.5 * DEG
#: The same while the mount says that it slews.
MOVED_SLEWING = 0.1 * DEG


class ClockGuard(Watching):
    """Frames before and after a step of the clock do not belong together."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self._base_s: float | None = None

    def begin(self) -> None:
        """Whatever was before does not matter."""
        self._base_s = None
        self._look()

    def before_slew(self, move: Move) -> None:
        """Compare."""
        del move
        self._look()

    def during(self, look: Look) -> None:
        """Compare."""
        del look
        self._look()

    def tracking(self, look: Look) -> None:
        """Compare."""
        del look
        self._look()

    def solved(self, solved: Solved) -> None:
        """Compare, before the stars are held against the mount's word."""
        del solved
        self._look()

    def _look(self) -> None:
        timer_s = self.clock.monotonic_s()
        base_s = self.clock.utc_s() - timer_s
        if self.clock.monotonic_s() - timer_s > 0.5 * CLOCK_JUMP_S:
            return  # held up between the two: they do not belong together
        before_s, self._base_s = self._base_s, base_s
        if before_s is not None and abs(base_s - before_s) > CLOCK_JUMP_S:
            raise ClockWasSet(base_s - before_s)


class MasterGuard(Watching):
    """Between this program's slews the mount only tracks."""

    def __init__(self) -> None:
        self._watches = False
        self._last: Look | None = None

    def begin(self) -> None:
        """From now on only this program moves the mount."""
        self._watches, self._last = True, None

    def before_slew(self, move: Move) -> None:
        """It is this program that moves it now."""
        del move
        self._last = None

    def arrived(self, arrival: Arrival) -> None:
        """The next look tells where it stands."""
        del arrival
        self._last = None

    def tracking(self, look: Look) -> None:
        """Compare with the look before: a mount keeps its right ascension, or its hour angle."""
        last, self._last = self._last, look
        if last is None or not self._watches:
            return
        here, there = look.pointing, last.pointing
        shrunk = math.cos(here.declination)
        turned = fold_pi(here.hour_angle - there.hour_angle)
        sky = fold_pi(look.sky.lst - last.sky.lst)
        moved = math.hypot(
            here.declination - there.declination,
            shrunk * min(abs(turned), abs(fold_pi(turned - sky))),
        )
        if moved > (MOVED_SLEWING if look.state.slewing else MOVED):
            raise MovedBySomebodyElse(moved / DEG, slewing=look.state.slewing)
