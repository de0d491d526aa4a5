"""What makes a hypothesis worth a refit: the catalogue stars around it land on detections.

Common to the searches that make hypotheses from a few stars (`polewright.solving.embedded.pairs`,
`solving.embedded.triangles`, `solving.embedded.quads`). The catalogue stars around a hypothesis
are projected into the frame and those that land on a detection are counted on a raster. Most
hypotheses of pairs and triangles fall earlier, to a look-up that costs a fifth: do a few other
bright detections point at places where the catalogue has stars? The best go to
`solving.embedded.refit`, which computes the probability that they are accidental. Own design.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import gammainc

from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import Matrix, Vector
from polewright.solving.catalogue.catalogue import ConeStars
from polewright.solving.embedded.evidence import Approximation, Prior
from polewright.solving.embedded.fitting import Floats, Ints, centred

_CELL_PX = 4.0
"""Side of a cell of the raster of detections."""
_CHUNK = 500
"""Hypotheses counted at once, to bound the memory."""
_DEEPER = 4.0
"""Poor parts of a cone have a quarter of the stars of the whole, to the same magnitude."""
_MIN_COUNT = 4
"""Stars that must meet, those that made the hypothesis included."""
_SIFT_STARS = 32
"""Brightest detections that the first look-up asks about."""
_SIFT_CHUNK = 8192
"""Hypotheses looked up at once, to bound the memory."""
_TABLE_BITS = (22, 25)
"""Smallest and largest table of the sieve, as powers of two."""
_FULL = 0.005
"""Share of the sieve's table that may be filled: above a few percent it lets accidents through."""
_LOOKED_AT = 120
"""Brightest detections that count."""


@dataclass(frozen=True)
class Sought:
    """Where a frame is looked for, and what is known of it."""

    centre: Vector
    """Unit vector (3,), ICRS, about where the frame points."""
    radius: float
    """How far off that may be, rad."""
    scale: float
    """Rad per pixel at the centre."""
    scale_tolerance: float
    """Fraction by which ``scale`` may be off, either way."""
    parity: int | None
    """+1, -1, or None to try both."""
    prior: Prior
    """What was known before the search, passed on to judge the outcome."""
    width: int
    """Pixels of the frame."""
    height: int

    @property
    def diagonal(self) -> float:
        """Of a frame, rad."""
        return 2.0 * math.atan(0.5 * self.scale * math.hypot(self.width, self.height))

    @property
    def reach(self) -> float:
        """Radius (rad) of the cone that holds all frames which are looked for."""
        return min(self.radius + 0.55 * self.diagonal, math.pi)

    @property
    def area(self) -> float:
        """Of that cone, steradians."""
        return 2.0 * math.pi * (1.0 - math.cos(self.reach))

    @property
    def frame_area(self) -> float:
        """Of a frame, steradians."""
        return self.scale**2 * self.width * self.height


@dataclass(frozen=True)
class Field:
    """The catalogue around a hint: build with `field_of`."""

    vectors: Vector
    """(N, 3), brightest first."""
    tree: cKDTree
    density: float
    """Stars per steradian."""


def field_of(cone: ConeStars, area: float) -> Field:
    """Prepare the stars of a cone of ``area`` (steradians)."""
    return Field(cone.vectors, cKDTree(cone.vectors), len(cone) / area)


def evenly(cone: ConeStars, area: float, per_frame: float, frame_area: float) -> ConeStars:
    """Take stars of a cone of ``area`` so that each frame of ``frame_area`` (sr) holds as many.

    A star stays when fewer than ``per_frame`` of those within a frame's area around it are
    brighter. Taking the brightest of the whole cone instead leaves its poor parts without stars:
    beside the Milky Way a frame at the north celestial pole kept 12 of 25, too few to be told
    from chance.
    """
    deep = cone.take(slice(0, math.ceil(_DEEPER * per_frame * area / frame_area)))
    return deep.take(np.flatnonzero(brighter_around(deep.vectors, frame_area) < per_frame))


