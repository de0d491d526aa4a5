"""The probability that a match is an accident.

What was known before bounds the hypotheses that exist, the search counts those it tried, and a
binomial tail tells how often that many stars agree by chance: see `log10_accident`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import Matrix
from polewright.solving.catalogue.catalogue import ConeStars
from polewright.solving.embedded.fitting import Floats, Ints

_MAGNITUDE_SLACK = 1.7
"""Magnitudes by which a star may look brighter or fainter than the catalogue has it: sensors and
catalogues see other colours (own choice)."""
_WHILE_TRYING = math.log10(1.0 + math.log(1e6))
"""log10 of the allowance for judging each hypothesis by those tried before it (see `accident`), for
a search of a million; none tries more."""
_SEARCHES = 10
"""Searches of one frame, at most, whose chances of an accident add up: six that count what they
tried (pairs and triangles, each near the hint and farther off; pairs at length), or ten among all
hypotheses that exist (shapes near the hint and in the whole sky; one of the two again with each of
eight other lenses)."""


@dataclass(frozen=True)
class Prior:
    """How much was known before anything was compared: the room in which an accident may hide."""

    solid_angle: float
    """Steradians in which the boresight may lie."""
    scale_tolerance: float
    """Fraction by which the scale may be off, either way."""
    parities: int
    """1 when the parity is known, else 2."""
    roll_range: float = 2.0 * math.pi
    """Radians that the roll may take."""

    def log10_places(self, radius_px: float, scale: float, corner_px: float) -> float:
        """log10 of the number of hypotheses that differ by more than ``radius_px`` somewhere."""
        step = radius_px / corner_px
        places = max(1.0, self.solid_angle / (math.pi * (radius_px * scale) ** 2))
        rolls = max(1.0, self.roll_range / step)
        scales = max(1.0, 2.0 * self.scale_tolerance / step)
        return math.log10(places * rolls * scales * self.parities)


@dataclass(frozen=True)
class Approximation:
    """A hypothesis: where the camera points, good to ``reach_px`` anywhere in the frame."""

    attitude: Matrix
    """Camera axes as columns, ICRS."""
    parity: int
    scale: float
    reach_px: float
    log10_trials: float
    """How many hypotheses were compared with the stars to find this one; inf: not counted."""
    fixed_stars: int
    """Stars that made the hypothesis, so that their agreement proves nothing."""
    prior: Prior
    k1: float = 0.0


def log10_accident(
    hits: NDArray[np.bool_], chance: Floats, fixed: float, log10_trials: float
) -> float:
    """log10 of a bound on the probability that so many matches are accidental.

    Args:
        hits: for each catalogue star of the frame, brightest first, whether a detection is there.
        chance: for each of these stars, the probability that a detection which could be it lies
            there by accident: density times area.
        fixed: matches that agree by construction (stars of the hypothesis, fitted parameters / 2).
        log10_trials: number of hypotheses that were compared.

    The tail of a binomial distribution with the mean chance, which bounds the tail for unequal
    chances (Hoeffding, Ann. Math. Statist. 27, 713, 1956), for the best of several cuts in
    magnitude, times the number of cuts and of hypotheses (union bound). Own derivation.
    """
    total = hits.size
    cuts = [k for k in (4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 256) if k < total] + [total]
    found = np.cumsum(hits)
    mean = np.cumsum(chance) / np.arange(1, total + 1)
    best = 0.0
    for cut in cuts:
        free_hits = float(found[cut - 1]) - fixed
        if free_hits >= 1.0:
            hits_needed = math.floor(free_hits)
            trials = max(hits_needed, cut - math.ceil(fixed))
            # P(X >= k) of a binomial is a regularised incomplete beta function
            # (DLMF 8.17.5, from memory)
            tail = float(betainc(hits_needed, trials - hits_needed + 1, mean[cut - 1]))
            best = min(best, math.log10(max(tail, 1e-300)))
    return best + math.log10(len(cuts)) + log10_trials


def accident(
    hits: NDArray[np.bool_],
    chance: Floats,
    radius: float,
    parameters: float,
    start: Approximation,
    limits: Floats,
) -> float:
    """Return the smaller of two bounds: by hypotheses tried, and by hypotheses that exist."""
    fixed = max(float(start.fixed_stars), parameters / 2.0)
    # Each hypothesis is held to those tried so far: over a search of N that allows for one
    # accident in 1, 1/2, ... 1/N of the limit, in all 1 + ln N times as many.
    tried = log10_accident(hits, chance, fixed, start.log10_trials + _WHILE_TRYING)
    places = start.prior.log10_places(radius, start.scale, float(np.hypot(*limits)))
    # the four parameters of a similarity are those that the places count
    existing = log10_accident(hits, chance, (parameters - 4.0) / 2.0, places)
    # two bounds, the searches of one frame, and some five zero points of the magnitudes
    return min(tried, existing) + math.log10(2 * _SEARCHES * 5)


def same_brightness(
    stars: StarList, cone: ConeStars, catalogue: Ints, detections: Ints
) -> tuple[NDArray[np.bool_], float]:
    """Matches whose flux agrees with the magnitude, and the zero point they agree on.

    A saturated star may look too faint.
    """
    offset = cone.magnitude[catalogue] + 2.5 * np.log10(np.maximum(stars.flux[detections], 1e-3))
    zero_point = float(np.median(offset)) if offset.size else 0.0
    deviation = offset - zero_point
    full = stars.saturated[detections]
    keep = (np.abs(deviation) < _MAGNITUDE_SLACK) | (full & (deviation < 0.0))
    return np.asarray(keep), zero_point


def chances(
    stars: StarList, magnitude: NDArray[np.float32], zero_point: float, radius: float
) -> Floats:
    """Probability for each catalogue star that a detection of its brightness is near by accident.

    Saturated detections count for every star.
    """
    full = stars.saturated
    seen = np.sort(zero_point - 2.5 * np.log10(np.maximum(stars.flux[~full], 1e-3)))
    fits = np.searchsorted(seen, magnitude + _MAGNITUDE_SLACK) - np.searchsorted(
        seen, magnitude - _MAGNITUDE_SLACK
    )
    number = fits + np.count_nonzero(full)
    share = math.pi * radius**2 / stars.area_px
    return np.asarray(np.minimum(1.0, number * share), dtype=np.float64)
