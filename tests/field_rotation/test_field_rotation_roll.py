"""The camera's roll towards the axis: exact for a rigid mount, and its published first order."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.calculation.field_rotation.roll import (
    camera_gradients,
    distance_to_axis,
    field_rotation_rate,
    gradients,
    roll_to_axis,
)
from polewright.calculation.geometry.rotation import rotation_matrix
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, HOUR, SIDEREAL_RATE, fold_pi
from polewright_sim.spec import RigSpec
from polewright_sim.tracked_night import Target, tracked_exposures

NO_AIR = Atmosphere(0.0, 10.0)


def rigid(latitude_deg: float, alt_arcmin: float, az_arcmin: float) -> RigSpec:
    """A mount of which nothing bends, in no air."""
    return RigSpec.model_validate(
        {
            "site": {"latitude_deg": latitude_deg, "longitude_deg": 9.3, "pressure_hpa": 0.0},
            "misalignment": {"alt_arcmin": alt_arcmin, "az_arcmin": az_arcmin},
            "optics": {"roll_deg": 77.0},
        }
    )


@settings(max_examples=15, deadline=None)
@given(
    latitude=st.sampled_from([-62.0, -33.0, 20.0, 52.0]),
    dec=st.floats(-10.0, 75.0),
    hours=st.floats(-4.0, 2.0),
    alt=st.floats(-40.0, 40.0),
    az=st.floats(-40.0, 40.0),
)
def test_a_guided_rigid_mount_keeps_its_roll_towards_its_axis(
    latitude: float, dec: float, hours: float, alt: float, az: float
) -> None:
    """Whatever the axis error, and however far the guide star is off the middle."""
    target = Target("one", hours * HOUR, math.copysign(dec, dec * latitude) * DEG, 2.0)
    shots = list(
        tracked_exposures(rigid(latitude, alt, az), [target], start_utc_s=1.796e9, every_s=900.0)
    )
    for side in (False, True):
        mine = [shot for shot in shots if shot.through_pole == side]
        if len(mine) < 2:
            continue
        matrices = np.array([shot.attitude for shot in mine])
        rolls = roll_to_axis(matrices, mine[0].axis)
        assert np.ptp(np.unwrap(rolls)) < 1e-4 * ARCSEC
        from_pole = roll_to_axis(
            matrices, pole_enu(Site(latitude, 9.3, 200.0), PoleTarget.TRUE, NO_AIR)
        )
        if math.hypot(alt, az) > 20.0 and len(mine) > 6:
            assert np.ptp(np.unwrap(from_pole)) > 10.0 * ARCSEC


@pytest.mark.parametrize("latitude", [-35.0, 48.0])
@pytest.mark.parametrize("dec", [5.0, 60.0])
@pytest.mark.parametrize("hour_angle", [-3.0, 0.5, 4.0])
def test_the_rate_is_the_published_first_order_one(
    latitude: float, dec: float, hour_angle: float
) -> None:
    site, small = Site(latitude, 9.3, 200.0), 0.5 * ARCMIN
    pole = pole_enu(site, PoleTarget.TRUE, NO_AIR)
    north = math.copysign(1.0, latitude)
    declination, error_at = north * dec * DEG, 2.2 * HOUR
    towards = enu_from_hour_angle_dec(site, error_at, 0.0)
    axis = pole + small * towards
    axis /= np.linalg.norm(axis)
    step = 100.0
    angle = hour_angle * HOUR + np.array([-0.5, 0.5]) * step * SIDEREAL_RATE
    looks = enu_from_hour_angle_dec(site, angle, declination)
    # A camera that keeps its roll towards the axis, seen against the pole of the stars.
    cameras = []
    for look in looks:
        up = axis - (axis @ look) * look
        up /= np.linalg.norm(up)
        cameras.append(np.column_stack([np.cross(up, look), up, look]))
    turn = fold_pi(float(np.diff(roll_to_axis(np.array(cameras), pole))[0])) / step
    expected = field_rotation_rate(small, error_at, hour_angle * HOUR, declination)
    assert abs(turn) == pytest.approx(abs(expected), rel=0.02, abs=0.01 * small * SIDEREAL_RATE)


@given(seed=st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_gradients_are_those_of_the_numbers(seed: int) -> None:
    rng = np.random.default_rng(seed)
    matrix = rotation_matrix(rng.normal(0.0, 1.0, 3))
    axis = rng.normal(0.0, 1.0, 3)
    axis /= np.linalg.norm(axis)
    if np.linalg.norm(np.cross(axis, matrix[:, 2])) < 0.1:
        return
    move, h = rng.normal(0.0, 1.0, 3), 1e-6
    move -= (move @ axis) * axis
    one = matrix[None]
    roll, distance = gradients(one, axis)
    camera_roll, camera_distance = camera_gradients(one, axis)
    for number, by_axis, by_camera in (
        (roll_to_axis, roll, camera_roll),
        (distance_to_axis, distance, camera_distance),
    ):
        moved = axis + h * move
        moved /= np.linalg.norm(moved)
        assert fold_pi(float(number(one, moved)[0] - number(one, axis)[0])) / h == pytest.approx(
            float(by_axis[0] @ move), abs=1e-3
        )
        turned = (matrix @ rotation_matrix(h * move))[None]
        assert fold_pi(float(number(turned, axis)[0] - number(one, axis)[0])) / h == pytest.approx(
            float(by_camera[0] @ move), abs=1e-3
        )
