"""What the user's own moves teach about an adjuster: arcmin per turn, backlash, cross-talk."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from polewright.calculation.adjusting.errors import TurnsNotUsable
from polewright.foundation.adjuster_profile import Adjuster, finite_turns
from polewright.foundation.angles import ARCMIN

#: A person tells turns no better than this (own choice: an eighth of a turn over sqrt 12, and 5 %).
TURNS_SIGMA = 0.125 / math.sqrt(12.0)
TURNS_RELATIVE = 0.05
#: Scatter of one sample about the true rate when nothing else is known (own choice).
SINGLE_RELATIVE = 0.25
#: What a figure in the profile is good for (own choice).
TOLD_RELATIVE = 0.1
#: Lost motion thought possible before anything is known, 1 sigma (own choice).
BACKLASH_PRIOR_ARCMIN = 4.0
#: After a move that went too far, so much of the way is advised until one does not (own choice).
EASE_AFTER_OVERSHOOT = 0.75
GROWTH_WHEN_STUCK = 1.5  # own choice
HUBER = 1.345  # 95 % efficiency for normal noise (Huber's function, from memory)
_MAD_TO_SIGMA = 1.4826  # of a normal distribution


@dataclass(frozen=True)
class TurnRate:
    """Arcmin of the base per turn of the adjuster, with its 1-sigma."""

    arcmin_per_turn: float
    sigma: float
    samples: int
    """0: taken from the profile."""


@dataclass(frozen=True)
class _Sample:
    turns: float
    moved: float
    sigma: float
    reversed: bool


@dataclass(frozen=True)
class _Fit:
    rate: float
    rate_sigma: float
    backlash: float
    backlash_sigma: float


class KnobLearner:
    """Learns one adjuster. Moves are signed angles of the base (rad); plus raises or goes east."""

    def __init__(self, adjuster: Adjuster) -> None:
        self._adjuster = adjuster
        self._samples: list[_Sample] = []
        self._cross: list[tuple[float, float]] = []
        self._open = 0.0
        self._open_variance = 0.0
        self._open_mixed = False
        self._open_first = 0.0
        self._open_turns = 0.0
        self._missed = 0
        self._last_direction = 0.0
        self._noted_direction = 0.0
        self.ease = 1.0
        """Share of the way that is advised, below 1 after an overshoot."""
        self.position = 0.0
        """Where the adjuster stands (rad of the base) from where it stood at the start."""

    def moved(
        self,
        amount: float,
        sigma: float,
        other: float,
        other_sigma: float,
        *,
        tightening: bool = False,
    ) -> None:
        """A settled move of this adjuster by ``amount``, which moved the other axis as well.

        ``tightening`` moves the axis too, but the screw bears on the same side as before.
        """
        direction = math.copysign(1.0, amount)
        if self._open_first == 0.0:
            self._open_first = direction
        elif direction != self._open_first:
            self._open_mixed = True
        self._open += amount
        self._open_variance += sigma**2
        if not tightening:
            self._last_direction = direction
        self.position += amount
        if abs(amount) > 5.0 * math.hypot(sigma, other_sigma):
            self._cross.append((other / amount, other_sigma / abs(amount)))

    def note_turns(self, turns: float) -> None:
        """The user turned so far (plus raises or goes east) since the last time it was told."""
        if not finite_turns(turns):
            raise TurnsNotUsable(turns)
        if (
            self._open_turns * turns < 0.0
        ):  # turned back before it bit: what slack is left, who knows
            self._open_turns = 0.0
            self._open_mixed = True
        self._open_turns += turns
        amount, told = self._open, self._open_turns
        noise = math.sqrt(self._open_variance)
        if abs(amount) <= 3.0 * noise:
            self._missed += 1
            return  # nothing bit yet: wait for more turns, they belong together
        direction = math.copysign(1.0, told)
        if amount * told > 0.0 and not self._open_mixed:
            reverses = self._noted_direction == -direction
            self._samples.append(_Sample(abs(told), abs(amount), noise, reverses))
        self._noted_direction = direction
        self._open = self._open_variance = self._open_first = self._open_turns = 0.0
        self._open_mixed = False
        self._missed = 0

    @property
    def last_direction(self) -> float:
        """+1, -1, or 0 before the first move."""
        return self._last_direction

    @property
    def rate(self) -> TurnRate | None:
        """The profile's figure, else what was learned (see `_fit`), else None."""
        if self._adjuster.arcmin_per_turn is not None:
            told = self._adjuster.arcmin_per_turn
            return TurnRate(told, TOLD_RELATIVE * told, 0)
        if not self._samples:
            return None
        fit = self._fit()
        return TurnRate(fit.rate, fit.rate_sigma, len(self._samples))

    @property
    def backlash(self) -> tuple[float, float] | None:
        """Lost motion (rad of the base) after a reversal and its 1-sigma, told or learned."""
        told = self._adjuster.backlash_arcmin
        if told is not None:
            return told * ARCMIN, TOLD_RELATIVE * told * ARCMIN
        if not any(s.reversed for s in self._samples) or all(s.reversed for s in self._samples):
            return None
        fit = self._fit()
        return fit.backlash * ARCMIN, fit.backlash_sigma * ARCMIN

    def _fit(self) -> _Fit:
        """Fit ``moved = rate * turns - backlash * reversed`` to the told turns, robustly.

        Least squares with Huber weights (reweighted ten times); the noise of a sample is that of
        the readings and of the telling of turns. ``backlash`` has a prior of 0 +- 4 arcmin and
        ``rate``, where the profile knows it, one of 10 %.
        """
        turns = np.array([s.turns for s in self._samples])
        moved = np.array([s.moved for s in self._samples]) / ARCMIN
        noise = np.array([s.sigma for s in self._samples]) / ARCMIN
        design = np.column_stack([turns, [-1.0 if s.reversed else 0.0 for s in self._samples]])
        told_rate, told_backlash = self._adjuster.arcmin_per_turn, self._adjuster.backlash_arcmin
        prior = np.zeros((2, 2))
        target = np.zeros(2)
        if told_rate is not None:
            prior[0, 0] = (TOLD_RELATIVE * told_rate) ** -2.0
            target[0] = told_rate
        target[1] = told_backlash if told_backlash is not None else 0.0
        prior[1, 1] = (
            BACKLASH_PRIOR_ARCMIN if told_backlash is None else TOLD_RELATIVE * told_backlash + 0.1
        ) ** -2.0

        rate = float(np.median(moved / turns))
        robust = np.ones_like(moved)
        for _ in range(10):
            telling = rate * np.hypot(TURNS_SIGMA, TURNS_RELATIVE * turns)
            weight = robust / (noise**2 + telling**2)
            normal = design.T @ (weight[:, None] * design) + prior
            found = np.linalg.solve(normal, design.T @ (weight * moved) + prior @ target)
            if found[1] < 0.0:  # lost motion cannot be gained
                found = np.array([(design[:, 0] * weight) @ moved + prior[0] @ target, 0.0])
                found[0] /= normal[0, 0]
            rate = float(max(found[0], 1e-3))
            misfit = np.abs(moved - design @ found) / np.hypot(noise, telling)
            robust = HUBER / np.maximum(misfit, HUBER)
        covariance = np.linalg.inv(normal)
        spare = max(1, len(moved) - 1)
        inflate = max(1.0, math.sqrt(float(robust @ misfit**2) / spare))
        least = SINGLE_RELATIVE * rate if len(moved) == 1 else 0.0
        return _Fit(
            rate=rate,
            rate_sigma=max(least, inflate * math.sqrt(float(covariance[0, 0]))),
            backlash=float(max(0.0, found[1])),
            backlash_sigma=math.sqrt(float(covariance[1, 1])),
        )

    def turns_for(self, amount: float) -> float | None:
        """Turns (positive) that move the base by the signed ``amount`` (rad), backlash included."""
        rate = self.rate
        if rate is None:
            return None
        reverses = self._last_direction * amount < 0.0
        lost = 0.0
        if reverses and self.backlash is not None:
            size, sigma = self.backlash
            taken = max(0.0, self._open_turns * math.copysign(1.0, amount))
            taken *= rate.arcmin_per_turn * ARCMIN
            lost = max(0.0, size - sigma - taken)  # rather stop short than shoot over
            # Turns that moved nothing: a little further each time, up to what it may be.
            further = abs(amount) * (GROWTH_WHEN_STUCK**self._missed - 1.0)
            lost = max(lost, min(further, size + sigma))
        return (self.ease * abs(amount) + lost) / (rate.arcmin_per_turn * ARCMIN)

    @property
    def cross_talk(self) -> tuple[float, float] | None:
        """Sky angle by which the other component moves per base angle of this, and its spread.

        Median over the moves; needs two of them.
        """
        if len(self._cross) < 2:
            return None
        ratios = np.array([ratio for ratio, _ in self._cross])
        middle = float(np.median(ratios))
        scatter = _MAD_TO_SIGMA * float(np.median(np.abs(ratios - middle)))
        noise = float(np.median([sigma for _, sigma in self._cross]))
        return middle, max(scatter, noise)

    def travel_left(self, plus: bool) -> float | None:
        """How far (rad of the base) the adjuster can still go that way; None when unknown."""
        limit = self._adjuster.travel_plus_arcmin if plus else self._adjuster.travel_minus_arcmin
        if limit is None:
            return None
        return max(0.0, limit * ARCMIN - (self.position if plus else -self.position))
