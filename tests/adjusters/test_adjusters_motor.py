"""The closed loop with motors: learns sign, gain and lost motion, and stops at what it cannot
explain."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from adjusters.toy_motors import HANDS, LIMITS, align, random_motor_rig

from polewright.calculation.adjusting.axis_at_rest import State
from polewright.calculation.adjusting.errors import (
    LeftOverRotation,
    MotorNotUnderstood,
    MovesUsedUp,
    TravelAtEnd,
)
from polewright.calculation.adjusting.instructions import BY_HAND, BY_MOTOR, Action, ByHand, Goal
from polewright.calculation.adjusting.motor import MotorLimits, MotorModel
from polewright.foundation.adjuster_profile import AdjusterProfile, Axis, AzimuthAdjuster
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG

GOAL = Goal(Action.EAST, 4.0 * ARCMIN, 6.0 * ARCMIN, 0.0)
PLAIN = {"by_hand", "__module__", "__doc__", "__dict__", "__weakref__"}


@pytest.mark.parametrize("seed", range(6))
def test_random_motors_end_under_30_arcsec(seed: int) -> None:
    """Wrong sign, gain off by up to 2, lost motion: DONE, and the true axis is there."""
    rig = random_motor_rig(np.random.default_rng(seed))
    before = rig.hand.mount.error()

    loop = align(rig)

    assert before > 5.0 * ARCMIN
    assert rig.hand.mount.error() < 30.0 * ARCSEC
    for axis, motor in loop.motors.items():
        if motor.gain is not None:
            assert motor.gain == pytest.approx(rig.factor[axis], rel=0.25), axis
    assert max(abs(asked) for _axis, asked in rig.turned) <= LIMITS.largest_step * 1.0001
    assert len(rig.said) > 5
    assert [said for said in rig.said if HANDS.search(said)] == []


def test_no_sentence_for_motors_asks_for_hands() -> None:
    """Every kind that is said to a person in one way is said of motors in another."""
    profile = AdjusterProfile(heavy_load=True, azimuth=AzimuthAdjuster(opposing_pair=True))
    arguments: dict[str, list[tuple[Any, ...]]] = {
        "doing": [(profile.azimuth,)],
        "turn": [(profile.azimuth, GOAL, 0.5, 0.1)],
        "cautions": [(profile, axis, GOAL) for axis in Axis],
        "brief": [(profile, axis, GOAL) for axis in Axis],
        "wait": [(state, why) for state in State for why in ("", "cloud")],
        "wait_on_the_way": [(state, GOAL) for state in State],
        "other_axis_moved": [(Axis.AZIMUTH, Axis.ALTITUDE, ARCMIN, DEG)],
        "moved_unasked": [(ARCMIN, DEG)],
        "overshot": [(ARCMIN,)],
        "wrong_way": [(Action.EAST, ARCMIN)],
    }
    more: dict[str, dict[str, Any]] = {
        "doing": {"plus": True},
        "cautions": {"first": True, "slack": "Turn on slowly."},
        "brief": {"first": True, "slack": True},
        "wait_on_the_way": {"passed": True},
    }

    def said(words: ByHand, kind: str) -> list[str]:
        found = [getattr(words, kind)(*a, **more.get(kind, {})) for a in arguments[kind]]
        return [s for one in found for s in ((one,) if isinstance(one, str) else one)]

    assert set(arguments) == {name for name in vars(ByHand) if name not in PLAIN}
    for kind in arguments:
        assert said(BY_HAND, kind) != said(BY_MOTOR, kind)
        assert [s for s in said(BY_MOTOR, kind) if HANDS.search(s)] == []
    assert any(HANDS.search(s) for kind in arguments for s in said(BY_HAND, kind))
    for error in (MotorNotUnderstood, TravelAtEnd, LeftOverRotation, MovesUsedUp):
        assert not HANDS.search(error.advice)


def test_the_first_turns_are_small() -> None:
    """Until an adjuster is known no turn exceeds the first step, pushed on only while stuck."""
    rig = random_motor_rig(np.random.default_rng(3))
    rig.hand.altitude.backlash = rig.hand.azimuth.backlash = 0.0

    align(rig)

    for axis in Axis:
        own = [abs(asked) for turned, asked in rig.turned if turned is axis]
        assert own[:2] == pytest.approx([LIMITS.first_step] * 2)
        assert own[2] <= 4.0 * LIMITS.first_step * 1.0001


def test_a_motor_that_does_not_move_the_axis_is_given_up() -> None:
    """A loose coupling: it stops with what it asked and saw, within the lost motion allowed."""
    rig = random_motor_rig(np.random.default_rng(1))
    rig.factor = dict.fromkeys(Axis, 0.0)

    with pytest.raises(MotorNotUnderstood, match="nothing moves"):
        align(rig)

    assert sum(abs(asked) for _axis, asked in rig.turned) < 60 * LIMITS.first_step


def test_a_slip_of_the_declination_clutch_stops_the_loop() -> None:
    """A rotation that the motors do not explain ends it before the next turn."""
    rig = random_motor_rig(np.random.default_rng(2))
    turn = rig.turn

    def slips(axis: Axis, asked: float) -> None:
        turn(axis, asked)
        if len(rig.turned) == 3:
            rig.hand.mount.kick = rig.hand.mount.kick @ _tilted(2.0 * DEG)

    rig.turn = slips  # type: ignore[method-assign]

    with pytest.raises((LeftOverRotation, MotorNotUnderstood)):
        align(rig)
    assert len(rig.turned) <= 4


def _tilted(angle: float) -> np.ndarray:
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.from_rotvec([0.6 * angle, 0.8 * angle, 0.0]).as_matrix())


def test_the_travel_is_kept() -> None:
    """A motor near its end refuses, with how far it would have to go."""
    motor = MotorModel("altitude", MotorLimits(3 * ARCMIN, 40 * ARCMIN, 10 * ARCMIN))
    for _ in range(2):
        motor.turned(motor.ask_for(30 * ARCMIN), 3 * ARCMIN, ARCSEC)

    with pytest.raises(TravelAtEnd) as caught:
        motor.ask_for(30 * ARCMIN)

    assert caught.value.wanted_arcmin > 10.0


def test_moves_run_out() -> None:
    """A loop with few turns allowed says how far the axis still is off."""
    rig = random_motor_rig(np.random.default_rng(4))

    with pytest.raises(MovesUsedUp) as caught:
        align(rig, most_moves=3)

    assert caught.value.moves == 3
    assert caught.value.total_arcmin * ARCMIN == pytest.approx(
        rig.hand.mount.error(), abs=1.0 * ARCMIN
    )


def test_two_turns_that_come_out_wrong_end_it() -> None:
    """A gain that suddenly triples is not followed for a third turn."""
    motor = MotorModel("azimuth", MotorLimits(3 * ARCMIN, 40 * ARCMIN, 600 * ARCMIN))
    for _ in range(2):
        motor.turned(motor.ask_for(30 * ARCMIN), -3 * ARCMIN, ARCSEC)
    assert motor.gain == pytest.approx(-1.0)

    asked = motor.ask_for(-9 * ARCMIN)
    assert asked == pytest.approx(9 * ARCMIN)
    motor.turned(asked, -3.0 * asked, ARCSEC)
    with pytest.raises(MotorNotUnderstood, match="too far"):
        motor.turned(9 * ARCMIN, -40 * ARCMIN, ARCSEC)
