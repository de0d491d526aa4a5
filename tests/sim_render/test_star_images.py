from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright_sim.camera.psf import add_stars, star_image, width_px
from polewright_sim.camera_spec import OpticsSpec, SensorSpec

SHARP = OpticsSpec()
SENSOR = SensorSpec()


def centroid(canvas: np.ndarray) -> tuple[float, float]:
    rows, columns = np.indices(canvas.shape)
    total = canvas.sum(dtype=np.float64)
    return float((columns * canvas).sum() / total), float((rows * canvas).sum() / total)


@pytest.mark.parametrize(
    "optics",
    [
        SHARP,
        OpticsSpec(focal_length_mm=135.0, aperture_mm=50.0),
        OpticsSpec(focal_length_mm=1000.0, aperture_mm=200.0, seeing_fwhm_arcsec=4.0),
        OpticsSpec(defocus_um=60.0, obstruction=0.4),
    ],
)
def test_a_star_is_drawn_where_it_was_put_to_a_hundredth_of_a_pixel(optics: OpticsSpec) -> None:
    """The centre of light of a whole stamp is the place asked for, at any sub-pixel phase."""
    image = star_image(optics, SENSOR)
    rng = np.random.default_rng(3)
    for _ in range(40):
        x, y = rng.uniform(-0.5, 0.5, 2) + image.radius + 4
        canvas = np.zeros((2 * image.radius + 9,) * 2, dtype=np.float32)
        add_stars(canvas, image, np.array([x]), np.array([y]), np.array([1e6]), 0.0)

        assert centroid(canvas) == pytest.approx((x, y), abs=0.01)
        assert canvas.sum(dtype=np.float64) == pytest.approx(1e6, rel=0.01)


def test_the_half_width_is_the_one_asked_for() -> None:
    """A finely sampled star crosses half its peak at half its width."""
    optics = OpticsSpec(focal_length_mm=3000.0, aperture_mm=300.0, spot_fwhm_um=0.0)
    fwhm = width_px(optics, SENSOR, 1, 0.0)
    image = star_image(optics, SENSOR)
    row = image.stamps[image.phases // 2, image.phases // 2, image.radius, image.radius :]
    half = np.interp(-0.5 * row[0], -row, np.arange(row.size))

    assert fwhm == pytest.approx(2.5 / 0.2585, rel=0.02)  # pixels of 0.2585 arcsec
    assert 2.0 * half == pytest.approx(fwhm, rel=0.03)


def test_a_defocused_obstructed_star_is_a_ring() -> None:
    """Far out of focus the centre is darker than the ring, and light reaches the disc's edge."""
    image = star_image(OpticsSpec(defocus_um=100.0, obstruction=0.5), SENSOR)
    row = image.stamps[image.phases // 2, image.phases // 2, image.radius, image.radius :]

    assert row[0] < 0.3 * row[9]
    assert row[17] < 0.1 * row[9]


def test_stars_over_the_edge_leave_only_their_share() -> None:
    """A star on the edge of the frame keeps half its light; one far outside keeps none."""
    image = star_image(SHARP, SENSOR)
    canvas = np.zeros((64, 64), dtype=np.float32)
    add_stars(canvas, image, np.array([-0.5]), np.array([31.0]), np.array([1e5]), 0.01)
    half = canvas.sum(dtype=np.float64)
    add_stars(canvas, image, np.array([900.0]), np.array([31.0]), np.array([1e5]), 0.01)

    assert half == pytest.approx(5e4, rel=0.01)
    assert canvas.sum(dtype=np.float64) == half


@settings(max_examples=30, deadline=None)
@given(flux=st.floats(10.0, 1e8), floor=st.floats(0.05, 2.0))
def test_a_cut_stamp_leaves_out_only_what_the_floor_allows(flux: float, floor: float) -> None:
    """However bright the star, what is cut off is fainter than the floor in every pixel."""
    image = star_image(SHARP, SENSOR)
    side = 2 * image.radius + 1
    whole, cut = (np.zeros((side, side), dtype=np.float32) for _ in range(2))
    at = np.array([float(image.radius)])
    add_stars(whole, image, at, at, np.array([flux]), 0.0)
    add_stars(cut, image, at, at, np.array([flux]), floor)

    assert np.abs(whole - cut).max() <= floor * 1.01
