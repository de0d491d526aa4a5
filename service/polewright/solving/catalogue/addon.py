"""An add-on star catalogue in one file, read by memory map: a cone costs milliseconds.

Layout: eight bytes of magic, the header's length (u32), a JSON header, and the columns, each
starting at a multiple of 64 bytes. Stars are sorted into slabs of magnitude, a slab into zones of
half a degree of declination, a zone by right ascension; so a cone down to some magnitude is a few
short pieces of the file. Positions are 32-bit fractions of a turn (0.3 mas), proper motions whole
milliarcseconds a year, magnitudes thousandths. Own design.
"""

from __future__ import annotations

import hashlib
import json
import math
import mmap
import os
import struct
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from polewright.foundation.angles import DEG, TAU, Vector
from polewright.foundation.errors import in_words
from polewright.foundation.files import write_whole
from polewright.foundation.language import say
from polewright.solving.catalogue.catalogue import ConeStars, StarColumns, unknown_drift
from polewright.solving.catalogue.density import MAGNITUDES, SkyDensity, cell_count
from polewright.solving.errors import CatalogueUnusable

SUFFIX = ".stars"
LAYOUT = 1

_MAGIC = b"PWSTARS\x01"
_LENGTH = struct.Struct("<I")
_ALIGN = 64
_TURN = 2.0**32 / TAU
_MAS = DEG / 3.6e6
_ZONES = 360
_SLAB_EDGES = (9.0, 10.0, *(float(m) for m in np.arange(10.5, 20.1, 0.5)))
_SLABS = len(_SLAB_EDGES) + 1
_COLUMNS = {
    "ra": "<u4",
    "dec": "<i4",
    "magnitude": "<i2",
    "pm_ra": "<i2",
    "pm_dec": "<i2",
    "start": "<i8",
    "counts": "<i4",
    "extra": "<i4",
}
#: Files whose checksum was right in this process: path, bytes, time of change (ns).
_sound: set[tuple[str, int, int]] = set()


#: No number of a header is larger; a damaged one may be.
_Number = Annotated[float, Field(gt=-1e12, lt=1e12)]
_Count = Annotated[int, Field(ge=0, lt=10**12)]


