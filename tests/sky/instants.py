"""Times for tests."""

from __future__ import annotations

from datetime import UTC, datetime

from polewright.calculation.sky.earth import MJD_UNIX, earth_time

SOME_NIGHT = datetime(2026, 9, 21, 14, 13, 20, tzinfo=UTC).timestamp()


def ut1_minus_utc(utc_s: float) -> float:
    """UT1 - UTC in seconds, as the code has it."""
    time = earth_time(utc_s)
    return ((time.ut1[0] - 2400000.5 - MJD_UNIX) + time.ut1[1]) * 86400.0 - utc_s


def utc_of_ut1(year: int, month: int, day: int, hour: int = 0, minute: int = 0) -> float:
    """Unix seconds UTC at which UT1 shows this date."""
    nominal = datetime(year, month, day, hour, minute, tzinfo=UTC).timestamp()
    return nominal - ut1_minus_utc(nominal)
