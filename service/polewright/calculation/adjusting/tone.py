"""The reading by ear: a tone that tells the distance, and a few spoken words.

Both follow the adjuster in hand, while it is turned too. The nearer its mark, the higher and the
faster the beats; one steady high tone means on the mark; past it the tone is low and rough. Pitch
and rate say the same thing, so one that is tone-deaf or hard of hearing for a band still hears it.
The words say what to do next, never what was done wrong: whoever hears a direction may turn that
way. The figures are own choice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from polewright.calculation.adjusting.advice import Advice
from polewright.calculation.adjusting.axis_at_rest import State
from polewright.calculation.adjusting.instructions import Action
from polewright.foundation.angle_text import angle_parts
from polewright.foundation.language import say

#: On the mark, and 2^`SPAN_DOUBLINGS` times as far away.
NEAR_HZ, FAR_HZ = 880.0, 220.0
NEAR_BEAT_S, FAR_BEAT_S = 0.15, 1.2
SPAN_DOUBLINGS = 7.0
#: Past the mark: an octave below the lowest other tone, as fast as the fastest.
PAST_HZ, PAST_BEAT_S = 110.0, 0.15


@dataclass(frozen=True)
class Tone:
    """What to sound."""

    frequency_hz: float
    beat_period_s: float | None
    """From one beat to the next; None for a steady tone."""


def tone_for(left: float, zone: float, *, passed: bool = False) -> Tone:
    """Return the tone for the way left of the adjuster in hand.

    Logarithmic in the way: every halving raises the pitch by the same step, here 2/7 octave.

    Args:
        left: what is still to turn, or to turn back where it has ``passed`` its mark; rad.
        zone: below this it is on the mark; rad.
        passed: whether it has gone past the mark.

    Raises:
        ValueError: a negative or non-finite way, or a zone that is not positive.
    """
    if not (math.isfinite(left) and left >= 0.0 and zone > 0.0):
        raise ValueError(f"no tone for a way of {left} rad and a zone of {zone} rad")
    if left <= zone:
        return Tone(NEAR_HZ, None)
    if passed:
        return Tone(PAST_HZ, PAST_BEAT_S)
    far = min(1.0, math.log2(left / zone) / SPAN_DOUBLINGS)
    return Tone(
        NEAR_HZ * (FAR_HZ / NEAR_HZ) ** far, NEAR_BEAT_S * (FAR_BEAT_S / NEAR_BEAT_S) ** far
    )


_WAYS = {
    Action.RAISE: say("up"),
    Action.LOWER: say("down"),
    Action.EAST: say("east"),
    Action.WEST: say("west"),
}
_SAID = {
    Action.WAIT: say("wait"),
    Action.STOP_AND_SWEEP: say("let go, then press new sweep"),
    Action.SNUG_AND_RECHECK: say("tighten gently, then press snugged"),
    Action.DONE: say("on the mark: hands off, then press new sweep"),
    Action.CHECK_MOUNT: say("hands off, look at the mount"),
    Action.MOVE_BASE: say("let go, no travel left"),
}


def spoken(advice: Advice, state: State = State.SETTLED) -> str:
    """Return what to do in a few words: "up, 4.2 arcmin", "let go", "wait".

    A direction is named only where it is the one to turn to now.
    """
    if advice.action in _WAYS:
        return say("{said}, {advice}", said=_WAYS[advice.action], advice=_amount(advice))
    if advice.action is Action.WAIT and state is State.MOVING and advice.heading in _WAYS:
        if advice.passed or advice.amount_arcmin <= advice.zone_arcmin:
            return say("let go")
        return say("{said}, {advice}", said=_WAYS[advice.heading], advice=_angle(advice))
    return _SAID[advice.action]


def _amount(advice: Advice) -> str:
    return advice.turns_text or _angle(advice)


def _angle(advice: Advice) -> str:
    number, unit = angle_parts(math.radians(advice.amount_arcmin / 60.0))
    if unit == "arcsec":
        return say("{number} seconds", number=number)
    if unit == "arcmin":
        return say("{number} minutes", number=number)
    return say("{number} degrees", number=number)
