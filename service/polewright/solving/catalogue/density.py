"""How many catalogue stars a field holds, looked up instead of counted.

The sky is cut into bands of two degrees of declination and each band into cells about as wide, some
ten thousand in all. A catalogue's stars brighter than each of a row of magnitudes are counted per
cell once; the density around a direction is that of its cell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import DEG, TAU, Vector
from polewright.solving.catalogue.catalogue import bundled_catalogue

_BAND = 2.0 * DEG
_BANDS = 90

#: Cumulative counts are kept for stars brighter than these magnitudes, and for all.
MAGNITUDES = (*(float(m) for m in np.arange(8.0, 18.1, 0.5)), math.inf)

SPARSE_STARS = 6.0
"""Stars a frame below which a solve is a matter of luck (measured with tests/bench/solver_grid.py;
fields of 1.35 degrees with six and more were solved 45 times of 45)."""
SURE_STARS = 11.0
"""Mean number a frame at which `SPARSE_STARS` are there 96 times of 100 (Poisson's law)."""


@dataclass(frozen=True)
class _Cells:
    per_band: NDArray[np.int64]
    first: NDArray[np.int64]
    area: NDArray[np.float64]
    """Steradians of each cell."""


@cache
def _cells() -> _Cells:
    edges = -0.5 * math.pi + _BAND * np.arange(_BANDS + 1)
    middles = 0.5 * (edges[:-1] + edges[1:])
    per_band = np.maximum(1, np.rint(TAU / _BAND * np.cos(middles))).astype(np.int64)
    band_area = TAU * np.diff(np.sin(edges)) / per_band
    first = np.concatenate([[0], np.cumsum(per_band)]).astype(np.int64)
    return _Cells(per_band, first, np.repeat(band_area, per_band))


def cell_count() -> int:
    """Return the number of cells."""
    return int(_cells().first[-1])


def cell_of(vectors: Vector) -> NDArray[np.int64]:
    """Cells (N,) of ICRS unit vectors (N, 3)."""
    cells = _cells()
    dec = np.arcsin(np.clip(vectors[:, 2], -1.0, 1.0))
    ra = np.arctan2(vectors[:, 1], vectors[:, 0]) % TAU
    band = np.clip(((dec + 0.5 * math.pi) / _BAND).astype(np.int64), 0, _BANDS - 1)
    count = cells.per_band[band]
    return np.asarray(
        cells.first[band] + np.minimum((ra / TAU * count).astype(np.int64), count - 1)
    )


def count_stars(vectors: Vector, magnitude: NDArray[np.float32]) -> NDArray[np.int32]:
    """Stars (M, C) brighter than each of `MAGNITUDES` in each cell."""
    cell = cell_of(vectors)
    step = np.searchsorted(np.array(MAGNITUDES[:-1]), magnitude)
    flat = np.bincount(step * cell_count() + cell, minlength=len(MAGNITUDES) * cell_count())
    return np.cumsum(flat.reshape(len(MAGNITUDES), -1), axis=0, dtype=np.int32)


@dataclass(frozen=True, eq=False)
class SkyDensity:
    """Stars brighter than each of `MAGNITUDES` in each cell, (M, C)."""

    counts: NDArray[np.int32]

    @staticmethod
    def of(vectors: Vector, magnitude: NDArray[np.float32]) -> SkyDensity:
        """Count stars given by unit vectors (N, 3) and magnitudes (N,)."""
        return SkyDensity(count_stars(vectors, magnitude))

    def __add__(self, other: SkyDensity) -> SkyDensity:
        return SkyDensity(self.counts + other.counts)

    def per_steradian(self, vectors: Vector) -> NDArray[np.float64]:
        """Stars per steradian (N,) around ICRS directions (N, 3)."""
        cell = cell_of(vectors)
        return np.asarray(self.counts[-1, cell] / _cells().area[cell])

    def depth_for(self, vectors: Vector, wanted: float) -> float:
        """Brightest of `MAGNITUDES` to which every cell of (N, 3) has ``wanted`` per steradian.

        Infinity when not even all stars are as many.
        """
        cell = cell_of(vectors)
        poorest = np.min(self.counts[:, cell] / _cells().area[cell], axis=1)
        return MAGNITUDES[min(int(np.searchsorted(poorest, wanted)), len(MAGNITUDES) - 1)]

    def quantile(self, share: float) -> float:
        """Stars per steradian that ``share`` (0 to 1) of the sky does not reach."""
        area = _cells().area
        density = self.counts[-1] / area
        order = np.argsort(density)
        reached = np.cumsum(area[order]) / np.sum(area)
        return float(density[order[min(int(np.searchsorted(reached, share)), order.size - 1)]])

    @property
    def covered(self) -> float:
        """Share (0 to 1) of the sky whose cells hold any star."""
        area = _cells().area
        return float(np.sum(area[self.counts[-1] > 0]) / np.sum(area))


@cache
def bundled_density() -> SkyDensity:
    """Return how many of the bundled catalogue's stars are where, counted once a process."""
    stars = bundled_catalogue()
    return SkyDensity.of(stars.vectors, stars.magnitude)


def narrowest_width_deg(per_steradian: float, stars: float = SURE_STARS) -> float:
    """Width of a 3:2 frame that shows so many stars on average, degrees; infinity if none."""
    if per_steradian <= 0.0:
        return math.inf
    return math.sqrt(1.5 * stars / per_steradian) / DEG
