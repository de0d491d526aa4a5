from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.pocket_refraction import bennett, saemundsson

from polewright.calculation.sky.refraction import (
    refract,
    refraction_constants,
    traced_lift,
    unrefract,
)
from polewright.calculation.sky.site import Atmosphere
from polewright.foundation.angles import (
    ARCMIN,
    ARCSEC,
    DEG,
    azalt_from_enu,
    enu_from_azalt,
    separation,
)

MEEUS_AIR = Atmosphere(1010.0, 10.0, 0.5)


def test_bennett_agrees_with_meeus() -> None:
    """Meeus, Astronomical Algorithms, 2nd ed., ex. 16.a: 28.754 arcmin at an apparent 0.5 deg."""
    assert bennett(0.5 * DEG) == pytest.approx(28.754 * ARCMIN, abs=0.0005 * ARCMIN)


def test_saemundsson_agrees_with_meeus() -> None:
    """Meeus, Astronomical Algorithms, 2nd ed., ex. 16.a: 24.618 arcmin at a true 33.246 arcmin."""
    lift = saemundsson(33.246 * ARCMIN)

    assert lift == pytest.approx(24.618 * ARCMIN, abs=0.0005 * ARCMIN)


def test_constants_agree_with_erfa() -> None:
    """ERFA, src/t_erfa_c.c, t_refco: the arguments and results printed there."""
    a, b = refraction_constants(Atmosphere(800.0, 10.0, 0.9, 0.4))

    assert a == pytest.approx(0.2264949956241415009e-3, abs=1e-15)
    assert b == pytest.approx(-0.2598658261729343970e-6, abs=1e-18)


@pytest.mark.parametrize(("altitude_deg", "arcsec"), [(60, 4.2), (30, 4.2), (20, 4.2), (5, 34)])
def test_the_frame_formula_agrees_with_the_pocket_formula(
    altitude_deg: float, arcsec: float
) -> None:
    """Bennett errs by up to 0.07 arcmin (Meeus ch. 16); ERFA's series itself is only good to 30
    arcsec at 5 deg altitude, by its own notes. (Measured: 1.0, 2.9, 4.1 and 24 arcsec.)"""
    altitude = altitude_deg * DEG
    seen = refract(enu_from_azalt(1.0, altitude), refraction_constants(MEEUS_AIR))
    apparent = float(azalt_from_enu(seen)[1])

    assert apparent - altitude == pytest.approx(bennett(apparent), abs=arcsec * ARCSEC)


@pytest.mark.parametrize(
    ("altitude_deg", "arcmin"),
    [
        (0.0, 33.862),
        (0.5, 28.312),
        (1.0, 24.069),
        (2.0, 18.141),
        (3.0, 14.310),
        (5.0, 9.826),
        (8.0, 6.535),
        (10.0, 5.302),
        (15.0, 3.556),
    ],
)
def test_a_traced_ray_agrees_with_another_library(altitude_deg: float, arcmin: float) -> None:
    """``refro`` of PAL (palpy 1.8.4) at an apparent altitude: 1010 hPa, 10 C, dry, 0.55 um,
    latitude 45, 6.5 K/km; given to 0.001 arcmin."""
    lift = arcmin * ARCMIN

    found = traced_lift(altitude_deg * DEG - lift, Atmosphere(1010.0, 10.0, 0.0, 0.55))

    # PAL takes gravity and height of the tropopause by latitude, and the moist air apart.
    assert found == pytest.approx(lift, abs=0.1 * ARCMIN if altitude_deg < 1.0 else 0.02 * ARCMIN)


@given(alt=st.floats(0.262, 1.5), hpa=st.floats(600, 1050), celsius=st.floats(-20.0, 35.0))
def test_a_traced_ray_agrees_with_the_series_higher_up(
    alt: float, hpa: float, celsius: float
) -> None:
    """From 15 degrees on, in any air: 0.5 arcsec, which is 0.25 % there."""
    air = Atmosphere(hpa, celsius, 0.5)
    seen = refract(enu_from_azalt(1.0, alt), refraction_constants(air))

    found = traced_lift(alt, air)

    assert found == pytest.approx(float(azalt_from_enu(seen)[1]) - alt, abs=0.5 * ARCSEC)


def test_altitudes_keep_their_order_from_nadir_to_zenith() -> None:
    """Refraction lifts, finitely and continuously, and never swaps two directions."""
    altitude = np.linspace(-math.pi / 2, math.pi / 2, 20001)
    seen = refract(enu_from_azalt(0.3, altitude), refraction_constants(MEEUS_AIR))
    lifted = azalt_from_enu(seen)[1]

    assert np.all(np.isfinite(seen))
    assert np.allclose(np.linalg.norm(seen, axis=1), 1.0, atol=1e-14)
    assert np.all(np.diff(lifted) > 0.0)
    assert np.max(np.abs(np.diff(lifted - altitude))) < 2 * ARCSEC
    assert np.all(lifted[1:-1] >= altitude[1:-1] - 1e-15)


@given(az=st.floats(0, 6.28), alt=st.floats(-1.57, 1.57), hpa=st.floats(500, 1050))
def test_unrefract_inverts_refract_everywhere(az: float, alt: float, hpa: float) -> None:
    """Also below the horizon."""
    constants = refraction_constants(Atmosphere(hpa))
    airless = enu_from_azalt(az, alt)

    assert float(separation(unrefract(refract(airless, constants), constants), airless)) < 1e-12


def test_no_air_means_no_refraction() -> None:
    """Pressure 0 leaves every direction where it is."""
    down_to_the_horizon = enu_from_azalt(1.0, np.array([0.0, 0.1, 1.0]))
    constants = refraction_constants(Atmosphere.none())

    assert np.array_equal(refract(down_to_the_horizon, constants), down_to_the_horizon)
    assert np.array_equal(unrefract(down_to_the_horizon, constants), down_to_the_horizon)
