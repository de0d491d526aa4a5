"""The stars in index files of the astrometry.net suite.

An index holds its stars as a kd-tree's data (unit vectors, scaled to unsigned integers or plain
floats, in the byte order that the file's ENDIAN card tells) and, in the same order, extra columns
such as a magnitude. The file's own comments explain the parts; see also the suite's kdtree_fits_io.
Stars of an index are thinned evenly over the sky: it is deep where stars are rare.
"""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import spherical
from polewright.foundation.errors import in_words
from polewright.foundation.language import say
from polewright.solving.catalogue.addon_table import MAGNITUDE_NAMES, plain
from polewright.solving.catalogue.catalogue import StarColumns
from polewright.solving.errors import CatalogueRefused

INDEX_EPOCH = 2000.0
"""Index files carry no proper motions; their makers use positions for J2000 (from memory)."""

_GZIP = b"\x1f\x8b"
_TYPES = {"u16": "u2", "u32": "u4", "double": "f8", "float": "f4"}


def is_index(path: Path) -> bool:
    """Whether a FITS file says that it is such an index."""
    from astropy.io import fits

    try:
        with fits.open(path) as file:
            return str(file[0].header.get("AN_FILE", "")).strip() in {"QUAD", "SKDT"}
    except fits_troubles():
        return False


def fits_troubles() -> tuple[type[Exception], ...]:
    """Return what a damaged FITS file, packed or not, makes the library raise."""
    from astropy.io import fits

    wrong = (ValueError, TypeError, KeyError, IndexError, fits.VerifyError)
    return (OSError, EOFError, zlib.error, *wrong)


def check_packing(path: Path) -> None:
    """Unpack a gzip file to its end, where its checksum is; anything else is left alone.

    The library may read on for ever in a damaged one.

    Raises:
        CatalogueRefused: it is damaged or cut short.
    """
    try:
        with path.open("rb") as file:
            if file.read(len(_GZIP)) != _GZIP:
                return
        with gzip.open(path, "rb") as file:
            while file.read(1 << 20):
                pass
    except (OSError, EOFError, zlib.error) as exc:
        raise CatalogueRefused(
            str(path), say("it cannot be unpacked ({exc})", exc=in_words(exc))
        ) from exc


def read_index(path: Path, magnitude_column: str | None = None) -> StarColumns:
    """Read the stars of an index.

    Args:
        path: the file.
        magnitude_column: the one to use; the first whose name looks like it when left out.

    Raises:
        CatalogueRefused: the file is cut short, or has no magnitudes.
    """
    from astropy.io import fits

    try:
        with fits.open(path) as file:
            vectors = _vectors(file, path)
            return _with_magnitudes(file, path, vectors, magnitude_column)
    except CatalogueRefused:
        raise
    except fits_troubles() as exc:
        raise CatalogueRefused(str(path), say("the index cannot be read ({exc})", exc=exc)) from exc


def _vectors(file: Any, path: Path) -> NDArray[np.float64]:
    tree = next((h for h in file if str(h.header.get("KDT_NAME", "")).strip() == "stars"), None)
    data = _named(file, "kdtree_data_stars")
    if tree is None or data is None:
        raise CatalogueRefused(str(path), say("this index has no stars in it (no kd-tree 'stars')"))
    kind = str(tree.header["KDT_DATA"]).strip()
    if kind not in _TYPES:
        raise CatalogueRefused(
            str(path), say("its stars are stored as {kind!r}, which is unknown", kind=kind)
        )
    order = ">" if str(tree.header.get("ENDIAN", "04:03:02:01")).startswith("01") else "<"
    count = int(tree.header["KDT_NDAT"])
    stored = _raw(path, data, f"{order}{_TYPES[kind]}", 3 * count).reshape(count, 3)
    vectors = np.asarray(stored, dtype=np.float64)
    if kind.startswith("u"):
        numbers = _named(file, "kdtree_range_stars")
        if numbers is None:
            raise CatalogueRefused(str(path), say("its stars are scaled, but the scale is missing"))
        span = _raw(path, numbers, f"{order}f8", 7)  # low x, y, z; high x, y, z; units per unit
        vectors = span[:3] + vectors / span[6]
    lengths = np.linalg.norm(vectors, axis=1)
    wrong = np.flatnonzero(~(np.abs(lengths - 1.0) < 1e-3))
    if wrong.size:
        raise CatalogueRefused(
            str(path), say("this is no direction (its length is not 1)"), "kdtree_data_stars",
            int(wrong[0]) + 1,
        )  # fmt: skip
    return np.asarray(vectors / lengths[:, None])


def _named(file: Any, column: str) -> Any:
    for hdu in file:
        names = getattr(getattr(hdu, "columns", None), "names", None) or ()
        if column in names:
            return hdu
    return None


def _raw(path: Path, hdu: Any, dtype: str, count: int) -> NDArray[Any]:
    """Bytes of a table's only column: they are declared as text, which would be trimmed."""
    with path.open("rb") as file:
        packed = file.read(2) == _GZIP
    opener: Any = gzip.open if packed else open
    with opener(path, "rb") as file:
        file.seek(hdu.fileinfo()["datLoc"])
        found = file.read(count * np.dtype(dtype).itemsize)
    if len(found) != count * np.dtype(dtype).itemsize:
        raise CatalogueRefused(
            str(path), say("the file is cut short: {count} numbers announced", count=count)
        )
    return np.frombuffer(found, dtype=dtype)


def _with_magnitudes(
    file: Any, path: Path, vectors: NDArray[np.float64], wanted: str | None
) -> StarColumns:
    extra = {
        name: hdu
        for hdu in file
        for name in (getattr(getattr(hdu, "columns", None), "names", None) or ())
        if str(hdu.header.get("AN_FILE", "")).strip() == "TAGALONG"
    }
    if wanted is not None:
        name = next((n for n in extra if n.lower() == wanted.lower()), None)
    else:
        known = [n for n in extra if plain(n) in MAGNITUDE_NAMES or plain(n).startswith("mag")]
        name = known[0] if known else None
    if name is None:
        has = ", ".join(extra) or say("none")
        raise CatalogueRefused(
            str(path),
            say(
                "no column of magnitudes was found beside its stars (columns: {columns})",
                columns=has,
            ),
            wanted or "",
            None,
            say(
                "Name one with --mag-column, or take an index with magnitudes, such as those "
                "of Debian's astrometry-data-tycho2 packages."
            ),
        )
    magnitude = np.asarray(extra[name].data[name], dtype=np.float32)
    if magnitude.size != vectors.shape[0]:
        raise CatalogueRefused(
            str(path),
            say("{size} magnitudes for {shape} stars", size=magnitude.size, shape=vectors.shape[0]),
            name,
        )
    ra, dec = spherical(vectors)
    return StarColumns(np.asarray(ra), np.asarray(dec), magnitude, None, None)
