"""What the stars say of where a slew ended: compared with the mount's word."""

from __future__ import annotations

import math

import numpy as np

from polewright.calculation.geometry.rotation import rotation_vector
from polewright.calculation.planning.request import Pointing
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import DEG, Matrix, fold_pi
from polewright.foundation.language import say
from polewright.observing.rig.guard_interface import Solved, Watching
from polewright.observing.safety.guard_errors import (
    WentElsewhere,
)

#: The turn between two points by the stars may differ from the mount's word by so much, rad: worm,
#: rounding and a mount's own corrections; a slipping clutch makes more (own choice).
TURN_TOLERANCE = 1.0 * DEG
#: Points of one declination: only between these is the turn of the RA axis compared, rad.
SAME_DECLINATION = 0.1 * DEG
#: So far the solved centre may be from where the mount's word, corrected by the point before, puts
#: it, degrees: an axis off by degrees stays below from point to point (own choice).
SOLVED_TOLERANCE_DEG = 4.0


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
                    say(
                        "from point {point} to {next_point} the mount reports a turn of "
                        "{turned:+.2f} degrees of hour angle, the stars {seen:+.2f}",
                        point=number,
                        next_point=solved.number,
                        turned=turned,
                        seen=seen,
                    ),
                    off / DEG,
                    self.turn_tolerance / DEG,
                )
        miss = solved.predicted_miss
        if miss is not None and miss / DEG > SOLVED_TOLERANCE_DEG:
            raise WentElsewhere(
                say(
                    "point {point} was solved away from where point {other_point} puts it",
                    point=solved.number,
                    other_point=number,
                ),
                miss / DEG,
                SOLVED_TOLERANCE_DEG,
            )