class AddOnHeader(BaseModel):
    """What is told about an add-on catalogue."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    name: str
    sources: tuple[str, ...] = Field(description="files it was built from")
    built_utc: str
    epoch_year: _Number = Field(description="Julian year of the positions")
    moving: bool = Field(description="whether there are proper motions")
    stars: _Count
    brightest: _Number
    faintest: _Number = Field(description="99th percentile of the magnitudes")
    extra_stars: _Count = Field(description="stars that the bundled catalogue does not have")
    covered: _Number = Field(description="share of the sky with any star")
    compared: _Count = Field(description="bright stars looked up in the bundled catalogue")
    agreeing: _Number | None = Field(
        description="share of them found there; null when there was nothing to compare"
    )
    offset_arcsec: _Number | None = Field(description="median distance of these pairs")
    checksum: str = Field("", description="SHA-256 of everything after the header, hexadecimal")


def _header(about: object) -> AddOnHeader:
    """Take what a file says, which the checksum does not cover. Raises TypeError."""
    try:
        return AddOnHeader.model_validate_json(json.dumps(about))
    except ValidationError as exc:
        first = exc.errors()[0]
        name = ".".join(str(part) for part in first["loc"])
        raise TypeError(say("{name} is {found!r}", name=name, found=first["input"])) from exc


def _zone(dec: NDArray[np.float64] | float) -> NDArray[np.int64]:
    zone = np.floor((np.asarray(dec) / math.pi + 0.5) * _ZONES)
    return np.clip(zone, 0, _ZONES - 1).astype(np.int64)


def write_addon(
    path: Path,
    header: AddOnHeader,
    stars: StarColumns,
    counts: SkyDensity,
    extra: SkyDensity,
) -> AddOnHeader:
    """Write a catalogue whole or not at all; return its header with the checksum.

    Args:
        path: the file, replaced when it is there.
        header: what is told about it.
        stars: the stars.
        counts: how many of them are where.
        extra: the same of those that the bundled catalogue does not have.

    Raises:
        CatalogueUnusable: it cannot be written; what was there before still is.
    """
    magnitude = np.clip(np.rint(stars.magnitude * 1000.0), -32000, 32000).astype("<i2")
    slab = np.searchsorted(np.array(_SLAB_EDGES), magnitude / 1000.0, side="right")
    zone = _zone(stars.dec)
    ra = (np.rint(stars.ra % TAU * _TURN).astype(np.int64) & 0xFFFFFFFF).astype("<u4")
    order = np.lexsort([ra, zone, slab])
    place = slab * _ZONES + zone
    start = np.concatenate([[0], np.cumsum(np.bincount(place, minlength=_SLABS * _ZONES))])
    columns: dict[str, NDArray[Any]] = {
        "ra": ra[order],
        "dec": np.rint(stars.dec[order] * _TURN).astype("<i4"),
        "magnitude": magnitude[order],
    }
    if stars.pm_ra is not None and stars.pm_dec is not None:
        for name, motion in (("pm_ra", stars.pm_ra), ("pm_dec", stars.pm_dec)):
            columns[name] = np.rint(motion[order] / _MAS).astype("<i2")
    columns |= {"start": start, "counts": counts.counts, "extra": extra.counts}
    body, offsets = bytearray(), {}
    for name, column in columns.items():
        body += b"\0" * (-len(body) % _ALIGN)
        offsets[name] = (len(body), int(column.size))
        body += np.ascontiguousarray(column, dtype=_COLUMNS[name]).tobytes()
    header = header.model_copy(update={"checksum": hashlib.sha256(body).hexdigest()})
    about = header.model_dump(mode="json")
    told = json.dumps({"layout": LAYOUT, "columns": offsets, "about": about}).encode()
    told += b" " * (-(len(_MAGIC) + _LENGTH.size + len(told)) % _ALIGN)
    _write(path, _MAGIC + _LENGTH.pack(len(told)) + told, body)
    return header


def _write(path: Path, head: bytes, body: bytearray) -> None:
    try:
        write_whole(path, head, body)
    except OSError as exc:
        raise CatalogueUnusable(
            str(path),
            say("it cannot be written ({exc})", exc=in_words(exc, told=path)),
            say("Check the folder, its rights and space."),
        ) from exc


class AddOn:
    """An add-on catalogue on disk: a `catalogue.StarSource`."""

    def __init__(self, path: Path) -> None:
        """Map the file; its checksum is compared once a process, as long as it is unchanged.

        Raises:
            CatalogueUnusable: it is missing, of another kind, cut short or damaged.
        """
        self.path = path
        try:
            with path.open("rb") as file:
                about_file = os.fstat(file.fileno())
                self._map = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        except OSError as exc:
            raise CatalogueUnusable(str(path), in_words(exc)) from exc
        except ValueError as exc:  # no file of length 0 can be mapped
            raise self._damaged(say("it is empty")) from exc
        fixed = len(_MAGIC) + _LENGTH.size
        if self._map[: len(_MAGIC)] != _MAGIC or len(self._map) < fixed:
            raise CatalogueUnusable(str(path), say("it is no catalogue made by this program"))
        (length,) = _LENGTH.unpack(self._map[len(_MAGIC) : fixed])
        self._body = fixed + length
        try:
            told = json.loads(self._map[fixed : self._body])
            if told["layout"] != LAYOUT:
                raise CatalogueUnusable(
                    str(path),
                    say(
                        "its layout is {layout}; this version knows {known}",
                        layout=told["layout"],
                        known=LAYOUT,
                    ),
                )
            self.header = _header(told["about"])
            columns = {name: self._column(name, *told["columns"][name]) for name in told["columns"]}
            self._ra, self._dec = columns["ra"], columns["dec"]
            self._magnitude, self._start = columns["magnitude"], columns["start"]
            self._pm = (columns["pm_ra"], columns["pm_dec"]) if self.header.moving else None
            self._counts, self._extra = columns["counts"], columns["extra"]
            self._fits_together()
        except (KeyError, TypeError, ValueError, OverflowError) as exc:
            raise self._damaged(say("it is damaged or cut short ({exc})", exc=exc)) from exc
        stamp = (str(path.absolute()), about_file.st_size, about_file.st_mtime_ns)
        if stamp not in _sound:
            self.verify()
            _sound.add(stamp)

    def _damaged(self, reason: str) -> CatalogueUnusable:
        folder = self.path.absolute().parent
        removal = (
            say(
                "remove it with `polewright catalogue remove {stem} --folder {folder}`",
                stem=self.path.stem,
                folder=folder,
            )
            if self.path.suffix == SUFFIX
            else say("delete the file")
        )
        return CatalogueUnusable(
            str(self.path),
            reason,
            say("Build it again with `polewright catalogue build`, or {removal}.", removal=removal),
        )

    def _fits_together(self) -> None:
        """Check that columns belong to one another. Raises ValueError where they do not."""
        rows = [self._ra, self._dec, self._magnitude, *(self._pm or ())]
        if {int(column.size) for column in rows} != {self.header.stars}:
            raise ValueError("its columns are of different lengths")
        cells = len(MAGNITUDES) * cell_count()
        if self._counts.size != cells or self._extra.size != cells:
            raise ValueError("its counts are not those of the sky's cells")
        if (
            self._start.size != _SLABS * _ZONES + 1
            or self._start[0] != 0
            or self._start[-1] != self._ra.size
            or np.any(np.diff(self._start) < 0)
        ):
            raise ValueError("its index does not fit its stars")

    def _column(self, name: str, offset: int, count: int) -> NDArray[Any]:
        if offset < 0 or count < 0:
            raise ValueError(
                say(
                    "column {name} has {count} values at {offset}",
                    name=name,
                    count=count,
                    offset=offset,
                )
            )
        return np.frombuffer(
            self._map, dtype=_COLUMNS[name], count=count, offset=self._body + offset
        )

    def verify(self) -> None:
        """Read all of the file and compare its checksum.

        Raises:
            CatalogueUnusable: it was changed or damaged since it was built.
        """
        if hashlib.sha256(memoryview(self._map)[self._body :]).hexdigest() != self.header.checksum:
            raise self._damaged(say("its checksum is wrong: the file is damaged"))

    def __len__(self) -> int:
        return int(self._ra.size)

    @property
    def name(self) -> str:
        """Name and contents."""
        return f"{self.header.name}-{self.header.checksum[:8]}"

    @property
    def limit(self) -> float:
        """Magnitude of its faint stars."""
        return self.header.faintest

    @property
    def moving(self) -> bool:
        """Whether it has proper motions."""
        return self.header.moving

    @cached_property
    def density(self) -> SkyDensity:
        """How many of its stars are where."""
        return SkyDensity(self._counts.reshape(-1, self._counts_cells))

    @cached_property
    def extra_density(self) -> SkyDensity:
        """How many of the stars that the bundled catalogue does not have are where."""
        return SkyDensity(self._extra.reshape(-1, self._counts_cells))

    @property
    def _counts_cells(self) -> int:
        return cell_count()

    def cone(
        self, centre: Vector, radius: float, epoch_year: float, *, faintest: float | None = None
    ) -> ConeStars:
        """Return the stars within ``radius`` (rad) of the unit vector ``centre``, sorted."""
        radius = min(radius, math.pi)
        pieces = [np.arange(a, b) for a, b in self._pieces(centre, radius, faintest)]
        rows = np.concatenate(pieces) if pieces else np.empty(0, dtype=np.int64)
        ra, dec = self._ra[rows] / _TURN, self._dec[rows] / _TURN
        cos_ra, sin_ra, cos_dec, sin_dec = np.cos(ra), np.sin(ra), np.cos(dec), np.sin(dec)
        vectors = np.stack([cos_dec * cos_ra, cos_dec * sin_ra, sin_dec], axis=1)
        magnitude = (self._magnitude[rows] / 1000.0).astype(np.float32)
        near = vectors @ centre >= math.cos(radius)
        if faintest is not None:
            near &= magnitude <= faintest
        if self._pm is not None:
            years = (epoch_year - self.header.epoch_year) * _MAS
            east = self._pm[0][rows] * years
            north = self._pm[1][rows] * years
            vectors[:, 0] += -sin_ra * east - sin_dec * cos_ra * north
            vectors[:, 1] += cos_ra * east - sin_dec * sin_ra * north
            vectors[:, 2] += cos_dec * north
            vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
        kept = np.flatnonzero(near)
        kept = kept[np.argsort(magnitude[kept], kind="stable")]
        every = np.ones(kept.size, dtype=np.bool_)
        still = every if self._pm is None else ~every
        drift = unknown_drift(epoch_year - self.header.epoch_year, still)
        return ConeStars(vectors[kept], magnitude[kept], rows[kept] + 1, every, drift)

    def _pieces(
        self, centre: Vector, radius: float, faintest: float | None
    ) -> Iterator[tuple[int, int]]:
        """Yield runs of rows that hold every star of a cone, and not many others."""
        dec = math.asin(max(-1.0, min(1.0, float(centre[2]))))
        ra = math.atan2(float(centre[1]), float(centre[0])) % TAU
        first, last = int(_zone(dec - radius)), int(_zone(dec + radius))
        slabs = _SLABS
        if faintest is not None:
            slabs = int(np.searchsorted(np.array(_SLAB_EDGES), faintest, side="right")) + 1
        windows = [(0.0, TAU)]
        if abs(dec) + radius < 0.5 * math.pi - 1e-9:
            # the cone's widest reach in right ascension (spherical right triangle)
            half = math.asin(min(1.0, math.sin(radius) / math.cos(dec))) + 1e-9
            low, high = ra - half, ra + half
            windows = [(max(low, 0.0), min(high, TAU))]
            if low < 0.0:
                windows.append((low + TAU, TAU))
            if high > TAU:
                windows.append((0.0, high - TAU))
        whole = windows == [(0.0, TAU)]
        for slab in range(slabs):
            start = self._start[slab * _ZONES + first : slab * _ZONES + last + 2]
            if start[0] == start[-1]:
                continue
            if whole:
                yield int(start[0]), int(start[-1])
                continue
            for a, b in zip(start[:-1].tolist(), start[1:].tolist(), strict=True):
                if a == b:
                    continue
                zone = self._ra[a:b]
                for low, high in windows:
                    ends = np.array([low * _TURN, min(high * _TURN, 2.0**32 - 1.0)])
                    i, j = np.searchsorted(zone, np.rint(ends).astype(np.uint32))
                    j = j + 1 if j < b - a else j
                    if j > i:
                        yield a + int(i), a + int(j)
