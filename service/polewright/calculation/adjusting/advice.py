"""What to do next: the larger component first, without flicker, and an end that is proven."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum

from polewright.calculation.adjusting import instructions as phrases
from polewright.calculation.adjusting.axis_at_rest import State
from polewright.calculation.adjusting.instructions import Action, Goal
from polewright.calculation.adjusting.knobs import KnobLearner
from polewright.calculation.geometry.axis_error import AxisError
from polewright.foundation.adjuster_profile import AdjusterProfile, Axis
from polewright.foundation.angles import ARCMIN, ARCSEC

#: "Within" is entered below this share of the tolerance and held up to the whole of it.
ENTER_WITHIN = 0.85
#: The adjuster in hand is finished when its component is below this share of the goal.
FINISH_SHARE = 0.4
#: Components below this share of the goal, or below so many sigmas, are left alone.
IGNORE_SHARE = 0.25
IGNORE_SIGMAS = 1.5
#: Once the advice was that noise hides the rest, a component is taken up again from so many sigmas.
RESUME_SIGMAS = 2.5
#: Lost motion below this is not mentioned (rad; own choice).
SLACK_LEAST = 5.0 * ARCSEC
#: A sweep may be the last where the error can be within so many tolerances: a long way since the
#: sweep before leaves the reading less sure than its sigma says (own choice).
MAY_BE_LAST = 1.5
#: The other component must be so much larger to take over while both are small.
TAKE_OVER = 1.4


class PassKind(Enum):
    """What this round of adjusting aims at."""

    COARSE = "coarse"
    """From far off: near enough for a new sweep."""
    FINAL = "final"
    """At the tolerance."""


class Verdict(Enum):
    """What may be claimed from this reading."""

    UNKNOWN = "unknown"
    """Not settled, or something slipped: nothing may be claimed."""
    OUTSIDE = "outside"
    UNSURE = "unsure"
    """The figure is within the tolerance, but its uncertainty or a long way come since the sweep
    forbids to promise it."""
    WITHIN = "within"
    """The 95 % upper bound of the total error is within the tolerance."""


@dataclass(frozen=True)
class Advice:
    """One instruction. Amounts are positive; ``sentence`` is complete in itself."""

    action: Action
    sentence: str
    axis: Axis | None = None
    """The adjuster in hand; also while waiting."""
    heading: Action | None = None
    """While waiting: RAISE, LOWER, EAST or WEST, what the adjuster in hand still has to do."""
    amount_arcmin: float = 0.0
    """On the sky. Includes the extra descent where altitude is approached from below."""
    amount_base_arcmin: float = 0.0
    """The same as a turn of the base: what the adjuster itself does."""
    turns: float | None = None
    turns_sigma: float | None = None
    cautions: tuple[str, ...] = ()
    passed: bool = False
    """While waiting: the adjuster in hand has gone past the mark, let go."""
    doing: str = ""
    """What to do to the adjuster in hand, in its owner's words; kept while it is turned."""
    zone_arcmin: float = 0.0
    """Way on the sky left of the adjuster in hand below which it is finished."""
    brief: str = ""
    """The most pressing caution in a few words."""

    @property
    def turns_text(self) -> str:
        """The turns that are left, as a person makes them; empty where no one knows."""
        return "" if self.turns is None else phrases.turns_phrase(self.turns, self.turns_sigma)


