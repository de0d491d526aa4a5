"""What a glance tells of the base: exact, with an honest error, and not fooled by a clutch."""

from __future__ import annotations

import math

import numpy as np
import pytest
from adjusting.hand import Z, turn
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.calculation.adjusting.base_turn import (
    BaseTurn,
    Picture,
    fit_base_turn,
    sensitivity,
    third_prior,
)
from polewright.calculation.adjusting.glance_follow import hidden_adjusters
from polewright.calculation.geometry.attitude import camera_vectors
from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.geometry.errors import TooFewDirections
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.adjuster_profile import Axis
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, Matrix, Vector, enu_from_azalt

PICTURE = Picture(3000, 2000, -1, 2.0 * ARCSEC)
FLOOR = 1.0 * ARCSEC


class Toy:
    """A camera on a mount somewhere, some stars in a part of its frame."""

    def __init__(
        self,
        seed: int,
        *,
        latitude_deg: float = 44.0,
        azimuth_deg: float = 160.0,
        altitude_deg: float = 50.0,
        side_px: float = 600.0,
        stars: int = 9,
        sigma_px: float = 0.08,
    ) -> None:
        rng = self.rng = np.random.default_rng(seed)
        pole_azimuth = 0.0 if latitude_deg > 0 else math.pi
        self.axis = enu_from_azalt(pole_azimuth + 0.01, abs(latitude_deg) * DEG + 0.008)
        boresight = enu_from_azalt(azimuth_deg * DEG, altitude_deg * DEG)
        right = np.cross(boresight, Z)
        right /= np.linalg.norm(right)
        plain = np.column_stack([right, np.cross(boresight, right), boresight])
        self.camera: Matrix = plain @ turn(Z, rng.uniform(0.0, 6.0))
        middle = rng.uniform([600.0, 500.0], [2400.0, 1500.0])
        self.places = middle + rng.uniform(-0.5 * side_px, 0.5 * side_px, (stars, 2))
        vectors = camera_vectors(self.places, 3000, 2000, -1, PICTURE.scale)
        self.directions: Vector = vectors @ self.camera.T
        self.sigma = np.full(stars, sigma_px)

    @property
    def hinge(self) -> Vector:
        level = np.cross(self.axis, Z)
        return np.asarray(level / np.linalg.norm(level))

    def turned(self, azimuth: float, altitude: float, third: float = 0.0) -> Matrix:
        return turn(Z, azimuth) @ turn(self.hinge, altitude) @ turn(self.axis, third)

    def glance(self, moved: Matrix, noise: float = 1.0) -> Vector:
        seen = PICTURE.pixels(self.directions @ (moved @ self.camera))
        shift = FLOOR / PICTURE.scale * self.rng.normal(size=2)
        noise_px = self.rng.normal(size=seen.shape) * self.sigma[:, None] + shift
        return np.asarray(seen + noise * noise_px)

    def fit(self, pixels: Vector, elapsed_s: float = 3.0) -> BaseTurn:
        return fit_base_turn(
            self.camera, self.axis, self.directions, pixels, self.sigma, PICTURE,
            elapsed_s=elapsed_s, floor=FLOOR,
        )  # fmt: skip


@settings(deadline=None, max_examples=60)
@given(
    azimuth=st.floats(-40.0, 40.0),
    altitude=st.floats(-40.0, 40.0),
    latitude=st.sampled_from([-55.0, -20.0, 15.0, 44.0, 62.0]),
    towards=st.floats(100.0, 170.0),
)
def test_without_noise_both_turns_come_out_exactly(
    azimuth: float, altitude: float, latitude: float, towards: float
) -> None:
    toy = Toy(3, latitude_deg=latitude, azimuth_deg=towards)
    moved = toy.turned(azimuth * ARCMIN, altitude * ARCMIN)
    found = toy.fit(toy.glance(moved, noise=0.0))
    assert found.azimuth == pytest.approx(azimuth * ARCMIN, abs=0.02 * ARCSEC)
    assert found.altitude == pytest.approx(altitude * ARCMIN, abs=0.02 * ARCSEC)
    assert np.linalg.norm(found.axis - moved @ toy.axis) < 0.02 * ARCSEC
    assert abs(found.third) < 0.05 * ARCSEC


