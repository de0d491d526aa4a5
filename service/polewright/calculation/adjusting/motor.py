"""What a motorised adjuster does for what it is told: sign, gain and lost motion, learned safely.

Small steps come first. A step that first bites after lost motion tells the sign only; the next
one in the same direction tells the gain. Steps grow as they turn out as expected, and what does
not turn out as expected twice ends the loop. All thresholds are own choices.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from polewright.calculation.adjusting.errors import MotorNotUnderstood, TravelAtEnd
from polewright.foundation.angles import ARCMIN
from polewright.foundation.language import say

#: A step has moved the base when it moved by so many sigmas, and by this much.
BITES_SIGMAS = 4.0
BITES_LEAST = 0.1 * ARCMIN
#: A step may differ from its expectation by this share, this much, and so many sigmas together.
EXPLAINED_SHARE = 0.35
EXPLAINED_LEAST = 0.3 * ARCMIN
EXPLAINED_SIGMAS = 5.0
#: So many steps that differ by more end the loop.
STRIKES = 2
#: A step may be so many times the largest that turned out as expected.
GROWTH = 4.0
#: While nothing moves, each step is so many times the one before.
PUSH = 1.5
#: Lost motion that is still believed, in first steps.
MOST_LOST_STEPS = 25.0
#: Of the lost motion known, so much is added after a reversal: rather short than over.
LOST_SHARE = 0.9
#: What earlier steps count, beside the newest, for the gain.
GAIN_MEMORY = 0.6


@dataclass(frozen=True)
class MotorLimits:
    """Rad, all positive, as the adjuster counts."""

    first_step: float
    largest_step: float
    travel: float
    """Farthest from where it stood at the start, either way."""


class MotorModel:
    """One adjuster. Asked angles are the adjuster's own; moved ones are turns of the base (rad)."""

    def __init__(self, name: str, limits: MotorLimits) -> None:
        self.name, self.limits = name, limits
        self.gain: float | None = None
        """Turn of the base per angle asked; negative when the sign is reversed."""
        self.backlash: float | None = None
        """Lost motion after a reversal, as asked."""
        self.position = 0.0
        """All that was asked, added up."""
        self._gain_weight = 0.0
        self._direction = 0.0
        self._open = True
        self._taken = 0.0
        self._known_step = limits.first_step
        self._missed = 0
        self._strikes = 0

    def ask_for(self, amount: float) -> float:
        """Return what to ask so that the base turns by ``amount``, or by less of it: a step.

        Raises:
            TravelAtEnd: that would leave the travel allowed.
        """
        asked = self._probe() if self.gain is None else self._towards(amount, self.gain)
        if abs(self.position + asked) > self.limits.travel:
            raise TravelAtEnd(
                self.name, (self.position + asked) / ARCMIN, self.limits.travel / ARCMIN
            )
        return asked

    def _probe(self) -> float:
        size = self.limits.first_step * PUSH**self._missed
        return min(size, self.limits.largest_step) * (self._direction or 1.0)

    def _towards(self, amount: float, gain: float) -> float:
        size, direction = abs(amount / gain), math.copysign(1.0, amount / gain)
        most = min(self.limits.largest_step, GROWTH * self._known_step)
        size = min(size, most)
        reverses = direction != self._direction
        if reverses or self._open:
            taken = 0.0 if reverses else self._taken
            missed = 0 if reverses else self._missed
            known = max(0.0, LOST_SHARE * (self.backlash or 0.0) - taken)
            size = max(size + known, size * PUSH**missed)
        return direction * min(size, self.limits.largest_step)

    def turned(self, asked: float, moved: float, sigma: float) -> None:
        """Learn from a turn that was asked and how far (rad) the base went, with its 1-sigma.

        Raises:
            MotorNotUnderstood: this is not what an adjuster with gain and lost motion does.
        """
        direction = math.copysign(1.0, asked)
        if direction != self._direction:
            self._direction, self._open, self._taken, self._missed = direction, True, 0.0, 0
        self.position += asked
        bites = abs(moved) > max(BITES_SIGMAS * sigma, BITES_LEAST)
        if self.gain is None:
            self._learn_first(asked, moved, bites)
        else:
            self._check(asked, moved, sigma, self.gain)
            if self._open:
                self._learn_backlash(asked, moved, bites, self.gain)
            elif bites:
                self._learn_gain(asked, moved)
        if self._taken > MOST_LOST_STEPS * self.limits.first_step:
            raise MotorNotUnderstood(
                self.name, asked / ARCMIN, moved / ARCMIN, say("nothing moves")
            )

    def _learn_first(self, asked: float, moved: float, bites: bool) -> None:
        if not bites:
            self._missed += 1
            self._taken += abs(asked)
        elif self._open:
            self._open = False  # some of this step may have been lost: the next one tells
        else:
            self.gain = moved / asked
            self._gain_weight = abs(asked)
            self._known_step = abs(asked)
        if bites:
            self._missed, self._taken = 0, 0.0

    def _check(self, asked: float, moved: float, sigma: float, gain: float) -> None:
        """Count what is not explained: too far, the wrong way, or too little without a reason."""
        expected = gain * asked
        slack = EXPLAINED_SHARE * abs(expected) + EXPLAINED_LEAST + EXPLAINED_SIGMAS * sigma
        made = moved * math.copysign(1.0, expected)
        too_far = made > abs(expected) + slack
        too_little = made < (-slack if self._open else abs(expected) - slack)
        if not too_far and not too_little:
            self._strikes = 0
            return
        self._strikes += 1
        why = say("it went too far") if too_far else say("it went too little, or the wrong way")
        if self._strikes >= STRIKES:
            raise MotorNotUnderstood(self.name, asked / ARCMIN, moved / ARCMIN, why)

    def _learn_backlash(self, asked: float, moved: float, bites: bool, gain: float) -> None:
        if not bites:
            self._missed += 1
            self._taken += abs(asked)
            return
        lost = max(0.0, self._taken + abs(asked) - abs(moved / gain))
        self.backlash = lost if self.backlash is None else 0.5 * (self.backlash + lost)
        self._open, self._missed, self._taken = False, 0, 0.0

    def _learn_gain(self, asked: float, moved: float) -> None:
        gain = self.gain if self.gain is not None else moved / asked
        if abs(asked) < 0.5 * self.limits.first_step or moved * asked * gain <= 0.0:
            return
        weight = GAIN_MEMORY * self._gain_weight
        self.gain = (gain * weight + moved / asked * abs(asked)) / (weight + abs(asked))
        self._gain_weight = weight + abs(asked)
        self._known_step = max(self._known_step, abs(asked))
