"""A table of stars before it is understood: its columns, and the usual names of what is sought."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Names in lower case without anything but letters and digits, likeliest first.
RA_NAMES = ("ra", "raj2000", "raicrs", "radeg", "ramdeg", "rightascension", "alpha", "rahours")
DEC_NAMES = ("dec", "dej2000", "decj2000", "deicrs", "decicrs", "decdeg", "dedeg", "demdeg",
             "de", "declination", "delta")  # fmt: skip
MAGNITUDE_NAMES = ("photgmeanmag", "gmag", "g", "mag", "magnitude", "vmag", "v", "vtmag", "magvt",
                   "vt", "hpmag", "rmag", "r", "bpmag", "btmag")  # fmt: skip
PM_RA_NAMES = ("pmra", "pmracosdec", "pmrac", "muracosdec", "mura")
PM_DEC_NAMES = ("pmdec", "pmde", "mudec", "mude")
EPOCH_NAMES = ("refepoch", "epoch", "epochyear")


@dataclass(frozen=True)
class ReadOptions:
    """What the user says about the columns; None where the file's own word or custom serves."""

    ra: str | None = None
    dec: str | None = None
    magnitude: str | None = None
    pm_ra: str | None = None
    pm_dec: str | None = None
    ra_unit: str | None = None
    dec_unit: str | None = None
    pm_unit: str | None = None
    epoch_year: float | None = None

    @property
    def named(self) -> frozenset[str]:
        """The columns that are asked for by name."""
        asked = (self.ra, self.dec, self.magnitude, self.pm_ra, self.pm_dec)
        return frozenset(name for name in asked if name is not None)


@dataclass(frozen=True)
class Table:
    """Columns of numbers by their names in the file."""

    columns: Mapping[str, Floats]
    units: Mapping[str, str]
    names: tuple[str, ...]
    """All columns, also those that were not read."""


def plain(name: str) -> str:
    """Return a name in lower case, only letters and digits."""
    return re.sub(r"[^a-z0-9]", "", name.lower())


def interesting(name: str) -> bool:
    """Whether a column of this name may be used without being asked for."""
    usual = (*RA_NAMES, *DEC_NAMES, *MAGNITUDE_NAMES, *PM_RA_NAMES, *PM_DEC_NAMES)
    return plain(name) in (*usual, *EPOCH_NAMES)
