"""Two stars make a hypothesis, the others judge it: for hinted frames, however few their stars.

A pair of bright detections, with the scale known within a few percent, is compared with all pairs
of catalogue stars of that separation near the hint. Each gives an attitude; the catalogue stars
around are then projected into the frame and those that land on a detection are counted on a
raster. The best hypotheses go to `polewright.solving.refit`, which computes the probability that
they are accidental. Most hypotheses fall earlier, to a look-up that costs a fifth: do a few other
bright detections point at places where the catalogue has stars? Own design.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import gammainc

from polewright.angles import Matrix, Vector
from polewright.images.frame import StarList
from polewright.solving.catalogue import ConeStars
from polewright.solving.refit import Approximation, Floats, Ints, Prior, centred

_CELL_PX = 4.0
_CHUNK = 50_000
_DEEPER = 4.0
"""Poor parts of a cone have a quarter of the stars of the whole, to the same magnitude."""
_MIN_COUNT = 4
_NEIGHBOURS = 200
_SIFT_STARS = 32
_SIFT_CHUNK = 8192
_TABLE_BITS = (22, 25)
_FULL = 0.005
"""Share of the sieve's table that may be filled: above a few percent it lets accidents through."""


@dataclass(frozen=True)
class Field:
    """The catalogue around a hint, prepared for `search`."""

    vectors: Vector
    first: Ints
    second: Ints
    separation: Floats
    """(P,) of each pair, ascending; pairs (first, second)."""
    neighbour_start: Ints
    neighbours: Ints
    """Neighbours within a frame's diagonal of star i: neighbours[start[i]:start[i + 1]]."""
    density: float
    """Stars per steradian."""

    def per_frame(self, scale: float, stars: StarList) -> float:
        """Return how many of these stars a frame shows."""
        return self.density * scale**2 * stars.width * stars.height


def prepare_field(cone: ConeStars, radius: float, diagonal: float) -> Field:
    """Find all pairs closer than ``diagonal`` (rad) among the stars of a cone of ``radius``."""
    tree = cKDTree(cone.vectors)
    pairs = tree.query_pairs(2.0 * math.sin(diagonal / 2.0), output_type="ndarray")
    first, second = pairs[:, 0].astype(np.int64), pairs[:, 1].astype(np.int64)
    chord = np.linalg.norm(cone.vectors[first] - cone.vectors[second], axis=1)
    separation = 2.0 * np.arcsin(np.minimum(1.0, chord / 2.0))
    order = np.argsort(separation)
    owner = np.concatenate([first, second])
    other = np.concatenate([second, first])
    by_owner = np.lexsort([other, owner])  # neighbours of each star, brightest first
    counts = np.bincount(owner, minlength=len(cone))
    area = 2.0 * math.pi * (1.0 - math.cos(min(radius, math.pi)))
    return Field(
        cone.vectors,
        first[order],
        second[order],
        separation[order],
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        other[by_owner],
        len(cone) / area,
    )


def evenly(cone: ConeStars, area: float, per_frame: float, frame_area: float) -> ConeStars:
    """Take stars of a cone of ``area`` so that each frame of ``frame_area`` (sr) holds as many.

    A star stays when fewer than ``per_frame`` of those within a frame's area around it are
    brighter. Taking the brightest of the whole cone instead leaves its poor parts without stars:
    beside the Milky Way a frame at the north celestial pole kept 12 of 25, too few to be told
    from chance.
    """
    deep = cone.take(slice(0, math.ceil(_DEEPER * per_frame * area / frame_area)))
    pairs = cKDTree(deep.vectors).query_pairs(
        math.sqrt(frame_area / math.pi), output_type="ndarray"
    )
    brighter = np.bincount(pairs.max(axis=1), minlength=len(deep))  # sorted: later is fainter
    return deep.take(np.flatnonzero(brighter < per_frame))


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