def brighter_around(vectors: Vector, frame_area: float) -> Ints:
    """Count for each star (N,) the brighter ones within an area of a frame's (sr) around it.

    ``vectors`` (N, 3) are sorted, brightest first.
    """
    pairs = cKDTree(vectors).query_pairs(math.sqrt(frame_area / math.pi), output_type="ndarray")
    return np.bincount(pairs.max(axis=1), minlength=len(vectors))  # later is fainter


class Raster:
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


@dataclass(frozen=True)
class View:
    """The detections as a camera of one parity sees them."""

    parity: int
    pixels: Floats
    """(N, 2) from the centre, brightest first."""
    directions: Vector
    """(N, 3) in the camera's frame, at the hint's scale."""
    raster: Raster


class Judge:
    """Sifts and counts hypotheses about one frame, and keeps what was tried."""

    def __init__(self, stars: StarList, field: Field, sought: Sought) -> None:
        """Prepare what is common to all hypotheses.

        Args:
            stars: brightest first.
            field: the catalogue within the reach of what is sought.
            sought: where, and what is known.
        """
        scale = sought.scale
        self._field, self._sought = field, sought
        self._near = math.cos(min(sought.radius, math.pi))
        self._tolerance_px = max(8.0, 0.0018 * stars.width)
        self._corner_px = 0.5 * math.hypot(stars.width, stars.height)
        self._chance_hits = field.density * sought.frame_area
        self.views = []
        few = stars.take(slice(0, _LOOKED_AT))
        for sign in (1, -1) if sought.parity is None else (sought.parity,):
            pixels = centred(few, sign)
            raster = Raster(pixels, stars.width, stars.height, self._tolerance_px)
            self.views.append(View(sign, pixels, directions(pixels, scale), raster))
        self._sieve = _Sieve(field.vectors, sought.centre, self._tolerance_px * scale)
        self._shown: list[tuple[Matrix, int]] = []
        self.trials = 0

    def worth_a_refit(
        self, view: View, attitudes: Matrix, stretch: Floats, fixed: int, most: int
    ) -> Iterator[Approximation]:
        """Yield the best of some hypotheses, the best first.

        Args:
            view: the detections that made them.
            attitudes: (H, 3, 3) camera axes as columns.
            stretch: (H,) scale of each over the hint's.
            fixed: stars that made each, so that their agreement proves nothing.
            most: how many are yielded at most.
        """
        near = attitudes[:, :, 2] @ self._sought.centre >= self._near
        stretch, attitudes = stretch[near], attitudes[near]
        self.trials += int(stretch.size)
        # the stars that made it meet stars; one or two more must
        scales = self._sought.scale * stretch
        met = self._sieve.count(attitudes, scales, view.pixels[:_SIFT_STARS])
        sifted = met >= _MIN_COUNT
        scales, attitudes = scales[sifted], attitudes[sifted]
        if scales.size == 0:
            return
        needed = worth_a_refit(near.size, self._chance_hits * view.raster.filled, fixed)
        nearer = 3.0 * self._tolerance_px * self._sought.scale
        best = best_of(view, self._field, attitudes, scales, self._corner_px, needed, most)
        for k in best:
            if _seen_before(self._shown, attitudes[k], view.parity, nearer):
                continue
            self._shown.append((attitudes[k], view.parity))
            yield Approximation(
                attitudes[k],
                view.parity,
                float(scales[k]),
                reach_px=1.5 * self._tolerance_px,
                log10_trials=math.log10(max(10, self.trials)),
                fixed_stars=fixed,
                prior=self._sought.prior,
            )


def directions(pixels: Floats, scale: Floats | float) -> Vector:
    """Unit vectors (..., 3) in the camera frame of pixels (..., 2) from the centre.

    ``scale`` (...) is in rad per pixel.
    """
    plane = pixels * np.asarray(scale)[..., None]
    v = np.concatenate([plane, np.ones((*plane.shape[:-1], 1))], axis=-1)
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))


