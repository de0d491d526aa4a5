"""How sure the refraction is, from how sure the air is."""

from dataclasses import replace

import pytest

from polewright.sky.refraction import refraction_constants
from polewright.sky.site import Atmosphere
from polewright.sky.weather import MODEL_SIGMA, Weather


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
    assert Weather(Atmosphere.none(), 0.0, 0.0, "").refraction_sigma == 0.0