class _Raster:
    """Which detection, if any, lies within ``tolerance`` of a place: one look-up a place.

    ``filled`` is the chance that a random place in the frame is near a detection.
    """

    def __init__(self, pixels: Floats, width: int, height: int, tolerance: float) -> None:
        self._half = np.array([width / 2.0, height / 2.0])
        shape = np.ceil(2.0 * self._half / _CELL_PX).astype(int) + 1
        self._map = np.full((int(shape[1]), int(shape[0])), -1, dtype=np.int16)
        self.filled = 0.0
        reach = math.ceil(tolerance / _CELL_PX)
        around = np.arange(-reach, reach + 1)
        dx, dy = np.meshgrid(around, around)
        disc = np.hypot(dx, dy) * _CELL_PX <= tolerance
        for index in range(pixels.shape[0] - 1, -1, -1):  # the brighter star wins a shared cell
            cell = np.floor((pixels[index] + self._half) / _CELL_PX).astype(int)
            x, y = cell[0] + dx[disc], cell[1] + dy[disc]
            inside = (x >= 0) & (y >= 0) & (x < shape[0]) & (y < shape[1])
            self._map[y[inside], x[inside]] = index
        self.filled = float(np.mean(self._map >= 0))

    def __call__(self, places: Floats) -> tuple[NDArray[np.int16], NDArray[np.bool_]]:
        """Return the detection index (-1: none) and whether the place is in the frame."""
        inside = np.all(np.abs(places) < self._half, axis=-1)
        cell = np.floor((places + self._half) / _CELL_PX)
        cell = np.where(inside[..., None], cell, 0.0).astype(np.int64)
        found = self._map[cell[..., 1], cell[..., 0]]
        return np.where(inside, found, np.int16(-1)).astype(np.int16), inside


class _Sieve:
    """Whether the catalogue has a star near a direction: a hashed grid of cells on the sky.

    Answers yes within one cell of a star, sometimes up to two, and for about one place in two
    hundred by accident of the hash; it never misses a star nearer than one cell.
    """

    def __init__(self, vectors: Vector, centre: Vector, cell: float) -> None:
        helper = np.eye(3)[int(np.argmin(np.abs(centre)))]
        x = np.cross(helper, centre)
        x /= np.linalg.norm(x)
        self._basis = np.stack([x, np.cross(centre, x), centre])
        self._cell = cell / 2.0  # stereographic lengths are half of angles
        bits = math.ceil(math.log2(9.0 * max(1, vectors.shape[0]) / _FULL))
        bits = min(max(bits, _TABLE_BITS[0]), _TABLE_BITS[1])
        self._mask = np.int32((1 << bits) - 1)
        self._table = np.zeros(1 << bits, dtype=bool)
        x, y, z = self._basis @ vectors.T
        below = self._cell * (1.0 + z)
        column = np.floor(x / below).astype(np.int32)
        row = np.floor(y / below).astype(np.int32)
        for dx in (-1, 0, 1):
            for dy in (-1, 0, 1):
                self._table[self._hash(column + np.int32(dx), row + np.int32(dy))] = True

    def _cells(self, x: NDArray[Any], y: NDArray[Any], below: NDArray[Any]) -> NDArray[np.int32]:
        """Hash of the cells of stereographic places (x, y) / below."""
        column = np.floor(x / below).astype(np.int32)
        return self._hash(column, np.floor(y / below).astype(np.int32))

    def _hash(self, x: NDArray[np.int32], y: NDArray[np.int32]) -> NDArray[np.int32]:
        return (x * np.int32(73856093) ^ y * np.int32(19349663)) & self._mask

    def count(self, attitudes: Matrix, scales: Floats, pixels: Floats) -> Ints:
        """For attitudes (H, 3, 3) and scales (H,), how many of the pixels (M, 2) meet a star."""
        counts = np.empty(attitudes.shape[0], dtype=np.int64)
        r2 = np.sum(pixels**2, axis=1).astype(np.float32)
        # single precision: 1e-7 rad against cells of 4e-5 rad and more
        points = np.concatenate([pixels.T, np.ones((1, pixels.shape[0]))]).astype(np.float32)
        for first in range(0, attitudes.shape[0], _SIFT_CHUNK):
            part = slice(first, first + _SIFT_CHUNK)
            turned = (self._basis @ attitudes[part]).astype(np.float32)
            scale = scales[part, None].astype(np.float32)
            turned[..., :2] *= scale[..., None]
            x, y, z = np.moveaxis(turned @ points, 1, 0)
            below = np.float32(self._cell) * (np.sqrt(1.0 + scale**2 * r2) + z)
            counts[part] = np.count_nonzero(self._table[self._cells(x, y, below)], axis=1)
        return counts


