"""Tables of stars from elsewhere: text, FITS or Parquet, with their columns' usual names."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import ARCSEC, DEG, HOUR
from polewright.foundation.errors import in_words
from polewright.foundation.language import joined, say
from polewright.solving.catalogue.addon_index import (
    INDEX_EPOCH,
    check_packing,
    fits_troubles,
    is_index,
    read_index,
)
from polewright.solving.catalogue.addon_table import (
    DEC_NAMES,
    EPOCH_NAMES,
    MAGNITUDE_NAMES,
    PM_DEC_NAMES,
    PM_RA_NAMES,
    RA_NAMES,
    ReadOptions,
    Table,
    interesting,
    plain,
)
from polewright.solving.catalogue.addon_text import text_table
from polewright.solving.catalogue.catalogue import StarColumns
from polewright.solving.errors import CatalogueRefused

Floats = NDArray[np.float64]

_GAIA = ("photgmeanmag", "refepoch", "sourceid")
_GAIA_EPOCH = 2016.0

ANGLE_UNITS: Mapping[str, float] = {
    "deg": DEG, "degree": DEG, "degrees": DEG, "d": DEG, "rad": 1.0, "radian": 1.0,
    "hourangle": HOUR, "h": HOUR, "hr": HOUR, "hour": HOUR, "hours": HOUR,
}  # fmt: skip
MOTION_UNITS: Mapping[str, float] = {
    "masyr": 1e-3 * ARCSEC, "milliarcsecyr": 1e-3 * ARCSEC, "masyear": 1e-3 * ARCSEC,
    "masa": 1e-3 * ARCSEC, "arcsecyr": ARCSEC, "arcsecyear": ARCSEC, "asyr": ARCSEC,
    "degyr": DEG, "radyr": 1.0,
}  # fmt: skip

_MOST_BLANK = 0.5
"""Share of rows without position or magnitude above which a file is refused (own choice)."""


@dataclass(frozen=True, eq=False)
class ReadStars:
    """What a file held."""

    path: Path
    stars: StarColumns
    rows: NDArray[np.int64]
    """Row of each star, from 1, so that what is wrong with it can be found."""
    blank: int
    """Rows left out, since position or magnitude was missing."""
    epoch_year: float
    epoch_told: bool
    """False: assumed from custom."""
    columns: str
    """Which columns were used, for people."""


def read_stars(path: Path, options: ReadOptions) -> ReadStars:
    """Read a file of stars, whatever its kind.

    Raises:
        CatalogueRefused: it cannot be read or understood; says which column and row.
    """
    if not path.is_file():
        raise CatalogueRefused(str(path), say("there is no such file"))
    name = path.name.lower().removesuffix(".gz")
    if name.endswith((".fits", ".fit", ".fts")):
        check_packing(path)
        if is_index(path):
            stars = read_index(path, options.magnitude)
            told = options.epoch_year is not None
            epoch = INDEX_EPOCH if options.epoch_year is None else options.epoch_year
            rows = np.arange(1, len(stars) + 1)
            return ReadStars(path, stars, rows, 0, epoch, told, say("an index's stars"))
        table = _fits_table(path)
    elif name.endswith((".parquet", ".pq")):
        table = _parquet_table(path, options)
    else:
        table = text_table(path, options)
    return _understood(path, table, options)


def _understood(path: Path, table: Table, options: ReadOptions) -> ReadStars:
    """Turn named columns into stars."""
    names = [name for name in table.names if name in table.columns]
    ra_name = _pick(
        path, names, options.ra, RA_NAMES, say("right ascension"), "--ra-column", table.names
    )
    dec_name = _pick(
        path, names, options.dec, DEC_NAMES, "declination", "--dec-column", table.names
    )
    mag_name = _pick(
        path, names, options.magnitude, MAGNITUDE_NAMES, "magnitude", "--mag-column", table.names
    )
    pm = [
        _maybe(path, names, options.pm_ra, PM_RA_NAMES),
        _maybe(path, names, options.pm_dec, PM_DEC_NAMES),
    ]
    ra, dec, magnitude = (table.columns[n] for n in (ra_name, dec_name, mag_name))
    blank = ~(np.isfinite(ra) & np.isfinite(dec) & np.isfinite(magnitude))
    if ra.size == 0:
        raise CatalogueRefused(str(path), say("it has no rows"))
    if np.mean(blank) > _MOST_BLANK:
        raise CatalogueRefused(
            str(path),
            say("{blank:.0%} of the rows have no position or no magnitude", blank=np.mean(blank)),
            next(
                n for n in (mag_name, ra_name, dec_name) if np.any(~np.isfinite(table.columns[n]))
            ),
            int(np.flatnonzero(blank)[0]) + 1,
        )
    rows = np.flatnonzero(~blank)
    ra_unit = _unit(path, ra_name, options.ra_unit or table.units.get(ra_name), ANGLE_UNITS)
    dec_unit = _unit(path, dec_name, options.dec_unit or table.units.get(dec_name), ANGLE_UNITS)
    if dec_unit == HOUR:
        raise CatalogueRefused(
            str(path), say("a declination is not told in hours"), dec_name, None,
            say("Say --dec-unit deg or --dec-unit rad; hours are for --ra-unit."),
        )  # fmt: skip
    if ra_unit is None and plain(ra_name) == "rahours":
        ra_unit = HOUR
    elif ra_unit is None:
        ra_unit = DEG
        _in_degrees(path, ra_name, ra[rows], dec[rows])
    motions: list[Floats | None] = [None, None]
    if pm[0] is not None and pm[1] is not None:
        for k, pm_name in enumerate(pm):
            assert pm_name is not None  # noqa: S101 - narrows the type
            unit = _unit(path, pm_name, options.pm_unit or table.units.get(pm_name), MOTION_UNITS)
            scale = MOTION_UNITS["masyr"] if unit is None else unit
            motions[k] = np.nan_to_num(table.columns[pm_name][rows]) * scale
    epoch, told = _epoch(path, table, options, (ra_name, mag_name))
    stars = StarColumns(
        ra[rows] * ra_unit,
        dec[rows] * (DEG if dec_unit is None else dec_unit),
        magnitude[rows].astype(np.float32),
        *motions,
    )
    used = ", ".join(
        [ra_name, dec_name, mag_name, *(n for n in pm if n and motions[0] is not None)]
    )
    return ReadStars(path, stars, rows + 1, int(np.count_nonzero(blank)), epoch, told, used)


def _in_degrees(path: Path, name: str, ra: Floats, dec: Floats) -> None:
    """Refuse right ascensions that look like hours or radians while no unit is told."""
    top = float(np.max(np.abs(ra)))
    span = float(np.ptp(np.percentile(dec, [5.0, 95.0])))
    if ra.size >= 100 and span > 30.0 and top <= 24.0:
        raise CatalogueRefused(
            str(path), say("no value is above {top:.3f}: are these hours?", top=top), name, None,
            say("Say which with --ra-unit hour or --ra-unit deg."),
        )  # fmt: skip
    if ra.size >= 100 and top <= 2.0 * math.pi and float(np.max(np.abs(dec))) <= 0.5 * math.pi:
        raise CatalogueRefused(
            str(path), say("no value is above {top:.3f}: are these radians?", top=top), name, None,
            say("Say which with --ra-unit rad --dec-unit rad, or --ra-unit deg."),
        )  # fmt: skip


def _epoch(
    path: Path, table: Table, options: ReadOptions, names: Sequence[str]
) -> tuple[float, bool]:
    """Return the epoch, and whether it was told (by the user or by a column)."""
    if options.epoch_year is not None:
        return options.epoch_year, True
    column = next((n for n in table.columns if plain(n) in EPOCH_NAMES), None)
    if column is not None:
        years = table.columns[column][np.isfinite(table.columns[column])]
        if years.size and float(np.ptp(years)) < 0.05 and 1850.0 < float(years[0]) < 2150.0:
            return float(years[0]), True
        raise CatalogueRefused(
            str(path),
            say("stars have epochs of their own, or this is no Julian year"),
            column,
            None,
            say("Bring all to one epoch, and give it with --epoch."),
        )
    known = {plain(name) for name in table.columns} | {plain(name) for name in names}
    return (_GAIA_EPOCH if known & set(_GAIA) else INDEX_EPOCH), False


def _pick(
    path: Path,
    names: Sequence[str],
    wanted: str | None,
    usual: Sequence[str],
    what: str,
    option: str,
    every: Sequence[str],
) -> str:
    """Return the column for a thing: the one asked for, or the first usual name.

    Raises:
        CatalogueRefused: there is none.
    """
    found = _maybe(path, names, wanted, usual)
    if found is None:
        shown = ", ".join(every[:30]) or say("none")
        raise CatalogueRefused(
            str(path),
            say(
                "no column looks like the {quantity}; there are: {shown}",
                quantity=what,
                shown=shown,
            ),
            "",
            None,
            say("Name it with {option}.", option=option),
        )
    return found


def _maybe(
    path: Path, names: Sequence[str], wanted: str | None, usual: Sequence[str]
) -> str | None:
    if wanted is not None:
        for name in names:
            if name == wanted or name.lower() == wanted.lower():
                return name
        raise CatalogueRefused(
            str(path),
            say("there is no such column; there are: {names}", names=joined(", ", names[:30])),
            wanted,
        )
    by_plain = {plain(name): name for name in reversed(names)}
    return next((by_plain[u] for u in usual if u in by_plain), None)


def _unit(path: Path, column: str, told: str | None, known: Mapping[str, float]) -> float | None:
    """Return the factor to radians (per year) of a unit; None where none is told."""
    if not told:
        return None
    word = plain(told.replace("^-1", "").replace("**-1", "").replace("-1", ""))
    word = word.replace("per", "") if "per" in word else word
    if word not in known:
        raise CatalogueRefused(
            str(path),
            say(
                "the unit {told!r} is unknown here; known: {known}",
                told=told,
                known=joined(", ", known),
            ),
            column,
        )
    return known[word]


def _fits_table(path: Path) -> Table:
    from astropy.io import fits

    try:
        with fits.open(path) as file:
            tables = [h for h in file if getattr(h, "columns", None) and len(h.data)]
            columns: dict[str, Floats] = {}
            units: dict[str, str] = {}
            for hdu, column in ((h, c) for h in tables[:1] for c in h.columns):
                values = np.asarray(hdu.data[column.name])
                if values.ndim == 1 and values.dtype.kind in "iuf":
                    columns[column.name] = np.array(values, dtype=np.float64)
                    if values.dtype.kind in "iu" and column.null is not None:
                        columns[column.name][values == column.null] = math.nan
                    units[column.name] = str(column.unit or "")
    except fits_troubles() as exc:
        raise CatalogueRefused(
            str(path), say("it cannot be read as FITS ({exc})", exc=exc)
        ) from exc
    if not tables:
        raise CatalogueRefused(str(path), say("this FITS file has no table with rows"))
    return Table(columns, units, tuple(tables[0].columns.names))


def _parquet_table(path: Path, options: ReadOptions) -> Table:
    try:
        pyarrow = import_module("pyarrow")
        parquet = import_module("pyarrow.parquet")
    except ImportError as exc:
        raise CatalogueRefused(
            str(path),
            say("Parquet needs the library pyarrow, which is not installed"),
            "",
            None,
            say('Install it with: pip install "polewright[parquet]"; or convert the file to CSV.'),
        ) from exc
    try:
        schema = parquet.read_schema(path)
        wanted = [n for n in schema.names if interesting(n) or n in options.named]
        table = parquet.read_table(path, columns=wanted)
        columns, units = {}, {}
        for field in table.schema:
            if pyarrow.types.is_floating(field.type) or pyarrow.types.is_integer(field.type):
                values = table.column(field.name).to_numpy()
                columns[field.name] = np.asarray(values, dtype=np.float64)
                units[field.name] = (field.metadata or {}).get(b"unit", b"").decode()
    except (OSError, ValueError, pyarrow.ArrowException) as exc:
        raise CatalogueRefused(
            str(path), say("it cannot be read as Parquet ({exc})", exc=in_words(exc))
        ) from exc
    return Table(columns, units, tuple(schema.names))
