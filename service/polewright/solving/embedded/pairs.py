"""Two stars make a hypothesis, the others judge it: for hinted frames, however few their stars.

A pair of bright detections, with the scale known within a few percent, is compared with all pairs
of catalogue stars of that separation near the hint. Each gives an attitude, which
`polewright.solving.embedded.hypotheses` judges. Own design.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import Vector
from polewright.solving.embedded.evidence import Approximation
from polewright.solving.embedded.fitting import Floats, Ints
from polewright.solving.embedded.hypotheses import Field, Judge, Sought, attitudes_of


@dataclass(frozen=True)
class Pairs:
    """Pairs of catalogue stars (P,), the nearest first."""

    first: Ints
    second: Ints
    separation: Floats
    """Rad, ascending."""


def pairs_of(field: Field, widest: float) -> Pairs:
    """Find all pairs closer than ``widest`` (rad)."""
    pairs = field.tree.query_pairs(2.0 * math.sin(widest / 2.0), output_type="ndarray")
    first, second = pairs[:, 0].astype(np.int64), pairs[:, 1].astype(np.int64)
    chord = np.linalg.norm(field.vectors[first] - field.vectors[second], axis=1)
    separation = 2.0 * np.arcsin(np.minimum(1.0, chord / 2.0))
    order = np.argsort(separation)
    return Pairs(first[order], second[order], separation[order])


def hypotheses_a_pair(
    count: int, area: float, separation: float, scale_tolerance: float, parities: int
) -> float:
    """Return about how many hypotheses one pair of detections makes among evenly spread stars.

    Args:
        count: catalogue stars around the hint.
        area: on which they are spread, steradians.
        separation: of the detections, rad.
        scale_tolerance: fraction by which the scale may be off, either way.
        parities: 1 or 2.
    """
    ring = 4.0 * math.pi * scale_tolerance * separation**2
    return count * (count / area) * ring * parities


def search(
    stars: StarList,
    field: Field,
    sought: Sought,
    *,
    bright: int = 16,
    most_trials: float = math.inf,
    check: Callable[[], None] = lambda: None,
) -> Iterator[Approximation]:
    """Yield hypotheses worth a refit, the best of each pair of detections first.

    Args:
        stars: brightest first.
        field: the catalogue within the reach of what is sought.
        sought: where, and what is known.
        bright: brightest detections that make pairs.
        most_trials: give up after so many hypotheses (a million take two to three seconds).
        check: called now and then; may raise to stop the search.
    """
    scale, tolerance = sought.scale, sought.scale_tolerance
    known = pairs_of(field, sought.diagonal)
    judge = Judge(stars, field, sought)
    for i, j in _pair_order(judge.views[0].directions[:bright], scale, stars.width):
        check()
        if judge.trials >= most_trials:
            return
        for view in judge.views:
            seen = view.directions
            apart = 2.0 * math.asin(min(1.0, float(np.linalg.norm(seen[i] - seen[j])) / 2.0))
            low, high = np.searchsorted(
                known.separation, [apart * (1 - tolerance), apart * (1 + tolerance)]
            )
            if high <= low:
                continue
            a = np.concatenate([known.first[low:high], known.second[low:high]])
            b = np.concatenate([known.second[low:high], known.first[low:high]])
            stretch = np.tile(known.separation[low:high] / apart, 2)
            attitudes = attitudes_of(
                field.vectors[a],
                field.vectors[b],
                view.pixels[i],
                view.pixels[j],
                scale * stretch,
            )
            yield from judge.worth_a_refit(view, attitudes, stretch, 2, 3)


def _pair_order(seen: Vector, scale: float, width: int) -> list[tuple[int, int]]:
    """Pairs of detections: bright ones first, those too close to fix the roll last or never."""
    count = seen.shape[0]
    pairs = [(i, j) for j in range(1, count) for i in range(j)]
    return [p for p in pairs if np.linalg.norm(seen[p[0]] - seen[p[1]]) > 0.15 * scale * width]