def test_the_stated_error_holds_the_truth() -> None:
    """95 % regions hold between 90 and 99 % of 300 turns, with a third angle as the prior says."""
    inside = 0
    for seed in range(300):
        rng = np.random.default_rng([seed, 1])
        toy = Toy(seed, azimuth_deg=float(rng.uniform(100.0, 260.0)), stars=12)
        wanted = rng.normal(size=2) * 3.0 * ARCMIN
        third = third_prior(3.0, float(np.hypot(*wanted)), toy.axis) * rng.normal()
        moved = toy.turned(wanted[0], wanted[1], third)
        found = toy.fit(toy.glance(moved))
        miss = found.axis - moved @ toy.axis
        inverse = np.linalg.pinv(found.axis_noise, rcond=1e-6, hermitian=True)
        inside += float(miss @ inverse @ miss) < -2.0 * math.log(0.05)
    assert 0.90 * 300 <= inside <= 0.99 * 300


@pytest.mark.parametrize("slip", [-4.0, 2.5, 10.0])
def test_a_clutch_that_slips_is_no_turn_of_the_adjusters(slip: float) -> None:
    toy = Toy(5)
    still = toy.fit(toy.glance(toy.turned(0.0, 0.0)))
    assert abs(still.odd) < 4.0
    slipped = toy.fit(toy.glance(toy.turned(0.0, 0.0, slip * ARCMIN)))
    assert abs(slipped.odd) > 5.0
    assert math.copysign(1.0, slipped.third) == math.copysign(1.0, slip)


def test_a_wrong_star_is_left_out() -> None:
    toy = Toy(8)
    moved = toy.turned(2.0 * ARCMIN, -1.0 * ARCMIN)
    pixels = toy.glance(moved)
    pixels[4] += [2.5, -1.0]
    found = toy.fit(pixels)
    assert not found.used[4]
    assert found.used.sum() == 8
    assert np.linalg.norm(found.axis - moved @ toy.axis) < 20.0 * ARCSEC


def test_two_stars_are_too_few() -> None:
    toy = Toy(2, stars=2)
    with pytest.raises(TooFewDirections):
        toy.fit(toy.glance(toy.turned(0.0, 0.0)))


@pytest.mark.parametrize(
    ("azimuth_deg", "altitude_deg", "hidden"),
    [
        (180.0, 45.0, ()),
        (180.0, 88.5, (Axis.AZIMUTH,)),  # at the zenith the base turns about the boresight
        (90.0, 1.0, (Axis.ALTITUDE,)),  # and here about the hinge
        (90.0, 45.0, (Axis.AZIMUTH, Axis.ALTITUDE)),  # both move the stars along one line
    ],
)
def test_geometry_that_hides_an_adjuster_is_told(
    azimuth_deg: float, altitude_deg: float, hidden: tuple[Axis, ...]
) -> None:
    toy = Toy(4, azimuth_deg=azimuth_deg, altitude_deg=altitude_deg, side_px=250.0)
    found = toy.fit(toy.glance(toy.turned(0.0, 0.0), noise=0.0))
    error = axis_error(
        found.axis, found.axis_noise, Site(44.0, 9.0, 0.0), PoleTarget.TRUE, Atmosphere.none()
    )
    assert hidden_adjusters(error, found.covariance, 1.0 * ARCMIN) == hidden


def test_sensitivity_is_the_derivative_of_the_pixels() -> None:
    toy = Toy(6)
    axes = np.stack([Z, toy.hinge, toy.axis])
    told = sensitivity(toy.camera, axes, toy.directions, PICTURE)
    small = 1.0 * ARCSEC
    for k, axis in enumerate(axes):
        there = PICTURE.pixels(toy.directions @ (turn(axis, small) @ toy.camera))
        back = PICTURE.pixels(toy.directions @ (turn(axis, -small) @ toy.camera))
        assert np.allclose((there - back) / (2 * small), told[:, :, k], rtol=1e-4, atol=50.0)
