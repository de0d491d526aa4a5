"""Whether stars stand still: how they moved from one short look to the next.

A ringing mount shifts all stars of a look by the same. Looks that catch the swing at the same
phase agree although it still rings; so looks are not evenly spaced (the caller's part), several
have to agree, and the one before them must not have been far off either.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from polewright.calculation.images.frame import StarList

#: Brightest stars compared.
COMPARED = 40
#: Fewer common stars than this tell nothing.
LEAST_COMMON = 4
#: Of the stars of the poorer look, that must have moved alike: hot pixels stay where they are.
COMMON_SHARE = 0.6
#: Shifts within so many pixels of each other are alike.
ALIKE_PX = 1.5
#: Looks that have to agree unless the caller says otherwise. The one before them may be off by the
#: limit times this for each of their steps (own choices; tests/bench/settle_model.py).
AGREEING = 3
#: Time that the agreeing looks span at least, s: a quick camera takes two within a part of a swing,
#: or before wind has carried the stars past the limit (own choice).
LEAST_SPAN_S = 1.0
#: Looks that agree within this share of the limit need to span no more than this, s, if they are
#: one more: a drift that could pass unseen is no faster (own choices).
CLOSE_SHARE, CLOSE_SPAN_S = 0.5, 0.5
BEFORE_FACTOR = 2.0
#: Star images that shrink by more than this share from the first to the last of the agreeing
#: looks: within each look the stars still swing.
SHRINKING = 0.15
#: Looks after an exposure show whether its stars lie where they rest. Before they are said to lie
#: elsewhere there must be so many looks, over so long a time (s) that a steady motion shows.
REST_LOOKS, REST_SPAN_S = 4, 1.5
#: At this many times the limit no further look would help. Stars this many times as wide as in the
#: looks, and many fewer, lost too much of their light to the swing (all four own choices;
#: tests/bench/settle_model.py).
REST_FAR, REST_WIDER = 6.0, 2.5


@dataclass(frozen=True)
class Shift:
    """How the stars of one look lie against those of another."""

    x: float
    """Pixels."""
    y: float
    sigma: float
    """1 sigma along one coordinate, pixels."""
    common: int
    """Stars that tell it."""


def shift_between(before: StarList, after: StarList, reach_px: float = 80.0) -> Shift | None:
    """Return how the stars moved; None when too few did alike.

    Args:
        before: stars of a look, brightest first.
        after: stars of a later one with the same subframe.
        reach_px: farthest motion that is looked for, pixels.
    """
    a, b = before.take(slice(0, COMPARED)), after.take(slice(0, COMPARED))
    fewer = min(len(a), len(b))
    if fewer < LEAST_COMMON:
        return None
    dx = (b.x[None, :] - a.x[:, None]).ravel()
    dy = (b.y[None, :] - a.y[:, None]).ravel()
    variance = (b.sigma_px[None, :] ** 2 + a.sigma_px[:, None] ** 2).ravel()
    near = np.hypot(dx, dy) <= reach_px
    dx, dy, variance = dx[near], dy[near], variance[near]
    if dx.size == 0:
        return None
    alike = np.hypot(dx[:, None] - dx[None, :], dy[:, None] - dy[None, :]) <= ALIKE_PX
    chosen = alike[int(np.argmax(alike.sum(axis=1)))]
    common = int(chosen.sum())
    if common < max(LEAST_COMMON, math.ceil(COMMON_SHARE * fewer)):
        return None
    dx, dy, variance = dx[chosen], dy[chosen], variance[chosen]
    middle_x, middle_y = float(np.median(dx)), float(np.median(dy))
    # What the air does to single stars, and understated errors, show in the scatter.
    scatter = 1.4826 * float(np.median(np.abs(np.concatenate([dx - middle_x, dy - middle_y]))))
    weight = 1.0 / (variance + scatter**2 + 1e-6)
    x, y = float(np.average(dx, weights=weight)), float(np.average(dy, weights=weight))
    return Shift(x, y, float(1.0 / math.sqrt(weight.sum())), common)


@dataclass(frozen=True)
class Look:
    """Where the stars of one look lie against the first one, pixels."""

    x: float
    y: float
    sigma: float
    hfd_px: float
    at_s: float
    """Middle of its exposure, by a timer that never steps back."""


@dataclass(frozen=True)
class Judgement:
    """What a row of looks tells."""

    still: bool
    spread_px: float | None
    """Largest distance among the last looks; None before there are enough."""
    sigma_px: float | None
    """1 sigma of such a distance along one coordinate."""


def judge_looks(looks: Sequence[Look], limit_px: float, agreeing: int = AGREEING) -> Judgement:
    """Say whether the stars stand still.

    Args:
        looks: in the order taken, without a gap: a look that tells nothing starts a new row.
        limit_px: distance that does not matter, pixels. Distances that noise explains (2.5 sigma)
            count as none as long as they are under twice the limit.
        agreeing: looks in a row that have to agree, at least two; more where these span less
            than `LEAST_SPAN_S`. One more of them may span `CLOSE_SPAN_S` only, if they agree
            within `CLOSE_SHARE` of the limit.
    """
    closely = _judged(looks, CLOSE_SHARE * limit_px, agreeing + 1, CLOSE_SPAN_S, noise_sigmas=0.0)
    if closely.still:
        return closely
    return _judged(looks, limit_px, agreeing, LEAST_SPAN_S, noise_sigmas=2.5)


def _judged(
    looks: Sequence[Look], limit_px: float, agreeing: int, span_s: float, *, noise_sigmas: float
) -> Judgement:
    count = agreeing
    while count <= len(looks) and looks[-1].at_s - looks[-count].at_s < span_s:
        count += 1
    if len(looks) < count:
        return Judgement(False, None, None)
    last = looks[-count:]
    spread = spread_px(last)
    sigma = math.sqrt(2.0) * max(look.sigma for look in last)
    allowed = min(2.0 * limit_px, max(limit_px, noise_sigmas * sigma))
    still = spread <= allowed and last[-1].hfd_px > (1.0 - SHRINKING) * last[0].hfd_px
    if still and len(looks) > count:
        still = spread_px(looks[-count - 1 :]) <= BEFORE_FACTOR * (agreeing - 1) * allowed
    return Judgement(still, spread, sigma)


def spread_px(looks: Sequence[Look]) -> float:
    """Return the largest distance among looks, pixels."""
    return max(math.hypot(a.x - b.x, a.y - b.y) for a in looks for b in looks)


@dataclass(frozen=True)
class Rest:
    """Where stars of looks lie against those of the exposure before them."""

    verdict: Literal["rested", "steady", "moved", "smeared", "unsure"]
    """Rested: where the exposure shows them. Steady: elsewhere, by motion at a rate that does not
    change. Moved: elsewhere. Smeared: they swung too far to tell. Unsure: a further look may
    tell."""
    x: float
    """Pixels, mean of the looks, beside what the known drift explains."""
    y: float
    after_s: float
    """From the middle of the exposure to that of the looks."""
    exposed_hfd_px: float
    """Half-flux diameter of the exposure's stars."""
    look_hfd_px: float
    """That of the sharpest look."""
    drift: tuple[float, float] = (0.0, 0.0)
    """The drift known before, pixels per second."""
    sigma_px: float | None = None
    """1 sigma of how far the exposure's middle is off, along one coordinate, where looks over a
    swing or more told it."""

    @property
    def good(self) -> bool:
        """Whether the exposure shows the stars where they were in its middle."""
        return self.verdict in ("rested", "steady")

    @property
    def moved_px(self) -> float:
        """Distance beside the known drift, pixels."""
        return math.hypot(self.x, self.y)

    @property
    def wider(self) -> float:
        """How many times as wide as in the sharpest look the exposure shows the stars."""
        return self.exposed_hfd_px / self.look_hfd_px

    @property
    def seen_drift(self) -> tuple[float, float]:
        """Pixels per second from the exposure to the looks."""
        x, y = self.drift
        return x + self.x / self.after_s, y + self.y / self.after_s


