"""How far RA should have turned by itself, so that a slip stands out."""

from __future__ import annotations

from polewright.calculation.adjusting.observation import NoReading, Observation
from polewright.foundation.angles import SIDEREAL_RATE, fold_pi


class ExpectedTurn:
    """Adds up the turn about the axis (rad, right-handed) that tracking explains.

    Between two frames the mount's own hour angle tells, where reported at both; else its tracking
    state, where it is the same at both; else the interval is a gap and nothing is known across it.
    Following the sky is a left-handed turn about the northern pole and a right-handed one about
    the southern. Refraction changes the rate by under an arcsec a minute above 20 deg: left out.
    """

    def __init__(self, first: Observation, *, southern: bool) -> None:
        self._sign = 1.0 if southern else -1.0
        self._last: Observation | NoReading = first
        self.turn = 0.0
        self.gaps = 0
        """Intervals of which nothing is known, so far."""

    def add(self, observation: Observation | NoReading) -> None:
        """Take the interval from the frame before to this one into account."""
        last, self._last = self._last, observation
        if observation.mount_hour_angle is not None and last.mount_hour_angle is not None:
            moved = fold_pi(observation.mount_hour_angle - last.mount_hour_angle)
        elif observation.tracking is None or observation.tracking is not last.tracking:
            self.gaps += 1
            return
        else:
            moved = SIDEREAL_RATE * (observation.utc_s - last.utc_s) * observation.tracking
        self.turn += self._sign * moved
