from __future__ import annotations

import math

import pytest

from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.errors import ConfigError


@pytest.mark.parametrize(
    ("latitude", "longitude", "elevation", "word"),
    [
        (90.5, 0.0, 0.0, "latitude"),
        (math.nan, 0.0, 0.0, "latitude"),
        (10.0, 361.0, 0.0, "longitude"),
        (10.0, 0.0, 20000.0, "elevation"),
    ],
)
def test_a_site_off_the_earth_is_refused_by_name(
    latitude: float, longitude: float, elevation: float, word: str
) -> None:
    """The error names the coordinate and its range."""
    with pytest.raises(ConfigError, match=word):
        Site(latitude, longitude, elevation)


def test_the_equator_counts_as_north() -> None:
    """Only negative latitudes look at the south pole."""
    assert not Site(0.0, 0.0).southern
    assert Site(-0.001, 0.0).southern


@pytest.mark.parametrize("pressure", [-1.0, 1200.0, math.inf])
def test_impossible_pressure_is_refused(pressure: float) -> None:
    """The error says that the station's own pressure is meant."""
    with pytest.raises(ConfigError, match="at the station"):
        Atmosphere(pressure)


@pytest.mark.parametrize(("elevation_m", "hpa"), [(0, 1013.25), (1000, 898.75), (5000, 540.20)])
def test_standard_pressure_follows_the_icao_table(elevation_m: float, hpa: float) -> None:
    """ICAO standard atmosphere against geopotential height (from memory)."""
    assert Atmosphere.standard(elevation_m).pressure_hpa == pytest.approx(hpa, abs=0.01)
