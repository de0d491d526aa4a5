"""Drift on the sky: exact turns against the first-order formula, signs, refraction."""

from __future__ import annotations

import math

import numpy as np
import pytest

from polewright.calculation.drift.model import (
    predicted_drift,
    sky_drift,
    tracked_attitudes,
)
from polewright.calculation.sky.frame import ObservedFrame, enu_from_hour_angle_dec
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.refraction import refract, refraction_constants
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import (
    ARCMIN,
    ARCSEC,
    DEG,
    SIDEREAL_RATE,
    azalt_from_enu,
    enu_from_azalt,
)

UTC_S = 1.79e9
NONE = Atmosphere.none()
NORTH, SOUTH = Site(47.0, 11.0, 600.0), Site(-31.0, 149.0, 1100.0)


def axis_off(site: Site, east: float, up: float) -> np.ndarray:
    """An axis this far (rad) east of and above the true pole."""
    azimuth, altitude = (float(x) for x in azalt_from_enu(pole_enu(site, PoleTarget.TRUE, NONE)))
    eastward = -1.0 if site.southern else 1.0
    return enu_from_azalt(azimuth + eastward * east / math.cos(altitude), altitude + up)


def first_order_rate(east: float, up: float, hour_angle: float, *, southern: bool) -> float:
    """Declination drift rate (rad/s, north positive) of the field's centre, without air:
    ``w (east cos H + up sin H)`` in the north and its negative in the south (own derivation)."""
    rate = SIDEREAL_RATE * (east * math.cos(hour_angle) + up * math.sin(hour_angle))
    return -rate if southern else rate


def camera_at(site: Site, hour_angle: float, declination: float) -> np.ndarray:
    """An attitude whose boresight is there, roll arbitrary."""
    boresight = enu_from_hour_angle_dec(site, hour_angle, declination)
    x = np.cross([0.3, 0.5, 0.81], boresight)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(boresight, x), boresight])


@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
@pytest.mark.parametrize("hour_angle_deg", [-80.0, -20.0, 0.0, 35.0, 75.0])
@pytest.mark.parametrize(("east", "up"), [(6.0, 0.0), (0.0, 6.0), (-4.0, 3.0)])
def test_the_first_order_formula_is_the_limit_of_the_exact_turn(
    site, hour_angle_deg, east, up
) -> None:
    """Declination drift is w (east cos H + up sin H), its negative in the south, in thin air."""
    start = camera_at(site, hour_angle_deg * DEG, 15.0 * DEG)
    times = UTC_S + np.array([-10.0, 10.0])
    middle = tracked_attitudes(
        axis_off(site, east * ARCMIN, up * ARCMIN), start, np.array(-10.0), southern=site.southern
    )

    drift = predicted_drift(axis_off(site, east * ARCMIN, up * ARCMIN), middle, times, site, NONE)

    expected = first_order_rate(
        east * ARCMIN, up * ARCMIN, hour_angle_deg * DEG, southern=site.southern
    )
    # Second order in an error of 6 arcmin (0.0017 rad), on rates up to 0.026 arcsec/s.
    assert drift.declination[1] / 20.0 / ARCSEC == pytest.approx(expected / ARCSEC, abs=8e-5)


def test_an_arcminute_of_azimuth_drifts_a_quarter_arcsecond_a_minute_on_the_meridian() -> None:
    """0.2625 arcsec per minute for 1 arcmin on the sky (w in arcsec per minute over 3437.75)."""
    rate = first_order_rate(1.0 * ARCMIN, 0.0, 0.0, southern=False)
    assert rate * 60.0 / ARCSEC == pytest.approx(0.2625, abs=1e-4)
    base_turn = first_order_rate(ARCMIN * math.cos(47.0 * DEG), 0.0, 0.0, southern=False)
    assert base_turn / rate == pytest.approx(math.cos(47.0 * DEG))


@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
def test_an_axis_on_the_pole_does_not_drift_without_air(site) -> None:
    """No declination drift, no roll, no drift in right ascension over an hour (aberration's change
    and the clock's remaining difference stay under 0.1 arcsec)."""
    start = camera_at(site, -30.0 * DEG, 20.0 * DEG)
    drift = predicted_drift(
        axis_off(site, 0.0, 0.0), start, UTC_S + np.arange(0.0, 3601.0, 600.0), site, NONE
    )
    assert np.max(np.abs(drift.declination)) < 0.1 * ARCSEC
    assert np.max(np.abs(drift.right_ascension)) < 0.1 * ARCSEC
    assert np.max(np.abs(drift.roll)) < 0.3 * ARCSEC


@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
def test_refraction_drifts_a_perfectly_aligned_mount_as_the_refracted_star_moves(site) -> None:
    """On the true pole the field follows the airless sky: it drifts against a star by the change
    of that star's own refraction, computed here from the refraction formula alone."""
    air = Atmosphere.standard(site.elevation_m)
    constants = refraction_constants(air)
    times = UTC_S + np.array([0.0, 1800.0])
    frames = [ObservedFrame.at(site, air, float(t)) for t in times]
    start = camera_at(site, 50.0 * DEG, 10.0 * DEG)
    star_icrs = frames[0].to_icrs(start[:, 2])
    boresight = tracked_attitudes(
        axis_off(site, 0.0, 0.0), start, times - times[0], southern=site.southern
    )[1][:, 2]

    drift = predicted_drift(axis_off(site, 0.0, 0.0), start, times, site, air)

    star = frames[1].observe(star_icrs)
    bare = [frame.enu_from_of_date(frame.of_date_from_icrs(star_icrs), False) for frame in frames]
    lifts = [refract(b, constants) - b for b in bare]
    # The star left the boresight by the change of its lift (turned along with the sky).
    turned = tracked_attitudes(
        axis_off(site, 0.0, 0.0), np.eye(3), times - times[0], southern=site.southern
    )[1]
    expected = float(np.linalg.norm(lifts[1] - turned @ lifts[0]))
    gap = float(np.linalg.norm(star - boresight))
    assert gap == pytest.approx(expected, rel=0.02)
    total = math.hypot(float(drift.declination[1]), float(drift.right_ascension[1]))
    assert total == pytest.approx(gap, rel=0.01)
    assert total > 3.0 * ARCSEC


def test_periodic_error_shows_in_right_ascension_only() -> None:
    """A turn about the axis itself leaves declination drift and roll as they were."""
    axis = axis_off(NORTH, 10.0 * ARCMIN, -5.0 * ARCMIN)
    start = camera_at(NORTH, 20.0 * DEG, 5.0 * DEG)
    seconds = np.arange(0.0, 301.0, 60.0)
    error = 15.0 * ARCSEC * np.sin(seconds / 80.0) / SIDEREAL_RATE
    steady, shaken = (
        sky_drift(
            tracked_attitudes(axis, start, seconds + extra, southern=False),
            UTC_S + seconds,
            NORTH,
            NONE,
        )
        for extra in (0.0 * error, error)
    )
    assert np.max(np.abs(shaken.right_ascension - steady.right_ascension)) > 10.0 * ARCSEC
    assert np.max(np.abs(shaken.declination - steady.declination)) < 0.1 * ARCSEC
    assert np.max(np.abs(shaken.roll - steady.roll)) < 2.0 * ARCSEC
