"""How sure the refraction is, from how sure the air is."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.calculation.sky.climate import night_temperature
from polewright.calculation.sky.errors import PressureContradictsHeight
from polewright.calculation.sky.refraction import refraction_constants
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.calculation.sky.weather import (
    MODEL_SIGMA,
    SENSOR_SIGMA_C,
    SENSOR_SIGMA_HPA,
    TYPED_SIGMA_C,
    TYPED_SIGMA_HPA,
    AirReading,
    Weather,
    believed_weather,
)

JANUARY = datetime(2026, 1, 15, 22, tzinfo=UTC).timestamp()
JULY = datetime(2026, 7, 15, 22, tzinfo=UTC).timestamp()
GARDEN = Site(44.62, 9.31, 420.0)
MOUNTAIN = Site(28.3, -16.5, 2400.0)


def truly_refracted(weather: Weather, truth: Atmosphere) -> float:
    """How far off the refraction is, in the sigmas that are stated."""
    share = refraction_constants(weather.air)[0] / refraction_constants(truth)[0] - 1.0
    return abs(share) / weather.refraction_sigma


@pytest.mark.parametrize("air", [Atmosphere(1013.0, 10.0), Atmosphere(760.0, -15.0)])
def test_the_stated_share_is_what_erfa_refracts_more(air: Atmosphere) -> None:
    usual = refraction_constants(air)[0]
    colder = refraction_constants(replace(air, temperature_c=air.temperature_c - 3.0))[0]
    denser = refraction_constants(replace(air, pressure_hpa=air.pressure_hpa + 8.0))[0]

    warmth = Weather(air, 3.0, 0.0, "").refraction_sigma
    pressure = Weather(air, 0.0, 8.0, "").refraction_sigma

    assert warmth**2 == pytest.approx((colder / usual - 1.0) ** 2 + MODEL_SIGMA**2, rel=0.06)
    assert pressure**2 == pytest.approx((denser / usual - 1.0) ** 2 + MODEL_SIGMA**2, rel=0.06)


def test_no_air_is_known_for_sure() -> None:
    typed = believed_weather(GARDEN, JULY, typed_pressure_hpa=0.0)

    assert Weather(Atmosphere.none(), 0.0, 0.0, "").refraction_sigma == 0.0
    assert typed.air == Atmosphere.none()
    assert typed.refraction_sigma == 0.0


@pytest.mark.parametrize(
    ("site", "utc_s", "truth"),
    [
        (GARDEN, JANUARY, Atmosphere(985.0, -15.0)),
        (Site(60.0, 25.0, 50.0), JANUARY, Atmosphere(1035.0, -25.0)),
        (Site(20.0, 78.0, 300.0), JULY, Atmosphere(965.0, 28.0)),
        (MOUNTAIN, JULY, Atmosphere(765.0, 14.0)),
        (Site(-33.9, 18.5, 10.0), JULY, Atmosphere(1022.0, 4.0)),
        (Site(51.5, -0.1, 30.0), JANUARY, Atmosphere(1030.0, 2.0)),
    ],
)
def test_weather_that_nobody_told_is_within_what_is_stated(
    site: Site, utc_s: float, truth: Atmosphere
) -> None:
    """Cold, heat, highs and lows, invented but of their places; and more sure once they are told.

    At 10 C and standard pressure, with nothing stated, refraction was off by up to 14 %.
    """
    told_nothing = believed_weather(site, utc_s)
    typed = believed_weather(
        site,
        utc_s,
        typed_temperature_c=truth.temperature_c,
        typed_pressure_hpa=truth.pressure_hpa,
    )

    assert truly_refracted(told_nothing, truth) < 2.0
    assert truly_refracted(typed, truth) < 0.1
    assert typed.refraction_sigma < told_nothing.refraction_sigma < 0.06


def test_each_value_comes_from_the_best_source_that_has_it() -> None:
    nothing = believed_weather(GARDEN, JULY)
    typed = believed_weather(GARDEN, JULY, typed_temperature_c=14.0)
    half = AirReading("roof station", pressure_hpa=966.0)
    mixed = believed_weather(GARDEN, JULY, typed_temperature_c=14.0, reading=half)
    whole = AirReading("roof station", 12.0, 966.0, 0.8)
    device = believed_weather(
        GARDEN, JULY, typed_temperature_c=14.0, typed_pressure_hpa=960.0, reading=whole
    )

    frost = believed_weather(GARDEN, JANUARY, typed_temperature_c=-0.3)
    expected, sigma = night_temperature(44.62, 420.0, JULY)
    assert frost.source.startswith("0 ± 4.0 °C from the configuration, ")
    assert nothing.air.temperature_c == pytest.approx(expected)
    assert nothing.temperature_sigma_c == pytest.approx(sigma)
    assert nothing.air.pressure_hpa == Atmosphere.standard(420.0).pressure_hpa
    assert "by month and latitude" in nothing.source
    assert "by the site's height" in nothing.source
    assert (typed.air.temperature_c, typed.temperature_sigma_c) == (14.0, TYPED_SIGMA_C)
    assert "14 ± 4.0 °C from the configuration" in typed.source
    assert (mixed.air.temperature_c, mixed.air.pressure_hpa) == (14.0, 966.0)
    assert mixed.pressure_sigma_hpa == SENSOR_SIGMA_HPA
    assert device.air == Atmosphere(966.0, 12.0, 0.8)
    assert device.temperature_sigma_c == SENSOR_SIGMA_C
    assert device.source == "12 ± 1.5 °C and 966 ± 3 hPa from roof station"
    assert not device.warnings


def test_a_pressure_reduced_to_sea_level_is_refused_with_both_figures() -> None:
    """Typed at 2,400 m it shifted a measured altitude by 15 arcsec, unsaid."""
    with pytest.raises(PressureContradictsHeight) as caught:
        believed_weather(MOUNTAIN, JULY, typed_pressure_hpa=1016.0)

    assert "1016 hPa" in str(caught.value)
    assert "2400 m has 756 hPa" in str(caught.value)
    assert "sea level" in caught.value.advice


@given(st.floats(-60.0, 60.0), st.floats(0.0, 4500.0))
def test_a_pressure_is_refused_beyond_60_hpa_and_only_there(off: float, elevation_m: float) -> None:
    site = Site(30.0, 0.0, elevation_m)
    standard = Atmosphere.standard(elevation_m).pressure_hpa

    weather = believed_weather(site, JULY, typed_pressure_hpa=standard + 0.999 * off)

    assert weather.pressure_sigma_hpa >= max(TYPED_SIGMA_HPA, 0.49 * abs(off))
    for wrong in (standard - 60.5, standard + 60.5):
        if wrong <= 1100.0:
            with pytest.raises(PressureContradictsHeight):
                believed_weather(site, JULY, typed_pressure_hpa=wrong)


def test_a_devices_impossible_values_are_left_out_and_told() -> None:
    """A sensor's word decides nothing alone: the next source is taken."""
    reduced = AirReading("roof station", 12.0, 1016.0)
    broken = AirReading("roof station", -273.15, 0.0, 0.0)

    high = believed_weather(MOUNTAIN, JULY, reading=reduced)
    none = believed_weather(MOUNTAIN, JULY, typed_temperature_c=9.0, reading=broken)

    assert high.air.pressure_hpa == Atmosphere.standard(2400.0).pressure_hpa
    assert high.air.temperature_c == 12.0
    (said,) = high.warnings
    assert "1016 hPa" in said
    assert "756 hPa" in said
    assert none.air == Atmosphere(Atmosphere.standard(2400.0).pressure_hpa, 9.0, 0.5)
    assert len(none.warnings) == 2
    assert all("impossible" in sentence for sentence in none.warnings)


