"""Three stars make a hypothesis: for narrow fields whose pointing is hardly known.

A pair of stars fits thousands of places in a cone of ten degrees, a triangle only a few: the
ratios of its sides do not depend on the scale, and the turn from the longest to the shortest tells
whether the picture is mirrored. All triangles of the catalogue around the hint, up to a size, are
laid on a grid of those ratios; each triangle of bright detections looks up its like, and
`polewright.solving.embedded.hypotheses` judges the attitudes. Own design.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import Vector
from polewright.solving.embedded.evidence import Approximation
from polewright.solving.embedded.fitting import Ints
from polewright.solving.embedded.hypotheses import Field, Judge, Sought, attitudes_of

LONGEST = 0.5
"""Longest side of a triangle over the frame's diagonal (own choice)."""
_LONG_ENOUGH, _NOT_TOO_SHORT = 0.25, 0.06
"""Least longest and shortest side over the frame's width: shorter ones tell little (own
choice)."""
_MOST_TRIANGLES = 3e6
"""At most so many: measured 1.6 to 2.8 s and 0.1 GB for 1.8 million."""
_PER_FRAME = (7.0, 16.0)
"""Catalogue stars a frame that make triangles: as many as `_MOST_TRIANGLES` allow
(own choice)."""
_ERROR_PX, _ERROR_SHARE = 2.0, 0.0015
"""By so much two places in a frame are off each other, in pixels and over its width: centroids,
refraction, a lens, motions that the catalogue lacks (own choice)."""
_BATCH, _CHUNK, _YIELDED = 60, 200_000, 4
"""Triangles of a frame looked up at once, of the catalogue made at once, and hypotheses of a batch
that are judged (own choices)."""


@dataclass(frozen=True)
class Triangles:
    """Triangles, corners ordered: opposite to the longest, the middle, the shortest side."""

    corners: NDArray[np.int32]
    """(T, 3) rows of their stars."""
    sides: NDArray[np.float32]
    """(T, 3) rad, longest first."""
    handed: NDArray[np.bool_]
    """(T,) which way round the corners follow each other."""

    @property
    def ratios(self) -> NDArray[np.float32]:
        """(T, 2) middle and shortest side over the longest."""
        return self.sides[:, 1:] / self.sides[:, :1]

    def take(self, keep: NDArray[np.generic]) -> Triangles:
        """Return those that ``keep`` selects."""
        return Triangles(self.corners[keep], self.sides[keep], self.handed[keep])


_NONE = Triangles(np.empty((0, 3), np.int32), np.empty((0, 3), np.float32), np.empty(0, np.bool_))


def ordered(vectors: Vector, corners: Ints) -> Triangles:
    """Measure and order the triangles of ``corners`` (T, 3), rows of ``vectors`` (N, 3)."""
    a, b, c = (vectors[corners[:, k]] for k in range(3))
    chords = np.stack([np.linalg.norm(p - q, axis=1) for p, q in ((b, c), (a, c), (a, b))], axis=1)
    order = np.argsort(-chords, axis=1)
    corners = np.take_along_axis(corners, order, axis=1)
    sides = 2.0 * np.arcsin(np.minimum(1.0, np.take_along_axis(chords, order, axis=1) / 2.0))
    # the sign of a triple product, turned when the order is an odd permutation
    turn = np.einsum("ni,ni->n", a, np.cross(b, c))
    odd = ((order[:, 1] - order[:, 0]) % 3) == 2
    return Triangles(corners.astype(np.int32), sides.astype(np.float32), (turn > 0.0) != odd)


def stars_a_frame(area: float, width: float, height: float) -> float:
    """Return how many catalogue stars a frame may make triangles; 0: not even few enough can.

    Args:
        area: of the cone around the hint, steradians.
        width: of a frame, rad.
        height: of a frame, rad.

    Of n stars a frame, spread evenly, pi s^2 / A n lie within a side s, frame area A, and the
    triangles of the cone are n times its frames times the square of that over 6.
    """
    frame = width * height
    within = math.pi * LONGEST**2 * (width**2 + height**2) / frame
    wanted = (6.0 * _MOST_TRIANGLES * frame / (area * within**2)) ** (1.0 / 3.0)
    return min(wanted, _PER_FRAME[1]) if wanted >= _PER_FRAME[0] else 0.0


def triangles_of(
    vectors: Vector,
    longest: float,
    least: tuple[float, float],
    check: Callable[[], None] = lambda: None,
) -> Triangles:
    """Return all triangles of some stars.

    Args:
        vectors: (N, 3).
        longest: no side is longer, rad.
        least: the longest side is at least the first of these, the shortest the second, rad.
        check: called now and then; may raise to stop.
    """
    chord = 2.0 * math.sin(longest / 2.0)
    pairs = cKDTree(vectors).query_pairs(chord, output_type="ndarray").astype(np.int64)
    pairs = pairs[np.lexsort([pairs[:, 1], pairs[:, 0]])]
    first, second = pairs[:, 0], pairs[:, 1]
    ends = np.searchsorted(first, first, side="right")
    more = ends - np.arange(len(pairs)) - 1
    parts = [_NONE]
    done = np.concatenate([[0], np.cumsum(more)])
    cuts = np.searchsorted(done, np.arange(_CHUNK, done[-1], _CHUNK))
    for low, high in pairwise([0, *np.unique(cuts), len(pairs)]):  # all at once take gigabytes
        check()
        count = more[low:high]
        one = np.repeat(np.arange(low, high), count)
        other = one + 1 + np.arange(one.size) - np.repeat(done[low:high] - done[low], count)
        j, k = second[one], second[other]
        near = np.linalg.norm(vectors[j] - vectors[k], axis=1) <= chord
        found = ordered(vectors, np.stack([first[one], j, k], axis=1)[near])
        parts.append(found.take(_telling(found, least)))
    return Triangles(
        np.concatenate([part.corners for part in parts]),
        np.concatenate([part.sides for part in parts]),
        np.concatenate([part.handed for part in parts]),
    )


