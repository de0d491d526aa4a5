"""The Earth's turn: UT1 and leap seconds from bundled tables, never from the network."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import astropy_iers_data
import erfa.ufunc
import numpy as np
from numpy.typing import NDArray

from polewright.foundation.language import say

MJD_UNIX = 40587.0
_MJD = 2400000.5


@dataclass(frozen=True)
class EarthTime:
    """An instant in the scales that the sky needs, two-part Julian dates, and what to warn of."""

    tt: tuple[float, float]
    ut1: tuple[float, float]
    warnings: tuple[str, ...]


def _leap_seconds(mjd: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """TAI - UTC (s) and ERFA's status; the bare ufuncs report a status and do not warn."""
    year, month, day, fraction, _ = erfa.ufunc.jd2cal(_MJD, mjd)
    return erfa.ufunc.dat(year, month, day, fraction)  # type: ignore[no-any-return]


@lru_cache(maxsize=1)
def _ut1_minus_tai() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """MJD (n,) and UT1 - TAI (s) of the bundled IERS table, observed and predicted.

    Columns from the table's own ReadMe (finals2000A): MJD 8-15, UT1-UTC 59-68, counted from 1.
    TAI is used because UT1 - UTC jumps with leap seconds and cannot be interpolated.
    """
    raw = Path(astropy_iers_data.IERS_A_FILE).read_bytes()
    width = raw.index(b"\n") + 1
    rows = np.frombuffer(raw[: len(raw) // width * width], dtype=np.uint8).reshape(-1, width)
    text = np.ascontiguousarray(rows[:, 58:68]).view("S10")[:, 0]
    filled = np.char.strip(text) != b""
    mjd = np.ascontiguousarray(rows[filled, 7:15]).view("S8")[:, 0].astype(np.float64)
    ut1_utc = text[filled].astype(np.float64)
    return mjd, ut1_utc - _leap_seconds(mjd)[0]


def earth_time(utc_s: float) -> EarthTime:
    """Return TT and UT1 of a Unix time, with a warning sentence for each table that has ended.

    Outside the Earth-orientation table its nearest value is kept. UT1 - UTC stays within 0.9 s by
    the definition of UTC, so that costs at most 15 arcsec of hour angle: it turns an alignment
    error about the pole and leaves its size alone.
    """
    days, rest = divmod(utc_s, 86400.0)
    day_mjd, fraction = MJD_UNIX + days, rest / 86400.0
    mjd = day_mjd + fraction
    tai_utc, status = _leap_seconds(np.asarray(mjd))
    table_mjd, table = _ut1_minus_tai()
    warnings: list[str] = []
    if not table_mjd[0] <= mjd <= table_mjd[-1]:
        end = say("starts after") if mjd < table_mjd[0] else say("ends before")
        warnings.append(
            say(
                "The bundled Earth-orientation table {starts_or_ends} this date (MJD {mjd:.0f}, "
                "table {from_mjd:.0f} to {to_mjd:.0f}); hour angles may be off by up to 15 "
                "arcsec, the size of the alignment error is not affected. Update "
                "astropy-iers-data.",
                starts_or_ends=end,
                mjd=mjd,
                from_mjd=table_mjd[0],
                to_mjd=table_mjd[-1],
            )
        )
    if int(status) != 0:
        warnings.append(
            say(
                "The bundled leap-second table does not cover this date (MJD {mjd:.0f}); if "
                "leap seconds were added since, hour angles are off by 15 arcsec each. "
                "Update pyerfa.",
                mjd=mjd,
            )
        )
    tai = fraction + float(tai_utc) / 86400.0
    ut1 = tai + float(np.interp(mjd, table_mjd, table)) / 86400.0
    return EarthTime(
        tt=(_MJD + day_mjd, tai + 32.184 / 86400.0),
        ut1=(_MJD + day_mjd, ut1),
        warnings=tuple(warnings),
    )
