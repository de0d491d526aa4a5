"""Slews that end in time, where they should, on the same side; and what the stars say of it."""

from __future__ import annotations

import math

import numpy as np

from polewright.calculation.geometry.rotation import rotation_vector
from polewright.calculation.planning.request import Pointing
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.devices.alpaca.mount_state import PierSide
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.angles import DEG, HOUR, Matrix, fold_pi, separation, unit_vector
from polewright.observing.rig.guarding import Arrival, Look, Move, Solved, Watching
from polewright.observing.safety.guard_errors import (
    SideChanged,
    SlewOverdue,
    StoppedElsewhere,
    WentElsewhere,
    WouldChangeSides,
)

SIDES = {PierSide.NORMAL: "east", PierSide.THROUGH_POLE: "west"}
#: The turn between two points by the stars may differ from the mount's word by so much, rad: worm,
#: rounding and a mount's own corrections; a slipping clutch makes more (own choice).
TURN_TOLERANCE = 1.0 * DEG
SAME_DECLINATION = 0.1 * DEG
#: So far the solved centre may be from where the mount's word, corrected by the point before, puts
#: it, degrees: an axis off by degrees stays below from point to point (own choice).
SOLVED_TOLERANCE_DEG = 4.0


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


class TruthGuard(Watching):
    """The stars must agree with the mount's word, as far as the axis error leaves that open.

    Where the centre is: the offset found at the point before must still hold, roughly, since an
    axis off by m turns it by up to m times the turn. How far the RA axis turned: this does not
    depend on where the axis points, so it is held more tightly.
    """

    def __init__(self, site: Site, arrival_tolerance_deg: float) -> None:
        self.pole = pole_enu(site, PoleTarget.TRUE, Atmosphere.none())
        # A mount that goes west turns clockwise as seen from outside the northern sky.
        self.west = 1.0 if site.southern else -1.0
        self.turn_tolerance = max(TURN_TOLERANCE, arrival_tolerance_deg * DEG)
        self._last: tuple[int, Matrix, Pointing] | None = None

    def begin(self) -> None:
        """Nothing is known of the offset yet."""
        self._last = None

    def solved(self, solved: Solved) -> None:
        """Compare with the point before."""
        last, attitude = self._last, solved.plate.attitude.matrix
        self._last = (solved.number, attitude, solved.pointing)
        if last is None:
            return
        number, before, pointing = last
        turned = fold_pi(solved.pointing.hour_angle - pointing.hour_angle) / DEG
        same = abs(solved.pointing.declination - pointing.declination) < SAME_DECLINATION
        if same:
            rotation = rotation_vector(attitude @ before.T)
            size = float(np.linalg.norm(rotation)) / DEG
            seen = self.west * math.copysign(size, float(rotation @ self.pole))
            off = abs(fold_pi((seen - turned) * DEG))
            if off > self.turn_tolerance:
                raise WentElsewhere(
                    f"from point {number} to {solved.number} the mount says it turned "
                    f"{turned:+.2f} degrees of hour angle, the stars say {seen:+.2f}",
                    off / DEG,
                    self.turn_tolerance / DEG,
                )
        miss = solved.predicted_miss
        if miss is not None and miss / DEG > SOLVED_TOLERANCE_DEG:
            raise WentElsewhere(
                f"point {solved.number} was solved away from where point {number} makes expect it",
                miss / DEG,
                SOLVED_TOLERANCE_DEG,
            )