def _telling(found: Triangles, least: tuple[float, float]) -> NDArray[np.bool_]:
    return np.asarray((found.sides[:, 0] >= least[0]) & (found.sides[:, 2] >= least[1]))


class _Grid:
    """Finds triangles whose ratios of sides differ by less than ``cell``."""

    def __init__(self, ratios: NDArray[np.float32], cell: float) -> None:
        self._cell, self._cells = cell, math.ceil(1.0 / cell) + 3
        cells = np.floor(ratios / cell).astype(np.int64) + 1
        key = cells[:, 0] * self._cells + cells[:, 1]
        self._order = np.argsort(key, kind="stable")
        self._key = key[self._order]

    def near(self, ratios: NDArray[np.float32]) -> tuple[Ints, Ints]:
        """Return pairs (row of ``ratios`` (M, 2), triangle) in the same or a neighbouring cell."""
        cells = np.floor(ratios / self._cell).astype(np.int64) + 1
        rows, found = [], []
        for step in (-1, 0, 1):
            key = (cells[:, 0] + step) * self._cells + cells[:, 1]
            low = np.searchsorted(self._key, key - 1, side="left")
            high = np.searchsorted(self._key, key + 1, side="right")
            count = high - low
            rows.append(np.repeat(np.arange(len(ratios)), count))
            within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
            found.append(self._order[np.repeat(low, count) + within])
        return np.concatenate(rows), np.concatenate(found)


def search(
    stars: StarList,
    field: Field,
    rows: Ints,
    sought: Sought,
    *,
    bright: int = 14,
    check: Callable[[], None] = lambda: None,
) -> Iterator[Approximation]:
    """Yield hypotheses worth a refit, those of bright detections first.

    Args:
        stars: brightest first.
        field: the catalogue within the reach of what is sought, which judges.
        rows: (N,) the stars of it that make triangles.
        sought: where, and what is known.
        bright: brightest detections that make triangles.
        check: called now and then; may raise to stop the search.
    """
    scale, tolerance = sought.scale, sought.scale_tolerance
    judge = Judge(stars, field, sought)
    width = scale * stars.width
    longest = LONGEST * scale * math.hypot(stars.width, stars.height)
    least = _LONG_ENOUGH * width, _NOT_TOO_SHORT * width
    slack = 1.0 + tolerance
    makers = field.vectors[rows]
    known = triangles_of(makers, longest * slack, (least[0] / slack, least[1] / slack), check)
    if not len(known.corners):
        return
    check()
    error = max(_ERROR_PX, _ERROR_SHARE * stars.width) * scale
    ratios = known.ratios
    grid = _Grid(ratios, error / least[0])
    seen = judge.views[0].directions[:bright]
    drawn = ordered(seen, _by_brightness(seen.shape[0]))
    drawn = drawn.take(_telling(drawn, least) & (drawn.sides[:, 0] <= longest))
    for first in range(0, len(drawn.corners), _BATCH):
        check()
        some = drawn.take(np.arange(first, min(first + _BATCH, len(drawn.corners))))
        mine, theirs = grid.near(some.ratios)
        off = np.abs(some.ratios[mine] - ratios[theirs]).max(axis=1)
        stretch = known.sides[theirs, 0] / some.sides[mine, 0]
        alike = (off <= error / some.sides[mine, 0]) & (np.abs(stretch - 1.0) <= tolerance)
        mine, theirs, stretch = mine[alike], theirs[alike], stretch[alike]
        mirrored = some.handed[mine] != known.handed[theirs]
        for view in judge.views:
            fits = mirrored == (view.parity != judge.views[0].parity)
            # the ends of the longest side: the corners that are not opposite to it
            a, b = (known.corners[theirs[fits], k] for k in (1, 2))
            i, j = (some.corners[mine[fits], k] for k in (1, 2))
            attitudes = attitudes_of(
                makers[a], makers[b], view.pixels[i], view.pixels[j], scale * stretch[fits]
            )
            yield from judge.worth_a_refit(view, attitudes, stretch[fits], 3, _YIELDED)


def _by_brightness(count: int) -> Ints:
    """All triples of ``count`` detections, by the faintest of each."""
    triples = sorted(combinations(range(count), 3), key=lambda t: t[::-1])
    return np.array(triples, dtype=np.int64).reshape(-1, 3)