@dataclass
class Advisor:
    """Decides what to do next. Remembers the last advice, so that noise does not change it."""

    profile: AdjusterProfile
    knobs: Mapping[Axis, KnobLearner]
    pass_kind: PassKind
    tolerance: float
    """rad"""
    coarse_goal: float
    """rad"""
    words: phrases.ByHand = phrases.BY_HAND
    """How it is said, by who turns the adjusters."""
    snugged: bool = False
    left_loose: bool = False
    """Whether the pass before ended with something yet to be tightened."""
    slipped: str = ""
    """Once set, the sentence that says what slipped: only a new sweep helps."""
    sweep_wanted: str = ""
    """Once set, why the end of this pass must be confirmed by a sweep."""
    moves: int = 0
    _axis: Axis | None = None
    _within: bool = False
    _reached: bool = False
    _hidden: bool = False
    _last: Advice | None = field(default=None, repr=False)

    @property
    def goal(self) -> float:
        """What the components are brought to (rad)."""
        return self.coarse_goal if self.pass_kind is PassKind.COARSE else self.tolerance

    @property
    def zone(self) -> float:
        """An adjuster whose component is below this (rad) is finished."""
        return FINISH_SHARE * self.goal

    @property
    def loose(self) -> bool:
        """Whether something is to be tightened, and was not since the last move."""
        moved = self.moves > 0 or self.left_loose
        tightened = not self.words.by_hand or not self.profile.needs_snugging or self.snugged
        return moved and not tightened

    @property
    def last(self) -> Advice | None:
        """The last advice given for a settled reading."""
        return self._last

    def verdict(self, error: AxisError) -> Verdict:
        """What may be claimed from a settled reading."""
        if self.slipped:
            return Verdict.UNKNOWN
        if error.total > self.tolerance:
            return Verdict.OUTSIDE
        sure = error.total_upper() <= self.tolerance and not self.sweep_wanted
        return Verdict.WITHIN if sure and self._within else Verdict.UNSURE

    def settled(self, error: AxisError) -> Advice:
        """Advice for a settled reading; it is remembered."""
        self._within = error.total_upper() <= self.tolerance * (
            1.0 if self._within else ENTER_WITHIN
        )
        self._last = self._decide(error)
        return self._last

    def unsettled(self, state: State, error: AxisError, reason: str = "") -> Advice:
        """Advice while the axis moves or cannot be seen; it is not remembered."""
        told = self._last
        if self.slipped:
            return self._check_mount()
        if told is None or told.axis is None or self._axis is None:
            return Advice(Action.WAIT, self.words.wait(state, reason))
        if state is State.LOST:
            return Advice(
                Action.WAIT,
                self.words.wait(state, reason),
                told.axis,
                told.heading,
                doing=told.doing,
                zone_arcmin=self.zone / ARCMIN,
            )
        goal = self._goal_of(told.axis, error, aim=self._aim(told))
        same = goal.heading is told.heading
        passed = not same and goal.amount > self.zone
        share = min(1.0, goal.amount / ARCMIN / told.amount_arcmin) if told.amount_arcmin else 0.0
        return Advice(
            Action.WAIT,
            self.words.wait_on_the_way(state, goal, passed=passed),
            told.axis,
            goal.heading,
            goal.amount / ARCMIN,
            goal.amount_base / ARCMIN,
            told.turns * share if told.turns is not None and same else None,
            told.turns_sigma * share if told.turns_sigma is not None and same else None,
            passed=passed,
            doing=told.doing if same else "",
            zone_arcmin=self.zone / ARCMIN,
        )

    def turning(self, error: AxisError, *, resting: bool) -> Advice:
        """Advice for a glance while the axis moves: it steers the hand and is not remembered."""
        advice, told = self.unsettled(State.MOVING, error), self._last
        if told is None or advice.axis is None or advice.heading is None:
            return advice
        goal = self._goal_of(advice.axis, error, aim=self._aim(told))
        there = goal.amount <= self.zone
        return replace(
            advice,
            action=Action.WAIT if there or advice.passed else goal.heading,
            sentence=phrases.turning(goal, there=there, passed=advice.passed, resting=resting),
        )

    def _decide(self, error: AxisError) -> Advice:
        if self.slipped:
            return self._check_mount()
        if self.pass_kind is PassKind.COARSE:
            self._reached = error.total <= self.coarse_goal * (1.2 if self._reached else 1.0)
            if self._reached:
                return self._confirm(error, phrases.coarse_reached(error.total))
        elif self._within:
            return self._end(error)
        axis = self._choose(error)
        if axis is None:
            self._hidden = True
            return self._confirm(
                error, phrases.noise_hides(error.total, error.total_upper(), self.tolerance)
            )
        self._hidden = False
        self._axis = axis
        self.snugged = False
        return self._turn(axis, error)

    def _check_mount(self) -> Advice:
        return Advice(Action.CHECK_MOUNT, self.slipped, cautions=(phrases.CHECK_MOUNT,))

    def _end(self, error: AxisError) -> Advice:
        if self.sweep_wanted or self.loose:
            return self._confirm(error, self.sweep_wanted)
        return Advice(Action.DONE, phrases.done(error.total, error.total_upper(), self.tolerance))

    def _confirm(self, error: AxisError, why: str) -> Advice:
        """Ask for a sweep; where it may be the last, for tightening before it."""
        told = self._last is not None and self._last.action is Action.SNUG_AND_RECHECK
        least = error.total - 2.0 * error.sigma_total
        if self.loose and least <= self.tolerance * MAY_BE_LAST * (1.2 if told else 1.0):
            there = error.total <= self.tolerance
            return Advice(
                Action.SNUG_AND_RECHECK,
                phrases.snug(error.total, error.total_upper(), there=there),
                cautions=(phrases.SNUG_MOVES, phrases.HANDS_OFF_TUBE),
            )
        return self._sweep(why)

    def _sweep(self, why: str) -> Advice:
        cautions = (phrases.HANDS_OFF_SWEEP,) if self.words.by_hand else ()
        return Advice(Action.STOP_AND_SWEEP, why, cautions=cautions)

    def _choose(self, error: AxisError) -> Axis | None:
        sigmas = RESUME_SIGMAS if self._hidden else IGNORE_SIGMAS
        size = {Axis.AZIMUTH: abs(error.d_az_sky), Axis.ALTITUDE: abs(error.d_alt)}
        noise = {Axis.AZIMUTH: error.sigma_az_sky, Axis.ALTITUDE: error.sigma_alt}
        due = [a for a in size if size[a] > max(IGNORE_SHARE * self.goal, sigmas * noise[a])]
        if not due:
            return None
        larger = max(due, key=lambda a: size[a])
        now = self._axis
        if now is None or now not in due or now is larger:
            return larger
        unfinished = size[now] > self.zone
        return now if unfinished or size[larger] < TAKE_OVER * size[now] else larger

    def _turn(self, axis: Axis, error: AxisError) -> Advice:
        goal = self._goal_of(axis, error, aim=self._fresh_aim(axis, error))
        knob = self.knobs[axis]
        left = knob.travel_left(goal.plus)
        if left is not None and goal.amount_base > left:
            return Advice(
                Action.MOVE_BASE,
                phrases.move_base(self.profile.adjuster(axis), goal, left),
                axis,
                goal.heading,
                goal.amount / ARCMIN,
                goal.amount_base / ARCMIN,
                cautions=(phrases.MOVE_BASE,),
            )
        signed = goal.amount_base if goal.plus else -goal.amount_base
        turns = knob.turns_for(signed) if self.words.by_hand else None
        rate = knob.rate
        sigma = turns * rate.sigma / rate.arcmin_per_turn if turns is not None and rate else None
        slack = self._slack(axis, signed, counted=turns is not None)
        return Advice(
            goal.heading,
            self.words.turn(self.profile.adjuster(axis), goal, turns, sigma),
            axis,
            goal.heading,
            goal.amount / ARCMIN,
            goal.amount_base / ARCMIN,
            turns,
            sigma,
            self.words.cautions(
                self.profile,
                axis,
                goal,
                first=self.moves == 0,
                slack=slack,
            ),
            doing=self.words.doing(self.profile.adjuster(axis), plus=goal.plus),
            zone_arcmin=self.zone / ARCMIN,
            brief=self.words.brief(
                self.profile, axis, goal, first=self.moves == 0, slack=bool(slack)
            ),
        )

    def _slack(self, axis: Axis, signed: float, *, counted: bool) -> str:
        """Return the caution about slack; empty where the adjuster goes on as before."""
        knob = self.knobs[axis]
        lost = knob.backlash
        none = lost is not None and lost[0] <= max(lost[1], SLACK_LEAST)
        if knob.last_direction * signed >= 0.0 or none:
            return ""
        size = None if lost is None else lost[0]
        return phrases.slack_first(self.profile.adjuster(axis), size, counted=counted)

    def _fresh_aim(self, axis: Axis, error: AxisError) -> float:
        """Where ``d_alt`` should go (rad): below the pole when it has to come down first."""
        below = (
            axis is Axis.ALTITUDE
            and self.profile.approach_altitude_from_below
            and self.pass_kind is PassKind.FINAL
            and error.d_alt > 0.0
        )
        return -self.profile.approach_margin_arcmin * ARCMIN if below else 0.0

    def _aim(self, told: Advice) -> float:
        """The aim that stood behind an advice."""
        below = (
            told.action is Action.LOWER
            and self.profile.approach_altitude_from_below
            and self.pass_kind is PassKind.FINAL
        )
        return -self.profile.approach_margin_arcmin * ARCMIN if below else 0.0

    def aim_of(self, told: Advice) -> float:
        """Where (rad) that advice meant to bring its component."""
        return self._aim(told)

    def _goal_of(self, axis: Axis, error: AxisError, aim: float) -> Goal:
        if axis is Axis.ALTITUDE:
            need = aim - error.d_alt
            heading = Action.RAISE if need > 0.0 else Action.LOWER
            return Goal(heading, abs(need), abs(need), -aim if need < 0.0 else 0.0)
        heading = Action.EAST if error.d_az_sky < 0.0 else Action.WEST
        return Goal(heading, abs(error.d_az_sky), abs(error.d_az_base), 0.0)
