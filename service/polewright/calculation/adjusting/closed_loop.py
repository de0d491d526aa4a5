"""Turns readings into turns of motorised adjusters, until nothing is left to turn or explain."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import hypot

from polewright.calculation.adjusting.axis_at_rest import State
from polewright.calculation.adjusting.engine import Reading
from polewright.calculation.adjusting.errors import LeftOverRotation, MovesUsedUp, TravelAtEnd
from polewright.calculation.adjusting.instructions import Action
from polewright.calculation.adjusting.motor import MotorLimits, MotorModel
from polewright.calculation.geometry.axis_error import AxisError
from polewright.foundation.adjuster_profile import Axis
from polewright.foundation.angles import ARCMIN
from polewright.foundation.language import joined

PLUS = (Action.RAISE, Action.EAST)
TURNS = (Action.RAISE, Action.LOWER, Action.EAST, Action.WEST)


@dataclass(frozen=True)
class Turned:
    """One turn that was asked of an adjuster. Rad."""

    axis: Axis
    asked: float
    """Of the adjuster, in its own angle."""
    wanted: float
    """Turn of the base that was wanted in all; plus raises or goes east."""


@dataclass(frozen=True)
class _Pending:
    axis: Axis
    asked: float
    before: AxisError


class ClosedLoop:
    """Follows the engine's advice with motors. Shown every reading, in order.

    Args:
        limits: of each adjuster.
        turn: turns an adjuster by an angle (rad, as the adjuster counts) and returns at rest.
        most_moves: turns after which it gives up.
    """

    def __init__(
        self,
        limits: Mapping[Axis, MotorLimits],
        turn: Callable[[Axis, float], None],
        most_moves: int,
    ) -> None:
        self.motors = {axis: MotorModel(axis.value, limits[axis]) for axis in Axis}
        self.moves = 0
        self._turn, self._most = turn, most_moves
        self._pending: _Pending | None = None

    def begin_pass(self) -> None:
        """Forget the last turn: a new sweep gave a new reference, so its effect is not known."""
        self._pending = None

    def act(self, reading: Reading) -> Turned | None:
        """Take a reading in; turn an adjuster when the advice asks for it.

        Raises:
            LeftOverRotation: something turned that this does not explain.
            MotorNotUnderstood: the adjuster does not answer as one.
            TravelAtEnd: it would leave its travel.
            MovesUsedUp: it has turned as often as it may.
        """
        advice = reading.advice
        if reading.state is State.BUMPED or advice.action is Action.CHECK_MOUNT:
            told = [notice.sentence for notice in reading.notices] or [advice.sentence]
            raise LeftOverRotation(joined(" ", told))
        if not reading.settled:
            return None
        self._learn(reading)
        if advice.action is Action.MOVE_BASE and advice.axis is not None:
            raise TravelAtEnd(advice.axis.value, advice.amount_base_arcmin, 0.0)
        if advice.action not in TURNS or advice.axis is None:
            return None
        if self.moves >= self._most:
            raise MovesUsedUp(self.moves, reading.error.total / ARCMIN)
        sign = 1.0 if advice.action in PLUS else -1.0
        wanted = sign * advice.amount_base_arcmin * ARCMIN
        asked = self.motors[advice.axis].ask_for(wanted)
        self.moves += 1
        self._pending = _Pending(advice.axis, asked, reading.error)
        self._turn(advice.axis, asked)
        return Turned(advice.axis, asked, wanted)

    def _learn(self, reading: Reading) -> None:
        pending, self._pending = self._pending, None
        if pending is None:
            return
        error, before = reading.error, pending.before
        if pending.axis is Axis.ALTITUDE:
            moved, sigma = error.d_alt - before.d_alt, error.sigma_alt
        else:
            moved = error.d_az_base - before.d_az_base
            sigma = error.sigma_az_sky / max(0.05, hypot(reading.axis[0], reading.axis[1]))
        self.motors[pending.axis].turned(pending.asked, moved, sigma)
