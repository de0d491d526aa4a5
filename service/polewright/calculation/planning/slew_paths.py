"""How the mount moves: times of slews, the course of a sweep, the ways to its first point.

During the sweep only the RA axis turns. While the mount tracks at a point its hour angle grows at
the sidereal rate; the next point is a fixed step away from the *arrival* at this one. So the
points are fixed to the mount's own RA axis, whatever the delays.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.planning.errors import LimitsInvalid
from polewright.foundation.angles import DEG, SIDEREAL_RATE, Vector
from polewright.foundation.language import say


@dataclass(frozen=True)
class AxisMotion:
    """An axis that accelerates evenly, runs at a constant rate, and brakes evenly."""

    rate_deg_s: float = 2.0
    acceleration_deg_s2: float = 1.0

    def __post_init__(self) -> None:
        for name, value in (
            (say("slew rate"), self.rate_deg_s),
            (say("slew acceleration"), self.acceleration_deg_s2),
        ):
            if not 0.0 < value < math.inf:
                raise LimitsInvalid(name, value, "positive")

    def seconds(self, angle: float) -> float:
        """How long a turn by ``angle`` (rad, either sign) takes from rest to rest."""
        a = abs(angle) / DEG
        ramp = self.rate_deg_s**2 / self.acceleration_deg_s2
        if a < ramp:  # never reaches the full rate
            return 2.0 * math.sqrt(a / self.acceleration_deg_s2)
        return a / self.rate_deg_s + self.rate_deg_s / self.acceleration_deg_s2

    def progress(self, angle: float, elapsed_s: Vector) -> NDArray[np.float64]:
        """Share (0 to 1) of a turn by ``angle`` (rad) done after so many seconds."""
        total = self.seconds(angle)
        if total == 0.0:
            return np.ones(np.shape(elapsed_s))
        a = abs(angle) / DEG
        t = np.clip(np.asarray(elapsed_s, dtype=np.float64), 0.0, total)
        half = np.minimum(t, total - t)
        ramp_s = min(self.rate_deg_s / self.acceleration_deg_s2, 0.5 * total)
        gone = np.where(
            half < ramp_s,
            0.5 * self.acceleration_deg_s2 * half**2,
            self.acceleration_deg_s2 * ramp_s * (half - 0.5 * ramp_s),
        )
        return np.asarray(np.where(t <= 0.5 * total, gone, a - gone) / a)


@dataclass(frozen=True)
class Timing:
    """How long things take, in seconds."""

    slew: AxisMotion = AxisMotion()
    first_slew_s: float = 60.0
    """Until the first point is reached, where the present pointing is not known."""
    settle_s: float = 3.0
    exposure_s: float = 4.0
    solve_s: float = 5.0
    """Download and solve; the mount waits at the point until the frame is solved."""
    reserve_s: float = 60.0
    """Further time at each point for which the limits must hold too: a second, longer exposure."""

    def __post_init__(self) -> None:
        for name, value in (
            (say("first slew time"), self.first_slew_s),
            (say("settle time"), self.settle_s),
            (say("exposure time"), self.exposure_s),
            (say("solve time"), self.solve_s),
            (say("reserve time"), self.reserve_s),
        ):
            if not 0.0 <= value <= 3600.0:
                raise LimitsInvalid(name, value, say("between 0 and 3600 seconds"))

    @property
    def dwell_s(self) -> float:
        """Expected time at one point."""
        return self.settle_s + self.exposure_s + self.solve_s

    @property
    def drift(self) -> float:
        """Hour angle (rad) gained by tracking at one point, reserve included."""
        return (self.dwell_s + self.reserve_s) * SIDEREAL_RATE

    def sweep_seconds(self, step: float, n_points: int, *, with_reserve: bool = False) -> float:
        """From arrival at the first point to the end of the last solve; ``step`` in rad."""
        dwell = self.dwell_s + (self.reserve_s if with_reserve else 0.0)
        return n_points * dwell + (n_points - 1) * self.slew.seconds(step)


@dataclass(frozen=True, eq=False)
class Course:
    """A sweep sampled densely in time, each stay with and without its reserve.

    Arrays (N,); ``leg`` 2i is the stay at point i, 2i + 1 the slew from point i to i + 1.
    """

    seconds: NDArray[np.float64]
    """After arrival at the first point, at the latest (all reserves used)."""
    earliest: NDArray[np.float64]
    """The same without any reserve used before."""
    hour_angle: NDArray[np.float64]
    leg: NDArray[np.int64]


def sweep_course(
    timing: Timing,
    start_hour_angle: float,
    signed_step: float,
    n_points: int,
    *,
    spacing: float = 0.05 * DEG,
) -> Course:
    """Sample a sweep at most ``spacing`` (rad of hour angle) apart.

    A slew is sampled from the farthest tracking can have carried the mount, and from its arrival
    place, so the samples cover every delay up to the reserve.
    """
    dwell = timing.dwell_s + timing.reserve_s
    slew_s = timing.slew.seconds(signed_step)
    seconds, earliest, angles, legs = [], [], [], []
    for i in range(n_points):
        arrive = start_hour_angle + i * signed_step
        late, early = i * (dwell + slew_s), i * (timing.dwell_s + slew_s)
        m = max(2, math.ceil(timing.drift / spacing) + 1)
        stay = np.linspace(0.0, dwell, m)
        seconds.append(late + stay)
        earliest.append(early + np.minimum(stay, timing.dwell_s))
        angles.append(arrive + stay * SIDEREAL_RATE)
        legs.append(np.full(m, 2 * i))
        if i + 1 == n_points:
            break
        for begin in (arrive, arrive + timing.drift):
            turn = arrive + signed_step - begin
            m = max(2, math.ceil(abs(turn) / spacing) + 1)
            share = np.linspace(0.0, 1.0, m)
            seconds.append(late + dwell + share * slew_s)
            earliest.append(early + timing.dwell_s + share * slew_s)
            angles.append(begin + share * turn)
            legs.append(np.full(m, 2 * i + 1))
    return Course(
        np.concatenate(seconds), np.concatenate(earliest), np.concatenate(angles),
        np.concatenate(legs),
    )  # fmt: skip


#: A counterweight does not stand farther above the horizontal than this, rad: how far mounts
#: track past the meridian (own choice).
PAST_MERIDIAN = 15.0 * DEG
#: Within this of the meridian the hour angle does not tell on which side a mount stands, rad.
ON_MERIDIAN = 1.0 * DEG
#: Within this of the pole the hour angle tells nothing of where the RA axis stands, rad.
AT_POLE = 2.0 * DEG


def meridian_side(hour_angle: float) -> int:
    """Return 1 west of the meridian, -1 east of it, 0 within a degree of it; rad."""
    across = math.sin(hour_angle)
    return 0 if abs(across) < math.sin(ON_MERIDIAN) else (1 if across > 0.0 else -1)


@dataclass(frozen=True)
class Approach:
    """All ways to the first point: a box in two axis angles that every way stays inside."""

    axis_from: tuple[float, float]
    axis_to: tuple[float, float]
    flips: bool
    """Whether the angles are those of a mount that changes sides (see `approaches`)."""
    southern: bool
    likely: bool = True
    """Whether this is how the mount will go, by all that is known; the others could be."""

    def directions(self, spacing: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Hour angle and declination (rad, (N,)) of a grid over the box, edges included.

        Holds any order and any ratio of speeds, as long as neither axis turns back.
        """
        first, second = (
            np.linspace(a, b, max(2, math.ceil(abs(b - a) / spacing) + 1))
            for a, b in zip(self.axis_from, self.axis_to, strict=True)
        )
        grid = np.meshgrid(first, second, indexing="ij")
        return self._pointing(grid[0].ravel(), grid[1].ravel())

    def straight(self, motion: AxisMotion, count: int = 200) -> tuple[Vector, Vector]:
        """Hour angle and declination (rad, (count,)) when both axes start together."""
        turns = [b - a for a, b in zip(self.axis_from, self.axis_to, strict=True)]
        t = np.linspace(0.0, max(motion.seconds(turn) for turn in turns), count)
        axes = [
            a + turn * motion.progress(turn, t)
            for a, turn in zip(self.axis_from, turns, strict=True)
        ]
        return self._pointing(axes[0], axes[1])

    def seconds(self, motion: AxisMotion) -> float:
        """Time when both axes move together."""
        return max(motion.seconds(b - a) for a, b in zip(self.axis_from, self.axis_to, strict=True))

    def _pointing(self, first: Vector, second: Vector) -> tuple[Vector, Vector]:
        sign = -1.0 if self.southern else 1.0
        if not self.flips:
            return first, second
        hour_angle = np.where(second >= 0.0, first + 0.5 * math.pi, first - 0.5 * math.pi)
        return hour_angle, sign * (0.5 * math.pi - np.abs(second))


