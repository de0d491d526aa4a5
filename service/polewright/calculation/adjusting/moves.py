"""A finished move: which adjuster it was, what it teaches, and what was odd about it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from polewright.calculation.adjusting import instructions as phrases
from polewright.calculation.adjusting.advice import FINISH_SHARE, Advice, Advisor
from polewright.calculation.adjusting.instructions import Action
from polewright.calculation.adjusting.knobs import EASE_AFTER_OVERSHOOT, KnobLearner
from polewright.calculation.adjusting.notices import Notice, NoticeKind
from polewright.calculation.geometry.axis_error import AxisError
from polewright.foundation.adjuster_profile import AdjusterProfile, Axis
from polewright.foundation.angles import ARCMIN, DEG, Matrix, Vector

#: A change of the other component below this is not reported (own choice).
OTHER_LEAST = 2.0 * ARCMIN
#: Share of the move that the other component may follow by, besides what tilt and habit explain.
OTHER_SHARE = 0.05
#: A move past the mark by this share of the intended way is an overshoot (own choice).
OVERSHOOT_SHARE = 0.25
#: Noise of a move that is allowed for, in sigmas.
SIGMAS = 4.0
#: How far from level a base may stand (own choice: a bubble shows a third of it), rad.
BASE_TILT = 3.0 * DEG
#: After these nothing is to be turned.
STOPPED = (Action.DONE, Action.STOP_AND_SWEEP)


@dataclass(frozen=True)
class Move:
    """From one settled reading to another. Radians; noise of the two live readings only."""

    before: AxisError
    after: AxisError
    east: float
    up: float
    east_base: float
    sigma_east: float
    sigma_up: float

    @classmethod
    def between(cls, before: AxisError, after: AxisError, noise: Matrix, axis: Vector) -> Move:
        """The move with the noise (3, 3) of its difference across ``axis`` (3,)."""
        level = np.array([axis[1], -axis[0], 0.0])
        level /= np.linalg.norm(level)
        rise = np.cross(level, axis)
        return cls(
            before,
            after,
            after.d_az_sky - before.d_az_sky,
            after.d_alt - before.d_alt,
            after.d_az_base - before.d_az_base,
            math.sqrt(float(level @ noise @ level)),
            math.sqrt(float(rise @ noise @ rise)),
        )

    @property
    def length(self) -> float:
        """Way on the sky."""
        return math.hypot(self.east, self.up)

    def along(self, axis: Axis) -> float:
        """Change on the sky of that component."""
        return self.east if axis is Axis.AZIMUTH else self.up

    def sigma(self, axis: Axis) -> float:
        """1-sigma of `along`."""
        return self.sigma_east if axis is Axis.AZIMUTH else self.sigma_up


class MoveJudge:
    """Attributes moves to adjusters."""

    def __init__(
        self,
        profile: AdjusterProfile,
        knobs: Mapping[Axis, KnobLearner],
        advisor: Advisor,
    ) -> None:
        self._profile, self._knobs, self._advisor = profile, knobs, advisor

    def judge(self, move: Move) -> list[Notice]:
        """Teach the adjusters and the advisor; return what was odd."""
        told = self._advisor.last
        if told is not None and told.action in STOPPED and move.length > OTHER_LEAST:
            self._advisor.moves += 1
            self._advisor.sweep_wanted = self._advisor.sweep_wanted or phrases.unexpected_sweep()
            sentence = self._advisor.words.moved_unasked(move.length, move.before.total)
            return [Notice(NoticeKind.MOVED_UNASKED, sentence, move.length)]
        azimuth = abs(move.east) >= abs(move.up)
        axis = Axis.AZIMUTH if azimuth else Axis.ALTITUDE
        other = Axis.ALTITUDE if azimuth else Axis.AZIMUTH
        notices = []
        excess = self._unasked(move, axis, other)
        if excess and told is not None and told.action is not Action.SNUG_AND_RECHECK:
            notices.append(
                Notice(
                    NoticeKind.OTHER_AXIS_MOVED,
                    self._advisor.words.other_axis_moved(axis, other, excess, move.before.total),
                    excess,
                )
            )
            self._advisor.sweep_wanted = self._advisor.sweep_wanted or phrases.unexpected_sweep()
        base = move.east_base if azimuth else move.up
        to_base = abs(base / move.along(axis))
        self._knobs[axis].moved(
            base,
            move.sigma(axis) * to_base,
            move.along(other),
            move.sigma(other),
            tightening=told is not None and told.action is Action.SNUG_AND_RECHECK,
        )
        if told is not None and told.heading is not None and told.axis is axis:
            odd = self._against_advice(move, told)
            over = any(n.kind is NoticeKind.OVERSHOT for n in odd)
            self._knobs[axis].ease = EASE_AFTER_OVERSHOOT if over else 1.0
            notices += odd
        if told is not None and told.action is Action.SNUG_AND_RECHECK:
            self._advisor.snugged = True
        self._advisor.moves += 1
        return notices

    def _unasked(self, move: Move, axis: Axis, other: Axis) -> float:
        """Change (rad) of the other component beyond what this move explains; 0 when explained."""
        main, side = move.along(axis), move.along(other)
        base = abs(move.east_base if axis is Axis.AZIMUTH else move.up)
        habit = self._knobs[axis].cross_talk
        expected = 0.0
        allowed = OTHER_LEAST + SIGMAS * move.sigma(other)
        allowed += (BASE_TILT + OTHER_SHARE) * base
        if habit is not None:
            expected = habit[0] * math.copysign(base, main)
            allowed += 3.0 * habit[1] * base
        return abs(side) if abs(side - expected) > allowed else 0.0

    def _against_advice(self, move: Move, told: Advice) -> list[Notice]:
        """Overshoot and the wrong way, seen from what was asked."""
        if told.axis is None or told.heading is None:
            return []
        axis = told.axis
        aim = self._advisor.aim_of(told) if axis is Axis.ALTITUDE else 0.0
        start = (move.before.d_az_sky if axis is Axis.AZIMUTH else move.before.d_alt) - aim
        end = (move.after.d_az_sky if axis is Axis.AZIMUTH else move.after.d_alt) - aim
        asked = 1.0 if told.heading in (Action.RAISE, Action.EAST) else -1.0
        noise = SIGMAS * move.sigma(axis)
        least = max(noise, FINISH_SHARE * self._advisor.goal)
        if asked * move.along(axis) < -least:
            amount = abs(move.along(axis))
            return [
                Notice(
                    NoticeKind.WRONG_WAY,
                    self._advisor.words.wrong_way(told.heading, amount),
                    amount,
                )
            ]
        if start * end < 0.0 and abs(end) > max(least, OVERSHOOT_SHARE * abs(start)):
            return [Notice(NoticeKind.OVERSHOT, self._advisor.words.overshot(abs(end)), abs(end))]
        return []
