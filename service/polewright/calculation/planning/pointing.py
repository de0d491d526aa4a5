"""Where a mount points by its own word: hour angle, declination, and side of the meridian."""

from __future__ import annotations

import math
from dataclasses import replace

from polewright.calculation.planning.request import Pointing
from polewright.calculation.planning.slew_paths import PAST_MERIDIAN
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.mount_coordinates import hour_angle_dec_from_mount
from polewright.foundation.angles import DEG


def pointing_from_mount(
    frame: ObservedFrame, system: int, right_ascension_hours: float, declination_deg: float
) -> Pointing:
    """Hour angle and declination (of date, about the nominal pole) of a mount's coordinates."""
    told = hour_angle_dec_from_mount(frame, system, right_ascension_hours, declination_deg)
    return Pointing(*told)


class Sides:
    """What a mount means by its pointing state, learnt where the hour angle tells it as well.

    The standard calls 0 the state for targets in the west; some drivers count otherwise.
    """

    def __init__(self) -> None:
        self._west: dict[int, bool] = {0: True, 1: False}

    def told(self, pointing: Pointing, state: int | None) -> Pointing:
        """Return a pointing with the side of the meridian that a pointing state stands for."""
        if state not in self._west:
            return pointing
        far = abs(math.sin(pointing.hour_angle)) > math.sin(PAST_MERIDIAN)
        if far and abs(pointing.declination) < 80.0 * DEG:
            west = pointing.hour_angle > 0.0
            self._west = {state: west, 1 - state: not west}
        return replace(pointing, side=1 if self._west[state] else -1)
