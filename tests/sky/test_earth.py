from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest

from polewright.calculation.sky.earth import earth_time
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import DEG, unit_vector

from .instants import SOME_NIGHT, ut1_minus_utc


def _utc(year: int, month: int, day: int) -> float:
    return datetime(year, month, day, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("date", "dut1"),
    [((2017, 1, 1), 0.5912), ((2016, 12, 31), -0.4080), ((1973, 1, 2), 0.8084)],
)
def test_ut1_follows_the_bulletin_across_a_leap_second(
    date: tuple[int, int, int], dut1: float
) -> None:
    """IERS finals2000A: UT1-UTC at 0h UTC; a leap second came between the first two days. The
    1973 value is the table's first but one to four digits (0.8084178)."""
    assert ut1_minus_utc(_utc(*date)) == pytest.approx(dut1, abs=0.0006)


def test_ut1_runs_smoothly_through_a_leap_second() -> None:
    """Half a day before the leap second of 2017 UT1-UTC has not begun to jump."""
    assert ut1_minus_utc(_utc(2016, 12, 31) + 43200.0) == pytest.approx(-0.408, abs=0.002)


def test_terrestrial_time_is_ahead_of_utc_by_the_definition() -> None:
    """TT - UTC = 32.184 s + 37 leap seconds since 2017 (IERS Bulletin C 52)."""
    tt = earth_time(_utc(2020, 6, 1)).tt

    ahead = (tt[0] - 2459001.5 + tt[1]) * 86400.0

    assert ahead == pytest.approx(69.184, abs=1e-6)


def test_dates_inside_the_tables_are_not_warned_of() -> None:
    """A date that the tables cover has nothing to say."""
    assert earth_time(_utc(2024, 1, 1)).warnings == ()


def test_dates_past_the_tables_work_and_say_so() -> None:
    """In 2045 the sky is still there, the last UT1 is kept, and two sentences tell why hour
    angles may be off; nothing is printed or raised (warnings are errors here)."""
    utc_s = _utc(2045, 1, 1)
    frame = ObservedFrame.at(Site(33.0, -117.0), Atmosphere.standard(0.0), utc_s)

    assert len(frame.warnings) == 2
    assert "Earth-orientation table ends before this date" in frame.warnings[0]
    assert "leap-second" in frame.warnings[1]
    assert abs(ut1_minus_utc(utc_s)) < 0.9
    assert np.all(np.isfinite(frame.observe(unit_vector(1.0, 20 * DEG))))


def test_dates_before_the_tables_say_so() -> None:
    """The bundled Earth-orientation table starts in 1973."""
    assert any("starts after" in w for w in earth_time(_utc(1972, 6, 1)).warnings)


def test_building_a_frame_needs_no_heavy_package() -> None:
    """Neither astropy (a second of import) nor any network module of it comes in with the sky."""
    code = (
        "import sys\n"
        "from polewright.calculation.sky.frame import ObservedFrame\n"
        "from polewright.calculation.sky.site import Atmosphere, Site\n"
        f"ObservedFrame.at(Site(33, 0), Atmosphere.none(), {SOME_NIGHT})\n"
        "sys.exit('astropy' in sys.modules or 'urllib.request' in sys.modules)\n"
    )

    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