def attitudes_of(
    first: Vector, second: Vector, one: Floats, other: Floats, scale: Floats
) -> Matrix:
    """Camera axes as columns (H, 3, 3) that put pairs of stars where pairs of detections are.

    Args:
        first: (H, 3) ICRS, one star of each pair.
        second: (H, 3) the other.
        one: (H, 2) or (2,) where the first are: pixels from the centre, in the camera's handedness.
        other: where the second are.
        scale: (H,) rad per pixel at which the pairs are as far apart as the stars. At the hint's
            scale instead a pair off the centre would put the boresight off by as many percent of
            its distance from there as the hint is off.
    """
    seen = triad(directions(one, scale), directions(other, scale))
    return np.asarray(triad(first, second) @ np.swapaxes(seen, -1, -2))


def triad(a: Vector, b: Vector) -> Matrix:
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


def worth_a_refit(hypotheses: int, chance_hits: float, fixed: int) -> int:
    """Return the count that fewer than one of so many random hypotheses reaches.

    ``fixed`` of the count made the hypothesis; the others are Poisson with mean ``chance_hits``.
    """
    rare = 0.5 / max(1, hypotheses)
    extra = max(1, _MIN_COUNT - fixed)
    # P(X >= k) of a Poisson variable is a regularised incomplete gamma function
    while gammainc(extra, chance_hits) > rare and extra < 1000:
        extra += 1
    return fixed + extra


def best_of(
    view: View,
    field: Field,
    attitudes: Matrix,
    scales: Floats,
    corner_px: float,
    needed: int,
    most: int,
) -> list[int]:
    """Return which hypotheses put at least ``needed`` stars on detections, the best first.

    Args:
        view: the detections.
        field: the catalogue that judges.
        attitudes: (H, 3, 3) camera axes as columns.
        scales: (H,) rad per pixel.
        corner_px: half the frame's diagonal.
        needed: see `worth_a_refit`.
        most: how many are returned at most.
    """
    counts = _count(field, attitudes, scales, corner_px, view.raster)
    return [int(k) for k in np.argsort(-counts, kind="stable")[:most] if counts[k] >= needed]


def _seen_before(
    shown: list[tuple[Matrix, int]], attitude: Matrix, sign: int, nearer: float
) -> bool:
    """Whether this hypothesis was yielded already, give or take ``nearer`` (rad)."""
    return any(s == sign and float(np.max(np.abs(other - attitude))) < nearer for other, s in shown)


def _count(
    field: Field, attitudes: Matrix, scales: Floats, corner_px: float, raster: Raster
) -> NDArray[np.float64]:
    """Distinct detections (H,) that catalogue stars of the frame land on."""
    total = np.zeros(scales.size)
    corners = np.arctan(scales * corner_px)
    for first in range(0, scales.size, _CHUNK):
        part = slice(first, first + _CHUNK)
        around = field.tree.query_ball_point(attitudes[part, :, 2], 2.0 * np.sin(corners[part] / 2))
        size = np.array([len(rows) for rows in around])
        owner = np.repeat(np.arange(size.size), size)
        rows = np.concatenate([np.asarray(rows, dtype=np.int64) for rows in around])
        camera = np.einsum("ni,nij->nj", field.vectors[rows], attitudes[part][owner])
        z = np.where(camera[:, 2] > 0.05, camera[:, 2], np.nan)
        places = camera[:, :2] / z[:, None] / scales[part][owner][:, None]
        places = np.nan_to_num(places, nan=1e9)
        hit, _ = raster(places)
        good = hit >= 0
        key = owner[good] * 32768 + hit[good]
        total[part] = np.bincount(np.unique(key) // 32768, minlength=size.size)
    return total