def _directions(pixels: Floats, scale: float) -> Vector:
    """Unit vectors (N, 3) in the camera frame of pixels from the centre."""
    v = np.column_stack([pixels * scale, np.ones(pixels.shape[0])])
    return np.asarray(v / np.linalg.norm(v, axis=1, keepdims=True))


def _triad(a: Vector, b: Vector) -> Matrix:
    """Orthonormal frames (..., 3, 3), columns: bisector of a and b, towards b, their normal."""
    middle = a + b
    middle /= np.linalg.norm(middle, axis=-1, keepdims=True)
    along = b - a
    along /= np.linalg.norm(along, axis=-1, keepdims=True)
    frame = np.empty((*a.shape, 3))
    frame[..., 0], frame[..., 1] = middle, along
    for k in range(3):  # the cross product, written out: np.cross is slow on long lists
        m, n = (k + 1) % 3, (k + 2) % 3
        frame[..., k, 2] = middle[..., m] * along[..., n] - middle[..., n] * along[..., m]
    return frame


def search(
    stars: StarList,
    field: Field,
    centre: Vector,
    radius: float,
    scale: float,
    scale_tolerance: float,
    parity: int | None,
    *,
    prior: Prior,
    bright: int = 16,
    most_trials: float = math.inf,
    check: Callable[[], None] = lambda: None,
) -> Iterator[Approximation]:
    """Yield hypotheses worth a refit, the best of each pair of detections first.

    Args:
        stars: brightest first.
        field: the catalogue within ``radius`` and half a frame.
        centre: unit vector (3,), about where the frame points.
        radius: how far off that may be, rad.
        scale: rad per pixel at the centre.
        scale_tolerance: fraction by which ``scale`` may be off.
        parity: +1, -1, or None to try both.
        prior: what was known before the search, passed on to judge the outcome.
        bright: brightest detections that make pairs.
        most_trials: give up after so many hypotheses (a million take two to three seconds).
        check: called now and then; may raise to stop the search.
    """
    tolerance = max(8.0, 0.0018 * stars.width)
    parities = (1, -1) if parity is None else (parity,)
    views = []
    for sign in parities:
        pixels = centred(stars.take(slice(0, 120)), sign)
        raster = _Raster(pixels, stars.width, stars.height, tolerance)
        views.append((sign, pixels, _directions(pixels, scale), raster))
    sieve = _Sieve(field.vectors, centre, tolerance * scale)
    trials = 0
    shown: list[tuple[Matrix, int]] = []
    for i, j in _pair_order(views[0][2][:bright], scale, stars.width):
        check()
        if trials >= most_trials:
            return
        for sign, pixels, seen, raster in views:
            apart = 2.0 * math.asin(min(1.0, float(np.linalg.norm(seen[i] - seen[j])) / 2.0))
            low, high = np.searchsorted(
                field.separation, [apart * (1 - scale_tolerance), apart * (1 + scale_tolerance)]
            )
            if high <= low:
                continue
            a = np.concatenate([field.first[low:high], field.second[low:high]])
            b = np.concatenate([field.second[low:high], field.first[low:high]])
            stretch = np.tile(field.separation[low:high] / apart, 2)
            attitudes = _triad(field.vectors[a], field.vectors[b]) @ _triad(seen[i], seen[j]).T
            near = attitudes[:, :, 2] @ centre >= math.cos(min(radius, math.pi))
            a, stretch, attitudes = a[near], stretch[near], attitudes[near]
            trials += int(a.size)
            # the pair itself meets stars; two more must
            sifted = sieve.count(attitudes, scale * stretch, pixels[:_SIFT_STARS]) >= 4
            a, stretch, attitudes = a[sifted], stretch[sifted], attitudes[sifted]
            if a.size == 0:
                continue
            counts = _count(field, a, attitudes, scale * stretch, raster)
            needed = _worth_a_refit(near.size, field.per_frame(scale, stars) * raster.filled)
            for k in np.argsort(-counts, kind="stable")[:3]:
                if counts[k] < needed:
                    break
                if _seen_before(shown, attitudes[k], sign, 3.0 * tolerance * scale):
                    continue
                shown.append((attitudes[k], sign))
                yield Approximation(
                    attitudes[k],
                    sign,
                    float(scale * stretch[k]),
                    reach_px=1.5 * tolerance,
                    log10_trials=math.log10(max(10, trials)),
                    fixed_stars=2,
                    prior=prior,
                )


