from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.foundation.angles import ARCSEC, separation
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, pixel_scale
from polewright_sim.sky.projection import Lens


@given(
    k1=st.floats(-0.08, 0.08),
    parity=st.sampled_from([1, -1]),
    x=st.floats(0.0, 6247.0),
    y=st.floats(0.0, 4175.0),
)
def test_pixel_to_direction_and_back(k1: float, parity: int, x: float, y: float) -> None:
    """Any pixel's direction comes back to the pixel, with distortion and mirror."""
    lens = Lens.of(OpticsSpec(parity=parity, distortion_k1=k1), SensorSpec())
    attitude = np.linalg.qr(np.random.default_rng(4).normal(size=(3, 3)))[0]
    attitude *= np.sign(np.linalg.det(attitude))
    direction = lens.directions(np.array([x]), np.array([y]), attitude)
    back = lens.pixels(direction, attitude)

    assert back[0][0] == pytest.approx(x, abs=1e-6)
    assert back[1][0] == pytest.approx(y, abs=1e-6)


def test_scale_is_pixel_over_focal_length() -> None:
    """3.76 um behind 400 mm is 1.939 arcsec, at the centre of the frame."""
    lens = Lens.of(OpticsSpec(), SensorSpec())
    x = np.array([0.0, 1.0]) + lens.centre[0]
    one = lens.directions(x, np.full(2, lens.centre[1]), np.eye(3))

    assert pixel_scale(OpticsSpec(), SensorSpec()) == pytest.approx(1.93887 * ARCSEC, rel=1e-4)
    assert separation(one[0], one[1]) == pytest.approx(1.93887 * ARCSEC, rel=1e-4)


def test_barrel_and_pincushion_have_the_agreed_sign() -> None:
    """With k1 > 0 the true radius is the larger one: a star seems nearer to the centre."""
    bent = Lens.of(OpticsSpec(distortion_k1=0.02), SensorSpec())
    plain = Lens.of(OpticsSpec(), SensorSpec())
    star = plain.directions(np.array([6247.0]), np.array([plain.centre[1]]), np.eye(3))
    seen = bent.pixels(star, np.eye(3))[0][0] - bent.centre[0]
    radius = seen / 3124.0

    assert seen * (1.0 + 0.02 * radius**2) == pytest.approx(3123.5, abs=1e-6)
    assert seen < 3123.5


def test_what_lies_behind_is_not_seen() -> None:
    """Directions behind the camera or past a strong barrel's edge have no pixel."""
    lens = Lens.of(OpticsSpec(focal_length_mm=10.0, distortion_k1=-0.1), SensorSpec())
    away = np.array([[0.0, 0.0, -1.0], [1.0, 0.0, 0.06]])
    x, y = lens.pixels(away, np.eye(3))

    assert np.isnan(x).all()
    assert np.isnan(y).all()