def judge_rest(
    looks: Sequence[Look],
    exposed_hfd_px: float,
    exposed_s: float,
    limit_px: float,
    *,
    drift: tuple[float, float] = (0.0, 0.0),
    before: Rest | None = None,
    fewer_stars: bool = True,
    enough: int = REST_LOOKS,
) -> Rest:
    """Say whether an exposure shows the stars where they rest after it.

    A swing averages out over the exposure, and looks after it tell by how much not. Motion at a
    steady rate (an axis far from the pole) is none: what belongs to the middle of the exposure is
    right. It shows as a line through the looks that leads back to the exposure, or as the same
    rate after two exposures.

    Args:
        looks: one or more, placed against the stars of the exposure.
        exposed_hfd_px: half-flux diameter of the exposure's stars, pixels.
        exposed_s: middle of the exposure by the looks' timer.
        limit_px: distance that does not matter, pixels; where noise explains more (2.5 sigma), up
            to twice as much.
        drift: steady motion known from the point before, pixels per second.
        before: what the exposure before this one came to, at the same place.
        fewer_stars: whether the exposure shows many fewer than the looks.
        enough: looks that tell that the stars lie elsewhere. A line through fewer than `REST_LOOKS`
            tells a steady motion only after a second exposure, when a swing has died down.
    """
    count = len(looks)
    after_s = np.array([look.at_s for look in looks]) - exposed_s
    x = np.array([look.x for look in looks]) - drift[0] * after_s
    y = np.array([look.y for look in looks]) - drift[1] * after_s
    sigma = max(look.sigma for look in looks)

    def near(off_x: float, off_y: float, sigma_px: float) -> bool:
        allowed = min(2.0 * limit_px, max(limit_px, 2.5 * sigma_px))
        return math.hypot(off_x, off_y) <= allowed

    rest = Rest(
        "unsure",
        float(x.mean()),
        float(y.mean()),
        float(after_s.mean()),
        exposed_hfd_px,
        min(look.hfd_px for look in looks),
        drift,
    )
    if rest.wider > REST_WIDER and fewer_stars:
        return replace(rest, verdict="smeared")
    if near(rest.x, rest.y, sigma / math.sqrt(count)):
        return replace(rest, verdict="rested")
    if before is not None and before.verdict == "moved":
        alike = rest.after_s / before.after_s
        off_x, off_y = rest.x - alike * before.x, rest.y - alike * before.y
        if near(2.0 * off_x, 2.0 * off_y, max(sigma, before.sigma_px or 0.0)):
            return replace(rest, verdict="steady")
    span_s = float(np.ptp(after_s))
    if count < enough or span_s < REST_SPAN_S:
        hopeless = before is None and rest.moved_px > REST_FAR * limit_px
        return replace(rest, verdict="moved") if hopeless else rest
    if count < REST_LOOKS and before is None:
        return replace(rest, verdict="moved")
    from_middle_s = after_s - rest.after_s
    per_s = from_middle_s / float(from_middle_s @ from_middle_s)
    back_x, back_y = (float(v.mean() - (per_s @ v) * rest.after_s) for v in (x, y))
    back_sigma = sigma * math.hypot(
        1.0 / math.sqrt(count), rest.after_s * float(np.sqrt(per_s @ per_s))
    )
    steady = near(back_x, back_y, back_sigma)
    return replace(rest, verdict="steady" if steady else "moved")