def _worth_a_refit(hypotheses: int, chance_hits: float) -> int:
    """Return the count that fewer than one of so many random hypotheses reaches.

    Two of the count are the pair itself; the others are Poisson with mean ``chance_hits``.
    """
    rare = 0.5 / max(1, hypotheses)
    extra = _MIN_COUNT - 2
    # P(X >= k) of a Poisson variable is a regularised incomplete gamma function
    while gammainc(extra, chance_hits) > rare and extra < 1000:
        extra += 1
    return 2 + extra


def _seen_before(
    shown: list[tuple[Matrix, int]], attitude: Matrix, sign: int, nearer: float
) -> bool:
    """Whether this hypothesis was yielded already, give or take ``nearer`` (rad)."""
    return any(s == sign and float(np.max(np.abs(other - attitude))) < nearer for other, s in shown)


def _pair_order(seen: Vector, scale: float, width: int) -> list[tuple[int, int]]:
    """Pairs of detections: bright ones first, those too close to fix the roll last or never."""
    count = seen.shape[0]
    pairs = [(i, j) for j in range(1, count) for i in range(j)]
    return [p for p in pairs if np.linalg.norm(seen[p[0]] - seen[p[1]]) > 0.15 * scale * width]


def _count(
    field: Field, anchors: Ints, attitudes: Matrix, scales: Floats, raster: _Raster
) -> NDArray[np.float64]:
    """Distinct detections (H,) that catalogue stars near each anchor land on."""
    total = np.zeros(anchors.size)
    starts = field.neighbour_start
    sizes = np.minimum(starts[anchors + 1] - starts[anchors], _NEIGHBOURS)
    position = 0
    while position < anchors.size:
        # as many hypotheses as fit a chunk of projections
        reach = np.searchsorted(np.cumsum(sizes[position:]), _CHUNK) + 1
        part = slice(position, position + int(reach))
        size = sizes[part]
        owner = np.repeat(np.arange(size.size), size)
        within = np.arange(owner.size) - np.repeat(np.cumsum(size) - size, size)
        rows = field.neighbours[starts[anchors[part]][owner] + within]
        camera = np.einsum("ni,nij->nj", field.vectors[rows], attitudes[part][owner])
        z = np.where(camera[:, 2] > 0.05, camera[:, 2], np.nan)
        places = camera[:, :2] / z[:, None] / scales[part][owner][:, None]
        places = np.nan_to_num(places, nan=1e9)
        hit, _ = raster(places)
        good = hit >= 0
        key = owner[good] * 32768 + hit[good]
        total[part] = np.bincount(np.unique(key) // 32768, minlength=size.size)
        total[part] += 1.0  # the anchor itself is not among its neighbours
        position += int(reach)
    return total
