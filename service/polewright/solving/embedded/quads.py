"""Four-star shapes of any size: recognise a frame whose scale, direction or both are unknown.

The shape of four stars changes neither with scale nor with roll. The catalogue's shapes are kept in
levels: a level takes the brightest stars of every piece of sky, so many that frames of one width
hold a dozen, and joins each with its nearest neighbours there. The shapes among a frame's brightest
detections are looked up level by level; those that fit give a scale and an attitude, and the
level's stars are counted on the frame as in `solving.embedded.hypotheses`. Codes of four stars
as in Lang et al., AJ 139, 1782 (2010), section 2.1, with all six orders of corners reduced to one;
choice of stars, neighbours and levels: own design.

The whole sky's levels for fields of 30 to 1.2 degrees take seconds to make (see
tests/bench/solver_grid.py), a cone's a fraction of one, so nothing is stored.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import DEG, Vector
from polewright.solving.embedded.evidence import Approximation, Prior
from polewright.solving.embedded.fitting import Floats, Ints, centred
from polewright.solving.embedded.hypotheses import (
    Field,
    Raster,
    View,
    attitudes_of,
    best_of,
    directions,
    worth_a_refit,
)

WIDEST = 30.0 * DEG
"""Frame width that the first level serves best."""
STEP = 1.5
"""Ratio of the frame widths that neighbouring levels serve best."""
_A_FRAME = 14.0
"""Stars of a level in the frames it serves best, taken as two thirds as high as wide."""
_A_CELL = 8
"""Stars of a level in each cell of the sky: half a frame's, or clusters would take them all."""
_NEIGHBOURS = ((30_000, 6), (100_000, 5), (10**9, 4))
"""Up to how many stars a level joins each with how many neighbours: narrow levels are large."""
_ALL_TAKEN = 4.0
"""Where a level wants so many times the stars there are, the next wider one has them all."""
_AT_ONCE = 50_000
"""Stars or shapes worked on at a time; between two a search may be stopped."""
_BEND = (0.004, 0.012, 0.002)
"""Allowed difference of codes: least, most, and for each degree of width: lenses bend and the air
squeezes wide fields more (own choice, see tests/bench/solver_grid.py)."""
_COUNTED = 40
"""Brightest detections on which a level's stars are counted."""
_YIELDED = 10
"""Hypotheses of one level and parity that are judged at most."""
_BRIGHT, _NEAR = 16, 9
"""Brightest detections all of whose shapes are looked up; neighbours that are joined with each of
`_COUNTED`. Each makes some two to three thousand shapes."""
_MORE, _SPARSE = 22, 3.0 * DEG
"""In narrow fields few of the brightest may be the catalogue's: all shapes of so many, then."""
_SIX = tuple(combinations(range(4), 2))
_ORDERS = np.array([(*pair, *(k for k in range(4) if k not in pair)) for pair in _SIX])
"""The corners of a shape with the ends of each of its sides first."""
_MIX = np.array(
    [0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB, 0xD6E8FEB86659FD93], np.uint64
)
"""Odd numbers that look random, for a hash of four rows."""


@dataclass(frozen=True)
class Level:
    """Shapes for frames about ``width`` (rad) wide."""

    width: float
    corners: NDArray[np.int32]
    """(Q, 4) rows of the stars of each shape, in the order of its code."""
    codes: cKDTree
    longest: NDArray[np.float32]
    """(Q,) longest side, rad."""
    field: Field
    """The level's stars, brightest first."""


def widths_between(low: float, high: float) -> list[float]:
    """Return the widths (rad) of the levels for frames of ``low`` to ``high``, wide first."""
    steps = range(round(math.log(WIDEST / low) / math.log(STEP)) + 1)
    return [w for w in (WIDEST / STEP**k for k in steps) if w < high * STEP] or [WIDEST]


