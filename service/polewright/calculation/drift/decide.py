"""What a drift says about a predicted axis, and when it has said enough.

Looked at after every frame, so a disagreement must be clear (`DISAGREE_EARLY_BELOW`) before it is
declared early; agreement needs uncertainties small enough that agreeing means something.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from polewright.calculation.drift.errors import DriftSettingsWrong
from polewright.calculation.drift.estimator import DriftAxis
from polewright.calculation.drift.shape import Change, Part, Unsteady, unsteady
from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.geometry.compass_words import altitude_word, azimuth_word
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCSEC, Matrix, Vector, separation
from polewright.foundation.language import say

DISAGREE_EARLY_BELOW = 1e-5
"""Chance below which a disagreement is declared while the axis is still vaguely known: few frames
are looked at many times over, and their noise is only estimated."""
DISAGREE_BELOW = 1e-3
"""The same once the goal is reached."""
DISAGREE_AT_THE_END = 5e-3
"""The same once no more time is given: it is then looked at only once."""
AGREE_ABOVE = 0.05
"""Chance above which agreement is declared before the time is up."""
WORST_SHARE = 1.5
"""With two fields, the least known direction may be so much less known than the goal."""


class Verdict(Enum):
    """What the check came to."""

    AGREES = "agrees"
    DISAGREES = "disagrees"
    NEEDS_LONGER = "needs longer"


class Cause(Enum):
    """What a disagreement looks like."""

    AXIS = "axis"
    """Steady, but not what the predicted axis gives: the axis has moved since, or flexure or a
    creeping declination axis imitates an axis error."""
    FIELDS = "fields"
    """The fields contradict each other: flexure or creep, which differs from field to field."""
    JUMP = "jump"
    BEND = "bend"


@dataclass(frozen=True)
class StopRule:
    """How sure is sure enough."""

    goal: float = 10.0 * ARCSEC
    """Rad: 1 sigma of the axis by drift, in each direction that is looked at."""
    goal_share: float = 0.005
    """Or this share of the axis error, whichever is larger."""
    shortest_s: float = 90.0
    longest_s: float = 900.0
    """Of one field."""

    def __post_init__(self) -> None:
        for name, value, low, high in (
            (say("goal (arcsec)"), self.goal / ARCSEC, 1.0, 600.0),
            (say("goal as a share of the error"), self.goal_share, 0.0, 0.5),
            (say("shortest time (s)"), self.shortest_s, 20.0, 7200.0),
            (say("longest time (s)"), self.longest_s, self.shortest_s, 7200.0),
        ):
            if not (math.isfinite(value) and low <= value <= high):
                raise DriftSettingsWrong(
                    name, value, say("between {low:g} and {high:g}", low=low, high=high)
                )

    def wanted(self, total_error: float) -> float:
        """1 sigma (rad) that is enough for an axis error (rad)."""
        return max(self.goal, self.goal_share * total_error)


@dataclass(frozen=True)
class Predicted:
    """The axis a sweep measured."""

    axis: tuple[float, float, float]
    """Observed frame, unit vector towards the visible pole."""
    covariance: tuple[tuple[float, float, float], ...]
    """(3, 3) rad^2."""

    @property
    def vector(self) -> Vector:
        """The axis as an array (3,)."""
        return np.array(self.axis)

    @classmethod
    def of(cls, axis: Vector, covariance: Matrix) -> Predicted:
        """From arrays (3,) and (3, 3)."""
        x, y, z = (float(value) for value in axis)
        rows = tuple((float(r[0]), float(r[1]), float(r[2])) for r in np.asarray(covariance))
        return cls((x, y, z), rows)


@dataclass(frozen=True, eq=False)
class Decision:
    """The state of the check."""

    verdict: Verdict
    cause: Cause | None
    east: float
    """Measured minus predicted axis (minus the pole, without a prediction), rad on the sky."""
    up: float
    sigma_east: float
    sigma_up: float
    sigma_best: float
    """1 sigma (rad) in the direction that is known best."""
    sigma_worst: float
    p_value: float | None
    """Chance of a difference this large if the prediction holds; None without a prediction."""
    unsteady: Unsteady | None
    sentence: str


def decide(
    measured: DriftAxis,
    predicted: Predicted | None,
    rule: StopRule,
    site: Site,
    atmosphere: Atmosphere,
    *,
    more_fields: bool,
    time_is_up: bool,
) -> Decision:
    """Judge what has been measured so far.

    Args:
        measured: from all fields so far; the last one is being looked at.
        predicted: what to compare with; None measures the axis by drift alone.
        rule: how sure is sure enough.
        site: where; gives the pole.
        atmosphere: of the site.
        more_fields: whether another field follows; then only the direction that this field's
            declination drift shows must be known well.
        time_is_up: whether no further frames of this field will be taken.
    """
    origin = pole_enu(site, PoleTarget.TRUE, atmosphere)
    start = origin if predicted is None else np.array(predicted.axis)
    spread = np.asarray(measured.covariance)
    if predicted is not None:
        spread = spread + np.array(predicted.covariance)
    there = axis_error(measured.axis, spread, site, PoleTarget.TRUE, atmosphere)
    here = axis_error(start, np.zeros((3, 3)), site, PoleTarget.TRUE, atmosphere)
    gap = np.array([there.d_az_sky - here.d_az_sky, there.d_alt - here.d_alt])
    values = np.linalg.eigvalsh(there.covariance)
    best, worst = math.sqrt(max(0.0, values[0])), math.sqrt(max(0.0, values[1]))
    p_value = None
    if predicted is not None:
        # In the plane the squared distance in sigmas has the distribution 1 - exp(-d^2 / 2).
        p_value = math.exp(-0.5 * float(gap @ np.linalg.solve(there.covariance, gap)))
    change = next((item for item in map(unsteady, measured.fields) if item is not None), None)
    total = float(separation(start if predicted is not None else measured.axis, origin))
    wanted = rule.wanted(total)
    last = measured.fields[-1]
    one = more_fields or len(measured.fields) == 1
    # More frames make the drift's own part smaller, never the prediction's.
    own = axis_error(measured.axis, measured.covariance, site, PoleTarget.TRUE, atmosphere)
    sure, least_sure = (math.sqrt(max(0.0, value)) for value in np.linalg.eigvalsh(own.covariance))
    known_to, enough_at = (sure, wanted) if one else (least_sure, WORST_SHARE * wanted)
    known = known_to <= enough_at
    long_enough = last.span_s >= rule.shortest_s
    enough = (known and long_enough) or time_is_up
    verdict, cause = _judge(measured, change, p_value, enough, long_enough, known, time_is_up)
    if verdict is not Verdict.NEEDS_LONGER:
        sentence = _sentence(cause, change, gap, there.covariance)
    elif known:
        sentence = _not_yet(last.span_s, rule, p_value)
    else:
        sentence = _needs_longer(known_to, enough_at, one=one)
    return Decision(
        verdict=verdict,
        cause=cause,
        east=float(gap[0]),
        up=float(gap[1]),
        sigma_east=there.sigma_az_sky,
        sigma_up=there.sigma_alt,
        sigma_best=best,
        sigma_worst=worst,
        p_value=p_value,
        unsteady=change,
        sentence=sentence,
    )


def _needs_longer(known_to: float, wanted: float, *, one: bool) -> str:
    """Say how well the axis is known so far; ``one``: in the one direction that a field shows."""
    if one:
        return say(
            "Needs longer: in the direction that this field shows best, the axis is known to "
            "± {best} (1 sigma) so far, ± {wanted} are wanted.",
            best=angle_text(known_to),
            wanted=angle_text(wanted),
        )
    return say(
        "Needs longer: in the direction that both fields show least, the axis is known to "
        "± {worst} (1 sigma) so far, ± {wanted} are wanted.",
        worst=angle_text(known_to),
        wanted=angle_text(wanted),
    )


def _not_yet(span_s: float, rule: StopRule, p_value: float | None) -> str:
    """Say why a direction that is known well enough is watched on."""
    if span_s < rule.shortest_s:
        return say(
            "Needs longer: known well enough, but {least_s:.0f} s at least are watched, and so far "
            "{span_s:.0f} s were: what slips or bends would not have shown.",
            least_s=rule.shortest_s,
            span_s=span_s,
        )
    return say(
        "Needs longer: known well enough, but only {percent:.0f} of 100 axes that are as predicted "
        "would look so different.",
        percent=100.0 * (p_value or 0.0),
    )


def _judge(
    measured: DriftAxis,
    change: Unsteady | None,
    p_value: float | None,
    enough: bool,
    long_enough: bool,
    known: bool,
    time_is_up: bool,
) -> tuple[Verdict, Cause | None]:
    limit = DISAGREE_BELOW if known else DISAGREE_EARLY_BELOW
    if enough and time_is_up:
        limit = DISAGREE_AT_THE_END
    if long_enough or time_is_up:
        if change is not None:
            cause = Cause.JUMP if change.change is Change.JUMP else Cause.BEND
            return Verdict.DISAGREES, cause
        if _fields_chance(measured) < limit:
            return Verdict.DISAGREES, Cause.FIELDS
        if p_value is not None and p_value < limit:
            return Verdict.DISAGREES, Cause.AXIS
    if not known or not enough:
        return Verdict.NEEDS_LONGER, None
    if p_value is not None and p_value < AGREE_ABOVE and not time_is_up:
        return Verdict.NEEDS_LONGER, None
    return Verdict.AGREES, None


def _fields_chance(measured: DriftAxis) -> float:
    """Chance that the fields differ so much by noise and the allowed flexure."""
    if measured.dof == 0:
        return 1.0
    half = 0.5 * measured.chi2
    # Chi-square with an even number of degrees of freedom (textbook).
    terms = [half**k / math.factorial(k) for k in range(measured.dof // 2)]
    return math.exp(-half) * sum(terms)


def _where(gap: Vector, covariance: Matrix) -> str:
    parts = [
        say(
            "{gap} {side}",
            gap=angle_text(abs(gap[0]), math.sqrt(covariance[0, 0])),
            side=azimuth_word(float(gap[0])),
        ),
        say(
            "{gap} {side}",
            gap=angle_text(abs(gap[1]), math.sqrt(covariance[1, 1])),
            side=altitude_word(float(gap[1])),
        ),
    ]
    return say("{azimuth} and {altitude}", azimuth=parts[0], altitude=parts[1])


def _sentence(cause: Cause | None, change: Unsteady | None, gap: Vector, covariance: Matrix) -> str:
    if cause in (Cause.JUMP, Cause.BEND) and change is not None:
        what = "declination" if change.part is Part.DECLINATION else say("roll of the camera")
        if cause is Cause.JUMP:
            return say(
                "Disagrees: the {drift_of} jumped by {size} {seconds:.0f} s after the "
                "field's first frame. Something slipped or was touched: look at the "
                "clutches, the cables and the tripod.",
                drift_of=what,
                size=angle_text(change.size, signed=True),
                seconds=change.seconds,
            )
        return say(
            "Disagrees: the {drift_of} does not drift evenly (a bend of {size}). Something "
            "is settling: a clutch, the focuser, the mirror or the tripod.",
            drift_of=what,
            size=angle_text(change.size, signed=True),
        )
    if cause is Cause.FIELDS:
        return say(
            "Disagrees: the fields ask for different axes, which one axis cannot be. That is "
            "flexure, or a declination axis that creeps."
        )
    if cause is Cause.AXIS:
        return say(
            "Disagrees by {gap}: the axis has moved since it was measured, or flexure or a "
            "creeping declination axis looks like that.",
            gap=_where(gap, covariance),
        )
    return say("Agrees: measured minus predicted axis is {gap}.", gap=_where(gap, covariance))
