"""Motors on the toy mount of tests/adjusting/hand.py: either sign, gain off, lost motion."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from adjusting.hand import Hand, ToyKnob, random_hand

from polewright.calculation.adjusting.closed_loop import ClosedLoop
from polewright.calculation.adjusting.engine import AdjustmentEngine, Settings
from polewright.calculation.adjusting.instructions import Action
from polewright.calculation.adjusting.motor import MotorLimits
from polewright.foundation.adjuster_profile import AdjusterProfile, Axis
from polewright.foundation.angles import ARCMIN

LIMITS = MotorLimits(3.0 * ARCMIN, 40.0 * ARCMIN, 480.0 * ARCMIN)
#: What is said to whoever turns an adjuster by hand.
HANDS = re.compile(
    r"\b(let go|hands?|snug|tighten|loosen|press|touched|slowly|turn (on|less|the other way))\b",
    re.IGNORECASE,
)
#: Sweep between two passes and motor at work, simulated.
MOTOR_ARCMIN_PER_S = 1.0
SWEEP_S = 180.0


@dataclass
class MotorRig:
    hand: Hand
    factor: dict[Axis, float] = field(default_factory=dict)
    """What the base does for one arcmin asked: wrong sign, wrong gain."""
    turned: list[tuple[Axis, float]] = field(default_factory=list)
    said: set[str] = field(default_factory=set)
    """Every sentence of the way."""

    def turn(self, axis: Axis, asked: float) -> None:
        hand = self.hand
        knob = hand.altitude if axis is Axis.ALTITUDE else hand.azimuth
        turns = asked * self.factor[axis] / ARCMIN / knob.arcmin_per_turn
        hand.push(axis, knob.turned(turns, hand.mount.rng))
        hand.mount.wait(abs(asked) / ARCMIN / MOTOR_ARCMIN_PER_S)
        self.turned.append((axis, asked))


def random_motor_rig(rng: np.random.Generator) -> MotorRig:
    hand = random_hand(rng, error_deg=float(rng.uniform(0.1, 2.0)))
    hand.altitude = ToyKnob(60.0, float(rng.uniform(0.0, 6.0)) * ARCMIN)
    hand.azimuth = ToyKnob(60.0, float(rng.uniform(0.0, 10.0)) * ARCMIN)
    hand.profile = AdjusterProfile(heavy_load=True)
    hand.settings = Settings(tolerance_arcmin=0.4, by_motor=True)
    factor = {axis: float(rng.choice([-1.0, 1.0]) * 2.0 ** rng.uniform(-1.0, 1.0)) for axis in Axis}
    return MotorRig(hand, factor)


def align(rig: MotorRig, most_moves: int = 60) -> ClosedLoop:
    """Run the loop to DONE; sweeps as the advice asks for them."""
    loop = ClosedLoop(dict.fromkeys(Axis, LIMITS), rig.turn, most_moves)

    def swept(before: AdjustmentEngine | None) -> AdjustmentEngine:
        rig.hand.mount.wait(SWEEP_S)
        loop.begin_pass()
        return rig.hand.sweep(before)

    engine = swept(None)
    for _ in range(1000):
        reading = rig.hand.feed(engine)
        rig.said |= {reading.advice.sentence, reading.advice.brief, *reading.advice.cautions}
        rig.said |= {notice.sentence for notice in reading.notices}
        loop.act(reading)
        action = reading.advice.action
        if reading.settled and action is Action.STOP_AND_SWEEP:
            assert rig.hand.sweeps < 10, "sweeps without end"
            engine = swept(engine)
        elif reading.settled and action is Action.DONE:
            return loop
    raise AssertionError("a thousand frames and not done")