def approaches(
    start: tuple[float, float],
    goal: tuple[float, float],
    *,
    southern: bool,
    may_flip: bool,
    side: int = 0,
) -> tuple[Approach, ...]:
    """Return the ways a mount may take between two (hour angle, declination) pairs, rad.

    Which way a mount goes is not told beforehand, so all are listed: straight, without a change
    of sides; and for a mount that has sides, over the pole, with the counterweight low. For the
    latter the axis angles are (hour angle from counterweight-down, signed distance from the
    pole): west of the meridian (H - 90 deg, +p), east of it (H + 90 deg, -p).

    ``side``: 1 where the mount says that it stands as for targets west of the meridian, -1 as
    for those east of it, 0 where it does not say. The likely way begins on that side; unsaid, on
    the side of the hour angle, and on the meridian where least has to be turned. At the pole it
    may also begin with the counterweight down: a mount at its home position reports any hour
    angle.
    """
    turn = (goal[0] - start[0] + math.pi) % (2.0 * math.pi) - math.pi
    straight = Approach(
        (start[0], start[1]), (start[0] + turn, goal[1]), False, southern, not may_flip
    )
    if not may_flip:
        return (straight,)
    sign = -1.0 if southern else 1.0

    def axes(hour_angle: float, declination: float, west: bool) -> tuple[float, float]:
        h = (hour_angle + math.pi) % (2.0 * math.pi) - math.pi
        p = 0.5 * math.pi - sign * declination
        first = h - 0.5 * math.pi if west else h + 0.5 * math.pi
        return (first + math.pi) % (2.0 * math.pi) - math.pi, p if west else -p

    end = axes(goal[0], goal[1], math.sin(goal[0]) >= 0.0)
    begins = {west: axes(start[0], start[1], west) for west in (True, False)}
    likely = _likely_side(start[0], side, begins, end)
    ways = [straight]
    for west, begin in begins.items():
        # A start near the meridian may be on either side; far from it only on its own.
        natural = math.sin(start[0]) >= 0.0
        near = abs(math.sin(start[0])) < math.sin(PAST_MERIDIAN) or abs(start[1]) > 80.0 * DEG
        if west in (natural, likely) or near:
            ways.append(Approach(begin, end, True, southern, west == likely))
    if abs(begins[likely][1]) < AT_POLE:
        home = (0.0, math.copysign(begins[likely][1], end[1]))
        ways.append(Approach(home, end, True, southern))
    return tuple(ways)


def _likely_side(
    hour_angle: float,
    told: int,
    begins: Mapping[bool, tuple[float, float]],
    end: tuple[float, float],
) -> bool:
    """Return whether the mount stands as for targets in the west, by what is known."""
    # Words that would put the counterweight up count differently, or are about nothing.
    can = [west for west in begins if abs(begins[west][0]) <= 0.5 * math.pi + PAST_MERIDIAN]
    if told and (told > 0) in can:
        return told > 0
    if len(can) == 1:
        return can[0]
    side = meridian_side(hour_angle)
    if side:
        return side > 0
    return min(begins, key=lambda west: abs(end[0] - begins[west][0]))
