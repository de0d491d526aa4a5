"""The reading for ears: a tone that tells the distance, and a few spoken words.

The nearer, the higher and the faster the beats; one steady high tone means on the mark. Pitch and
rate say the same thing, so one that is tone-deaf or hard of hearing for a band still hears it.
The figures are own choice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from polewright.calculation.adjusting.advice import Advice
from polewright.calculation.adjusting.instructions import Action
from polewright.foundation.angle_text import angle_parts
from polewright.foundation.language import say

#: On the mark, and 2^SPAN times as far away.
NEAR_HZ, FAR_HZ = 880.0, 220.0
NEAR_BEAT_S, FAR_BEAT_S = 0.15, 1.2
SPAN_DOUBLINGS = 7.0


@dataclass(frozen=True)
class Tone:
    """What to sound."""

    frequency_hz: float
    beat_period_s: float | None
    """From one beat to the next; None for a steady tone."""


def tone_for(distance: float, goal: float) -> Tone:
    """Return the tone for an angle still to go and the angle that counts as there (both rad).

    Logarithmic in the distance: every halving raises the pitch by the same step, here 2/7 octave.
    Raises ValueError for a negative or non-finite distance or a goal that is not positive.
    """
    if not (math.isfinite(distance) and distance >= 0.0 and goal > 0.0):
        raise ValueError(f"no tone for a distance of {distance} rad and a goal of {goal} rad")
    if distance <= goal:
        return Tone(NEAR_HZ, None)
    far = min(1.0, math.log2(distance / goal) / SPAN_DOUBLINGS)
    return Tone(
        NEAR_HZ * (FAR_HZ / NEAR_HZ) ** far, NEAR_BEAT_S * (FAR_BEAT_S / NEAR_BEAT_S) ** far
    )


_SAID = {
    Action.RAISE: say("up"),
    Action.LOWER: say("down"),
    Action.EAST: say("east"),
    Action.WEST: say("west"),
    Action.WAIT: say("wait"),
    Action.STOP_AND_SWEEP: say("stop, new sweep"),
    Action.SNUG_AND_RECHECK: say("on the mark, snug it"),
    Action.DONE: say("done"),
    Action.CHECK_MOUNT: say("stop, check the mount"),
    Action.MOVE_BASE: say("stop, out of travel"),
}


def spoken(advice: Advice) -> str:
    """Return a few words for an advice: "up, 4.2 arcmin", "wait", "stop, too far"."""
    if advice.action is Action.WAIT:
        if advice.heading is None:
            return say("wait")
        if advice.passed:
            return say("stop, too far, {said}", said=_SAID[advice.heading])
        return (
            say("{said}, {advice}", said=_SAID[advice.heading], advice=_angle(advice))
            if advice.amount_arcmin
            else say("wait")
        )
    if advice.action in (Action.RAISE, Action.LOWER, Action.EAST, Action.WEST):
        return say("{said}, {advice}", said=_SAID[advice.action], advice=_angle(advice))
    return _SAID[advice.action]


def _angle(advice: Advice) -> str:
    number, unit = angle_parts(math.radians(advice.amount_arcmin / 60.0))
    if unit == "arcsec":
        return say("{number} seconds", number=number)
    if unit == "arcmin":
        return say("{number} minutes", number=number)
    return say("{number} degrees", number=number)