def level_of(
    vectors: Vector, area: float, width: float, check: Callable[[], None] = lambda: None
) -> Level | None:
    """Make a level from the stars (N, 3) of a piece of sky, brightest first.

    Args:
        vectors: ICRS.
        area: of the piece of sky, steradians.
        width: of the frames to be served, rad.
        check: called now and then; may raise to stop.

    Returns:
        None where there are too few stars to make shapes, or other than those of wider levels.
    """
    density = _A_FRAME / (width * width / 1.5)
    if density * area > _ALL_TAKEN * len(vectors):
        return None
    taken = vectors[evenly_bright(vectors, density)]
    count = len(taken)
    neighbours = min(count - 1, next(k for most, k in _NEIGHBOURS if count <= most))
    if neighbours < 3:
        return None
    tree = cKDTree(taken)
    joined = np.array([(0, *three) for three in combinations(range(1, neighbours + 1), 3)])
    parts = []
    for first in range(0, count, _AT_ONCE):
        check()
        _, near = tree.query(taken[first : first + _AT_ONCE], k=neighbours + 1)
        parts.append(np.sort(near[:, joined].reshape(-1, 4), axis=1).astype(np.int32))
    shapes = np.concatenate(parts)
    # a sum that runs over: equal shapes stay equal, and different ones hardly ever become so
    _, once = np.unique(shapes.astype(np.uint64) @ _MIX, return_index=True)
    made = []
    for first in range(0, once.size, _AT_ONCE):
        check()
        made.append(coded(taken, shapes[once[first : first + _AT_ONCE]]))
    corners, codes, longest = (np.concatenate(columns) for columns in zip(*made, strict=True))
    quick = {"balanced_tree": False, "compact_nodes": False}
    return Level(
        width,
        corners,
        cKDTree(codes, **quick),
        longest.astype(np.float32),
        Field(taken, tree, count / area),
    )


def evenly_bright(vectors: Vector, density: float) -> Ints:
    """Return the rows of the brightest stars of every piece of sky.

    Args:
        vectors: (N, 3), brightest first.
        density: stars per steradian wanted; pieces that have fewer give what they have.
    """
    cell = _A_CELL / density
    side = math.sqrt(cell)
    bands = max(1, round(math.pi / side))
    declination = np.arcsin(np.clip(vectors[:, 2], -1.0, 1.0))
    band = np.minimum((declination / math.pi + 0.5) * bands, bands - 1e-9).astype(np.int64)
    middle = ((np.arange(bands) + 0.5) / bands - 0.5) * math.pi
    around = np.maximum(1, np.round(2.0 * math.pi * np.cos(middle) / side)).astype(np.int64)
    turn = np.arctan2(vectors[:, 1], vectors[:, 0]) / (2.0 * math.pi) % 1.0
    column = np.minimum(turn * around[band], around[band] - 1).astype(np.int64)
    key = (np.cumsum(around) - around)[band] + column
    order = np.argsort(key, kind="stable")  # within a cell the brightest stay first
    _, start, count = np.unique(key[order], return_index=True, return_counts=True)
    rank = np.arange(order.size) - np.repeat(start, count)
    return np.asarray(order[rank < _A_CELL])


def coded(vectors: Vector, shapes: NDArray[np.integer]) -> tuple[NDArray[np.int32], Floats, Floats]:
    """Return the corners of shapes in the order of their codes, the codes, and their longest sides.

    Args:
        vectors: (N, 3) unit vectors.
        shapes: (Q, 4) rows of them.

    Returns:
        corners (Q, 4): the ends of the longest side, then the two others; codes (Q, 4): where the
        others are in the plane that touches the middle of that side, along it from its first end
        and across it, in units of its length; the longest side (Q,), rad.
    """
    # a coordinate, a corner, then all shapes in a row: long rows are what numpy adds quickly
    columns = np.ascontiguousarray(vectors.T)
    rows = shapes.T
    v = columns[:, rows]
    squared = np.stack([_dot(v[:, i] - v[:, j], v[:, i] - v[:, j]) for i, j in _SIX])
    longest = np.argmax(squared, axis=0)
    corners = np.take_along_axis(rows, _ORDERS[longest].T, axis=0)
    v = columns[:, corners]
    chord = np.sqrt(squared[longest, np.arange(longest.size)])
    middle = v[:, 0] + v[:, 1]
    middle /= np.sqrt(_dot(middle, middle))
    along = (v[:, 1] - v[:, 0]) / chord
    across = np.cross(middle, along, axis=0)
    # the ends are seen at plus and minus tan(half the side) from the middle
    stretch = 2.0 * chord / np.sqrt(4.0 - chord**2)
    others = v[:, 2:]
    length = _dot(others, middle[:, None]) * stretch
    x = _dot(others, along[:, None]) / length + 0.5
    y = _dot(others, across[:, None]) / length
    turned = x[0] + x[1] > 1.0
    x[:, turned], y[:, turned] = 1.0 - x[:, turned], -y[:, turned]
    corners[:2, turned] = corners[1::-1, turned]
    swapped = x[0] > x[1]
    x[:, swapped], y[:, swapped] = x[::-1, swapped], y[::-1, swapped]
    corners[2:, swapped] = corners[:1:-1, swapped]
    codes = np.concatenate([x, y]).T
    ordered = np.ascontiguousarray(corners.T, dtype=np.int32)
    return ordered, np.ascontiguousarray(codes), 2.0 * np.arcsin(np.minimum(1.0, chord / 2.0))