def test_a_value_far_from_the_climate_is_used_but_less_sure() -> None:
    """An entry of last summer, read in January."""
    usual, sigma = night_temperature(44.62, 420.0, JANUARY)

    old = believed_weather(GARDEN, JANUARY, typed_temperature_c=24.0)

    assert old.air.temperature_c == 24.0
    assert old.temperature_sigma_c == pytest.approx(0.5 * (24.0 - usual - 2.0 * sigma))
    assert old.temperature_sigma_c > TYPED_SIGMA_C
    (said,) = old.warnings
    assert "24 °C from the configuration" in said


def test_an_unknown_height_is_told_and_paid_for() -> None:
    somewhere = Site(44.62, 9.31, elevation_told=False)

    weather = believed_weather(somewhere, JULY)
    typed = believed_weather(somewhere, JULY, typed_pressure_hpa=905.0)

    assert weather.refraction_sigma > 1.5 * believed_weather(GARDEN, JULY).refraction_sigma
    for elevation_m in (0.0, 200.0, 800.0):
        truth = Atmosphere.standard(elevation_m)
        assert abs(weather.air.pressure_hpa - truth.pressure_hpa) < 2.0 * weather.pressure_sigma_hpa
    (said,) = weather.warnings
    assert "elevation_m" in said
    assert not typed.warnings
    assert typed.air.pressure_hpa == 905.0


@pytest.mark.parametrize(
    ("place", "latitude", "elevation_m", "january", "july"),
    [
        ("London", 51.5, 20.0, 3.0, 14.0),
        ("Berlin", 52.5, 50.0, -2.0, 14.0),
        ("Winnipeg", 49.9, 240.0, -20.0, 14.0),
        ("Madrid", 40.4, 650.0, 2.0, 19.0),
        ("Tokyo", 35.7, 20.0, 2.0, 23.0),
        ("Phoenix", 33.4, 340.0, 8.0, 29.0),
        ("Singapore", 1.3, 15.0, 24.0, 25.0),
        ("Sydney", -33.9, 40.0, 20.0, 8.0),
        ("Christchurch", -43.5, 10.0, 12.0, 2.0),
    ],
)
def test_the_climate_holds_at_known_places(
    place: str, latitude: float, elevation_m: float, january: float, july: float
) -> None:
    """Mean night minima, rounded, from memory: all within 2 sigma."""
    for utc_s, usual in ((JANUARY, january), (JULY, july)):
        expected, sigma = night_temperature(latitude, elevation_m, utc_s)

        assert 3.0 < sigma < 13.0
        assert abs(expected - usual) < 2.0 * sigma, place


@given(st.floats(-90.0, 90.0), st.floats(-400.0, 6000.0), st.floats(0.0, 4e9))
def test_the_climate_is_air_everywhere_and_always(
    latitude: float, elevation_m: float, utc_s: float
) -> None:
    weather = believed_weather(Site(latitude, 0.0, elevation_m), utc_s)

    assert -75.0 < weather.air.temperature_c < 40.0
    assert 0.0 < weather.refraction_sigma < 0.09
