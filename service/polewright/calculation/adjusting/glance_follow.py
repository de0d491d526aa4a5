"""What a row of glances tells: does the axis move, has it come to rest, is a full frame due.

A glance steers the hand and settles nothing: verdicts wait for full frames at rest. So while the
axis moves there are glances alone, as a full frame would be smeared; once it rests, full frames
until one counts; then glances again, with a full frame now and then.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.adjusting.advice import Advice
from polewright.calculation.adjusting.axis_at_rest import CHI2_TWO_99, mahalanobis2
from polewright.calculation.adjusting.base_turn import BaseTurn
from polewright.calculation.geometry.axis_error import AxisError
from polewright.foundation.adjuster_profile import Axis
from polewright.foundation.angles import ARCSEC, Matrix, Vector

#: The axis moves when a glance is so many sigmas squared (chi-square of 2) off, or two in a row by
#: fewer, and by so much (own choices: one in 20,000 by chance, and what no hand notices).
MOVED_CHI2, MOVED_TWICE_CHI2, MOVED_LEAST = 20.0, CHI2_TWO_99, 3.0 * ARCSEC
#: It rests when glances over so long show no motion, so many at least; over longer where their
#: error hides a motion at such a rate (rad/s), up to so long (own choices).
REST_S, REST_GLANCES, REST_RATE, REST_MOST_S = 0.45, 4, 6.0 * ARCSEC, 1.5
#: Where glances scatter by more than their own errors, so many show how much (own choice).
SHAKEN_GLANCES = 8
#: A hand that has not brought its adjuster to the mark pauses for shorter than this, s (own choice:
#: two looks at the plate and a new grip); a full frame that is begun sooner is smeared by it.
PAUSE_S = 2.0
#: Glances in a row without the stars after which the whole frame is looked at.
LOST_GLANCES = 3
#: Full frames at rest: so long after the one before at least, and so many times as long as one
#: takes (own choices: a turn that begins during one is seen that much later).
FULL_EVERY_S, FULL_SHARE = 6.0, 3.0
#: A turn that no adjuster makes is told from so many sigmas on, in so many glances in a row.
ODD_SIGMAS, ODD_GLANCES = 6.0, 3
#: Glances at rest and the full frames around them contradict each other so far apart (chi-square
#: of 2: once in 20,000), and by so much.
CONTRADICTS_CHI2, CONTRADICTS_LEAST = 20.0, 5.0 * ARCSEC
#: An adjuster is hidden where a glance tells it worse than this share of the goal.
HIDDEN_SHARE = 0.25
_KEPT = 20


@dataclass(frozen=True, eq=False)
class Moving:
    """A reading from a glance: it steers the hand, and counts for nothing else. Radians."""

    utc_s: float
    axis: Vector
    """(3,) observed east-north-up."""
    covariance: Matrix
    """(3, 3) rad^2: sweep, frame at rest, and glance."""
    error: AxisError
    bound: float
    """The total error is below this with 95 % probability."""
    turning: bool
    """Whether the axis moves, or has moved since the last settled reading."""
    resting: bool
    """Whether it has come to rest again, so that a full frame is due."""
    advice: Advice | None
    """What is left to do, while it turns; None while it rests where it was."""
    hidden: tuple[Axis, ...]
    """Adjusters that a glance hardly shows where the telescope points."""
    odd: bool
    """Whether the stars moved as no adjuster moves them."""


@dataclass(frozen=True, eq=False)
class _Kept:
    utc_s: float
    axis: NDArray[np.float64]
    noise: Matrix


class GlanceFollower:
    """Judges glances and full frames in the order taken."""

    def __init__(self) -> None:
        self._base: NDArray[np.float64] | None = None
        self._row: deque[_Kept] = deque(maxlen=_KEPT)
        self._between: list[_Kept] = []
        self._suspect = False
        self._lost = 0
        self._odd = 0
        self._settled = self._smeared = False
        self._there = True
        self._rests_s: float | None = None
        """Since when the glances have shown no motion."""
        self._full_s = self._full_took_s = 0.0
        self._under_way = self._second = False
        self.turning = False
        """Whether the axis has left the place of the frame at rest."""

    # -- full frames -----------------------------------------------------------------------

    def full_begun(self, now_s: float) -> None:
        """A full frame has been begun, at a time by a timer."""
        to_settle = self.turning or not self._settled
        self._second = to_settle and self.let_go and not self._under_way
        self._full_s, self._under_way = now_s, True

    def full(self, axis: Vector, took_s: float, *, settled: bool) -> bool:
        """Take in a full frame at rest, from which glances are counted from now on.

        Args:
            axis: (3,) that it shows.
            took_s: until it was read.
            settled: whether its reading counts, so that it agrees with the frame before.

        Returns:
            Whether the glances since the full frame before showed the axis elsewhere at rest,
            although both full frames agree.
        """
        contradicts = settled and self._elsewhere()
        self._base = np.asarray(axis)
        self._row.clear()
        self._between.clear()
        self._suspect = self.turning = False
        self._lost = self._odd = 0
        self._settled, self._full_took_s, self._under_way = settled, took_s, False
        self._smeared, self._there, self._rests_s = False, True, None
        return contradicts

    def nothing(self, *, smeared: bool = False) -> None:
        """A full frame gave no place at rest: it was smeared, or nothing was found in it."""
        self._settled = self._under_way = False
        self._smeared = smeared
        self._lost = 0

    def unsettled(self) -> None:
        """What the last full frame settled does not count any more."""
        self._settled = False

    def forget(self) -> None:
        """What was known is of no use any more: only a full frame helps."""
        self._base = None

    def _elsewhere(self) -> bool:
        if self._base is None or len(self._between) < REST_GLANCES:
            return False
        off = np.array([kept.axis - self._base for kept in self._between])
        middle = np.median(off, axis=0)
        noise = self._between[-1].noise
        return bool(
            np.linalg.norm(middle) > CONTRADICTS_LEAST
            and mahalanobis2(middle, noise, self._base) > CONTRADICTS_CHI2
            and all(mahalanobis2(o, noise, self._base) > CHI2_TWO_99 for o in off)
        )

    # -- glances ---------------------------------------------------------------------------

    def seen(self, turn: BaseTurn, utc_s: float) -> None:
        """Take in a glance."""
        self._lost = 0
        kept = _Kept(utc_s, turn.axis, turn.axis_noise)
        self._row.append(kept)
        self._between = [*self._between[1 - _KEPT :], kept]
        self._odd = self._odd + 1 if abs(turn.odd) > ODD_SIGMAS else 0
        if not self.resting:
            self._rests_s = None
        elif self._rests_s is None:
            self._rests_s = utc_s
        if self._base is None or self.turning:
            return
        off = turn.axis - self._base
        chi2 = mahalanobis2(off, turn.axis_noise, self._base)
        suspect = chi2 > MOVED_TWICE_CHI2 and float(np.linalg.norm(off)) > MOVED_LEAST
        self.turning = suspect and (self._suspect or chi2 > MOVED_CHI2)
        self._suspect = suspect

    def told(self, *, there: bool) -> None:
        """Take in whether the last glance leaves the hand nothing to turn."""
        self._there = there

    def unseen(self) -> None:
        """A glance showed too few of the stars."""
        self._lost += 1
        self._row.clear()
        self._rests_s = None

    @property
    def odd(self) -> bool:
        """Whether the stars moved as no adjuster moves them, for some glances in a row."""
        return self._odd >= ODD_GLANCES

    @property
    def resting(self) -> bool:
        """Whether the last glances show no motion, and would show one that smears a full frame."""
        row = list(self._row)
        span_s = row[-1].utc_s - row[0].utc_s if row else 0.0
        if len(row) < REST_GLANCES or span_s < REST_S:
            return False
        last = row[-1]
        for first in range(len(row) - REST_GLANCES, -1, -1):
            part = row[first:]
            span_s = last.utc_s - part[0].utc_s
            if span_s < REST_S:
                continue
            rate, _, squares = _motion(part)
            noise = np.mean([kept.noise for kept in part], axis=0)
            rate_sigma = math.sqrt(float(np.linalg.eigvalsh(noise)[-1]) / squares)
            if rate_sigma < REST_RATE or span_s >= REST_MOST_S:
                small = float(np.linalg.norm(rate)) * span_s < MOVED_LEAST
                if small or mahalanobis2(rate, noise / squares, last.axis) <= CHI2_TWO_99:
                    return True
                break
        # Wind shakes the tube by more than the stars tell: then by how much it shakes.
        rate, scatter, squares = _motion(row)
        shakes = len(row) >= SHAKEN_GLANCES and row[-1].utc_s - row[0].utc_s >= REST_MOST_S
        return shakes and float(rate @ rate) * squares <= CHI2_TWO_99 * scatter**2

    @property
    def let_go(self) -> bool:
        """Whether the hand has most likely let go: the axis rests at its mark, or for long."""
        if self._rests_s is None:
            return False
        at_mark = self._there if self.turning else not self._smeared
        return at_mark or self._row[-1].utc_s - self._rests_s >= PAUSE_S - REST_S

    def full_due(self, now_s: float) -> bool:
        """Whether the next frame should be a full one, at a time by the timer of `full_begun`."""
        if self._under_way:  # a reading counts when a second frame agrees
            return self._base is None or self._second
        if self._base is None or self._lost >= LOST_GLANCES or self.odd:
            return True
        if self.turning or not self._settled:
            return self.let_go
        every_s = max(FULL_EVERY_S, FULL_SHARE * self._full_took_s)
        return now_s - self._full_s >= every_s and not self._suspect


def _motion(row: Sequence[_Kept]) -> tuple[NDArray[np.float64], float, float]:
    """Return how a row of glances moves.

    Returns:
        Rate (3,), rad/s; scatter about it in one of two axes, rad; sum of squares of times, s^2.
    """
    times = np.array([kept.utc_s for kept in row])
    times -= times.mean()
    axes = np.array([kept.axis for kept in row])
    axes -= axes.mean(axis=0)
    squares = float(times @ times)
    rate = times @ axes / squares
    left = axes - times[:, None] * rate
    return rate, math.sqrt(float(np.sum(left**2)) / (2.0 * (len(row) - 2))), squares


def hidden_adjusters(error: AxisError, noise: Matrix, goal: float) -> tuple[Axis, ...]:
    """Return the adjusters that a glance hardly shows.

    Args:
        error: of the axis that it shows.
        noise: (2, 2) rad^2 of azimuth (turn of the base) and altitude, of the glance alone.
        goal: rad; an adjuster that is told to a quarter of it is shown well enough.
    """
    to_sky = abs(error.d_az_sky / error.d_az_base) if error.d_az_base else 1.0
    sigmas = {
        Axis.AZIMUTH: to_sky * math.sqrt(float(noise[0, 0])),
        Axis.ALTITUDE: math.sqrt(float(noise[1, 1])),
    }
    return tuple(axis for axis, sigma in sigmas.items() if sigma > HIDDEN_SHARE * goal)
