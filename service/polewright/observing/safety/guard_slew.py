"""Slews that end in time, where they should, and on the same side of the pier."""

from __future__ import annotations

from polewright.devices.alpaca.mount_state import PierSide
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.angles import DEG, HOUR, fold_pi, separation, unit_vector
from polewright.observing.rig.guard_interface import Arrival, Look, Move, Watching
from polewright.observing.safety.guard_errors import (
    SideChanged,
    SlewOverdue,
    StoppedElsewhere,
    WouldChangeSides,
)

SIDES = {PierSide.NORMAL: "east", PierSide.THROUGH_POLE: "west"}


class TimeGuard(Watching):
    """A slew must end."""

    def __init__(self, limit_s: float) -> None:
        self.limit_s = limit_s

    def during(self, look: Look) -> None:
        """Stop a slew that takes too long."""
        if look.move is None or look.elapsed_s <= self.limit_s:
            return
        target = unit_vector(
            look.move.right_ascension_hours * HOUR, look.move.declination_deg * DEG
        )
        here = unit_vector(
            look.state.right_ascension_hours * HOUR, look.state.declination_deg * DEG
        )
        left = float(separation(here, target)) / DEG
        raise SlewOverdue(look.elapsed_s, self.limit_s, left)


class SideGuard(Watching):
    """No change of sides within a sweep: asked before each slew, looked at after it.

    What the mount promises is only compared with its promises, and what it reports with its
    reports: drivers count the two differently.
    """

    def __init__(self, telescope: Telescope) -> None:
        self.telescope = telescope
        self._promised: PierSide | None = None
        self._reported: PierSide | None = None

    def begin(self) -> None:
        """The first point decides anew."""
        self._promised = self._reported = None

    def before_slew(self, move: Move) -> None:
        """Ask on which side the slew would end."""
        side = self.telescope.destination_side_of_pier(
            move.right_ascension_hours, move.declination_deg
        )
        if side not in SIDES:
            return
        if move.first or self._promised is None:
            self._promised = side
        elif side is not self._promised:
            raise WouldChangeSides(
                move.number,
                fold_pi(move.goal.hour_angle) / DEG,
                SIDES[side],
                SIDES[self._promised],
            )

    def arrived(self, arrival: Arrival) -> None:
        """Look on which side the mount is."""
        side = arrival.result.state.side_of_pier
        if side is None or side not in SIDES:
            return
        if arrival.move.first or self._reported is None:
            self._reported = side
        elif side is not self._reported:
            raise SideChanged(arrival.move.number, SIDES[side], SIDES[self._reported])


class ArrivalGuard(Watching):
    """The mount must say that it is at the target."""

    def __init__(self, tolerance_deg: float) -> None:
        self.tolerance_deg = tolerance_deg

    def arrived(self, arrival: Arrival) -> None:
        """Compare."""
        if not arrival.result.miss_deg <= self.tolerance_deg:
            raise StoppedElsewhere(arrival.result.miss_deg, self.tolerance_deg)