def _dot(a: Floats, b: Floats) -> Floats:
    """Scalar products over the first axis, which has the three coordinates."""
    return np.asarray(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])


def search(
    stars: StarList,
    level: Level,
    *,
    between: tuple[float, float],
    parity: int | None,
    prior: Prior,
    deeper: bool,
) -> Iterator[Approximation]:
    """Yield hypotheses worth a refit, the best first.

    Args:
        stars: brightest first.
        level: the catalogue's shapes.
        between: least and greatest scale, rad per pixel.
        parity: +1, -1, or None to try both.
        prior: what was known before, passed on to judge the outcome.
        deeper: whether to look up shapes of neighbours among more detections, instead of all
            shapes of the brightest: where many of these are no stars, or none of the level's.
    """
    few = stars.take(slice(0, _COUNTED))
    rows = _all_of(min(_BRIGHT, len(few)))
    if deeper:
        again = _neighbouring(centred(few, 1))
        if level.width < _SPARSE:
            again = np.concatenate([again, _all_of(min(_MORE, len(few)))])
        rows = again[again[:, 3] >= _BRIGHT]
    assumed = 2.0 * math.tan(level.width / 2.0) / stars.width
    least, most, a_degree = _BEND
    slack = min(max(least, a_degree * level.width / DEG), most)
    tolerance_px = max(8.0, 0.004 * stars.width)
    corner_px = 0.5 * math.hypot(stars.width, stars.height)
    for sign in (1, -1) if parity is None else (parity,):
        pixels = centred(few, sign)
        seen = directions(pixels, assumed)
        raster = Raster(pixels, stars.width, stars.height, tolerance_px)
        view = View(sign, pixels, seen, raster)
        corners, codes, longest = coded(seen, rows)
        alike = level.codes.query_ball_point(codes, slack, return_sorted=False)
        mine = np.repeat(np.arange(len(rows)), [len(found) for found in alike])
        theirs = np.array([row for found in alike for row in found], dtype=np.int64)
        scales = assumed * level.longest[theirs] / longest[mine]
        known = (scales >= between[0]) & (scales <= between[1])
        mine, theirs, scales = mine[known], theirs[known], scales[known]
        if not mine.size:
            continue
        (a, b), (i, j) = level.corners[theirs, :2].T, corners[mine, :2].T
        known_stars = level.field.vectors
        attitudes = attitudes_of(known_stars[a], known_stars[b], pixels[i], pixels[j], scales)
        by_chance = level.field.density * float(np.median(scales)) ** 2 * stars.area_px
        needed = worth_a_refit(mine.size, by_chance * raster.filled, 4)
        best = best_of(view, level.field, attitudes, scales, corner_px, needed, _YIELDED)
        for k in best:
            yield Approximation(
                attitudes[k],
                sign,
                float(scales[k]),
                reach_px=1.5 * tolerance_px,
                log10_trials=math.inf,
                fixed_stars=4,
                prior=prior,
            )


def _all_of(count: int) -> NDArray[np.int32]:
    """Every four of the first ``count`` detections, (S, 4)."""
    return np.array(list(combinations(range(count), 4)), dtype=np.int32).reshape(-1, 4)


def _neighbouring(pixels: Floats) -> NDArray[np.int32]:
    """Each detection (N, 2) with three of its nearest, (S, 4)."""
    neighbours = min(_NEAR, len(pixels) - 1)
    _, near = cKDTree(pixels).query(pixels, k=neighbours + 1)
    joined = np.array([(0, *three) for three in combinations(range(1, neighbours + 1), 3)])
    return np.unique(np.sort(near[:, joined].reshape(-1, 4), axis=1), axis=0).astype(np.int32)
