"""Hipparcos-2 places and proper motions of stars that the bundled catalogue has without motions.

Data: van Leeuwen 2007, A&A 474, 653 (CDS I/311), from ESA's Hipparcos mission; epoch J1991.25,
ICRS. The table is made by tests/tools/hipparcos2.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import TAU

HIPPARCOS_EPOCH = 1991.25


@dataclass(frozen=True)
class Hipparcos:
    """Columns of N stars."""

    catalogue_id: NDArray[np.int64]
    """The same star's id in the bundled catalogue: Gaia DR3's, or the negative Hipparcos number."""
    hip: NDArray[np.int32]
    ra: NDArray[np.float64]
    """Rad, at `HIPPARCOS_EPOCH`."""
    dec: NDArray[np.float64]
    pm_ra_mas: NDArray[np.float64]
    """Mas per Julian year, cos dec included."""
    pm_dec_mas: NDArray[np.float64]


@lru_cache(maxsize=1)
def hipparcos() -> Hipparcos:
    """Read the table, once a process."""
    turn = TAU / 2.0**32
    with np.load(Path(__file__).with_name("hipparcos2.npz")) as table:
        return Hipparcos(
            table["catalogue_id"],
            table["hip"],
            table["ra"] * turn,
            table["dec"] * turn,
            table["pm_ra"] / 100.0,
            table["pm_dec"] / 100.0,
        )
