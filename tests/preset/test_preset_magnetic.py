"""Magnetic declination against published values and an independent implementation."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from polewright.calculation.preset.errors import MagneticModelOld
from polewright.calculation.preset.magnetic import decimal_year, magnetic_declination
from polewright.calculation.sky.site import Site

VALUES = Path(__file__).with_name("wmm2025_test_values.csv")


def published() -> list[list[float]]:
    rows = [line for line in VALUES.read_text().splitlines() if not line.startswith("#")]
    return [[float(value) for value in row] for row in csv.reader(rows)]


@pytest.mark.filterwarnings("ignore::UserWarning")  # the model's own, of weak fields
def test_all_hundred_published_values_come_out() -> None:
    """Declination agrees with every WMM2025 test value to its last decimal, field to 0.1 nT."""
    # The published heights reach 98 km, beyond what a Site accepts: the model itself is asked.
    from wmm import wmm_calc

    rows = published()
    assert len(rows) == 100
    model = wmm_calc()
    for year, height_km, latitude, longitude, horizontal_nt, declination in rows:
        model.setup_time(dyear=year)
        model.setup_env(latitude, longitude, height_km, msl=False)
        field = model.get_all()
        assert field["dec"].item() == pytest.approx(declination, abs=0.00501)
        assert field["h"].item() == pytest.approx(horizontal_nt, abs=0.1)


def test_published_values_near_the_ground_come_out_of_our_own_function() -> None:
    """The function that presets use gives the published values of heights under 9 km."""
    low = [row for row in published() if row[1] < 9.0]
    assert len(low) >= 5
    for year, height_km, latitude, longitude, horizontal_nt, declination in low:
        found = magnetic_declination(Site(latitude, longitude, height_km * 1000.0), year)
        assert found.declination_deg == pytest.approx(declination, abs=0.00501)
        assert found.horizontal_nt == pytest.approx(horizontal_nt, abs=0.1)


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_an_independent_implementation_agrees() -> None:
    """Another port of the model, from the legacy C code, gives the same within 0.01 degrees."""
    pygeomag = pytest.importorskip("pygeomag")
    other = pygeomag.GeoMag(coefficients_file="wmm/WMM_2025.COF")
    for latitude in range(-75, 80, 25):
        for longitude in range(-170, 190, 60):
            ours = magnetic_declination(Site(latitude, longitude, 300.0), 2026.9)
            theirs = other.calculate(glat=latitude, glon=longitude, alt=0.3, time=2026.9)
            assert ours.declination_deg == pytest.approx(theirs.d, abs=0.01)


def test_a_date_outside_the_model_is_refused_with_its_years() -> None:
    """2031 is refused with the years the model holds for and what to do; so is a year just before.

    2024.99 once read "holds from 2025 to 2030, not for 2025.0".
    """
    for year, told in ((2031.0, "2031.00"), (2024.99, "2024.99"), (2024.9999, "2024.99")):
        with pytest.raises(MagneticModelOld) as caught:
            magnetic_declination(Site(50.0, 8.0), year)
        assert str(caught.value).endswith(f"from 2025 until 2030, not for {told}")
        assert "clock" in caught.value.advice


def test_near_the_magnetic_pole_the_compass_is_called_useless() -> None:
    """Where the horizontal field vanishes the caution says so, and the uncertainty grows."""
    there = magnetic_declination(Site(86.0, 140.0), 2026.0)
    here = magnetic_declination(Site(50.0, 8.0), 2026.0)
    assert "compass" in there.caution
    assert here.caution == ""
    assert there.sigma_deg > 3.0 * here.sigma_deg
    # sqrt(0.26^2 + (5417 / H)^2), the error model of WMM2025
    assert here.sigma_deg == pytest.approx(
        math.hypot(0.26, 5417.0 / float(here.horizontal_nt or 0.0))
    )


def test_poles_and_the_date_line_do_not_break_the_model() -> None:
    """Longitudes 180 and -180 give the same, and the geographic pole an answer."""
    east, west = (magnetic_declination(Site(10.0, x), 2026.0) for x in (180.0, -180.0))
    assert east.declination_deg == pytest.approx(west.declination_deg, abs=1e-9)
    assert math.isfinite(magnetic_declination(Site(90.0, 0.0), 2026.0).declination_deg)


def test_decimal_year_counts_leap_days() -> None:
    """The first of July 2028 is 182 of 366 days into the year."""
    assert decimal_year(1846022400.0) == pytest.approx(2028.0 + 182.0 / 366.0, abs=1e-9)
