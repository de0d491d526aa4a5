"""What the simulated mount was told and what it did in truth, for whoever checks a whole night.

The mount writes down what it is told (`MountModel.told`); its axes can be read at any past time,
and ahead as far as they have been commanded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from polewright.foundation.angles import DEG, SIDEREAL_RATE
from polewright_sim.mount.mount_model import MountModel

#: Spacing of looks at the past, s: at 10 degrees a second a slew passes 1 degree in it.
LOOK_S = 0.1
#: So near the pole an hour angle says nothing, rad.
NEAR_POLE = 3.0 * DEG
#: So near the meridian a pointing counts for neither side, rad of hour angle.
ON_MERIDIAN = 0.3 * DEG


@dataclass(frozen=True)
class Slewed:
    """One motion faster than tracking, by where the axes stood in truth."""

    start_s: float
    end_s: float
    hour_angles: tuple[float, ...]
    """About the mount's own axis, rad, every `LOOK_S`; left out within `NEAR_POLE` of its pole.

    Not about the true pole: near it the hour angle there tells more of the axis error than of how
    far the mount has turned.
    """

    @property
    def crosses_meridian(self) -> bool:
        """Whether the mount pointed to both sides of the meridian meanwhile."""
        across = math.sin(ON_MERIDIAN)
        sines = np.sin(np.array(self.hour_angles or (0.0,)))
        return bool(sines.min() < -across and sines.max() > across)


def slews(mount: MountModel, since_s: float, until_s: float) -> list[Slewed]:
    """Return every motion faster than tracking between two times (Unix s), and whole ones only."""
    out: list[Slewed] = []
    begun_s: float | None = None
    hour_angles: list[float] = []
    for time_s in np.arange(since_s, until_s + LOOK_S, LOOK_S):
        if mount.still_moving(float(time_s)):
            begun_s = float(time_s) if begun_s is None else begun_s
            hour_angle, declination = mount.true_hour_angle_dec(float(time_s))
            if abs(declination) < 0.5 * math.pi - NEAR_POLE:
                hour_angles.append(hour_angle)
        elif begun_s is not None:
            out.append(Slewed(begun_s, float(time_s), tuple(hour_angles)))
            begun_s, hour_angles = None, []
    return out


def commanded_across(mount: MountModel) -> list[float]:
    """Return when (Unix s) the mount was told to go from one side of the meridian to the other.

    By the hour angles that it believes in; not from or to the pole.
    """
    out = []
    for told in mount.told:
        if told.goal is None:
            continue
        begin = mount.hour_angle_dec(told.utc_s)
        far = all(abs(dec) < 0.5 * math.pi - NEAR_POLE for _, dec in (begin, told.goal))
        sines = [math.sin(hour_angle) for hour_angle, _ in (begin, told.goal)]
        if far and min(sines) < -math.sin(ON_MERIDIAN) and max(sines) > math.sin(ON_MERIDIAN):
            out.append(told.utc_s)
    return out


def moves_again(mount: MountModel, stopped_s: float, until_s: float) -> float | None:
    """Return when (Unix s) an axis moves after it was said to stand, tracking included.

    None while none does, up to ``until_s`` or to what the mount is told next.
    """
    next_s = min((told.utc_s for told in mount.told if told.utc_s > stopped_s), default=until_s)
    for time_s in np.arange(stopped_s, min(until_s, next_s - LOOK_S), LOOK_S):
        if max(map(abs, mount.axis_rates(float(time_s)))) > 0.2 * SIDEREAL_RATE:
            return float(time_s)
    return None
