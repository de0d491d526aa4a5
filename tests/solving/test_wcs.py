"""FITS world coordinates against astropy.wcs (wcslib), both ways."""

from __future__ import annotations

import math

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from solving.synthetic import attitude_of

from polewright.calculation.geometry.solution import Distortion, Solution
from polewright.foundation.angles import ARCSEC, DEG, separation
from polewright.solving.errors import SolutionRejected
from polewright.solving.external.wcs import attitude_from_header, has_wcs, wcs_header

WIDTH, HEIGHT = 6248, 4176
MAS = ARCSEC / 1000.0

PLACES = [
    (83.6, 22.0, 15.0),
    (266.4, -29.0, 200.0),
    (0.0001, 5.0, 90.0),
    (359.9999, -5.0, 271.0),
    (120.0, 89.9999, 33.0),
    (10.0, -89.99, 123.0),
    (200.0, 90.0, 0.0),
    (200.0, -90.0, 77.0),
]


def solution(
    ra: float, dec: float, roll: float, parity: int, *, arcsec_px: float = 1.94, k1: float = 0.0
) -> Solution:
    return Solution(
        solver="test",
        attitude_icrs=attitude_of(ra * DEG, dec * DEG, roll * DEG),
        parity=parity,
        scale=arcsec_px * ARCSEC,
        pixels=np.zeros((0, 2)),
        icrs=np.zeros((0, 3)),
        sigma_px=np.zeros(0),
        covariance=np.eye(3),
        rms_px=0.0,
        width=WIDTH,
        height=HEIGHT,
        matched=0,
        distortion=Distortion(k1),
    )


def pinhole(s: Solution, pixels: np.ndarray) -> np.ndarray:
    """Directions by the camera model as base.py states it, written here on its own."""
    dx = pixels[:, 0] - (s.width - 1) / 2
    dy = pixels[:, 1] - (s.height - 1) / 2
    bend = 1.0 + s.distortion.k1 * (dx**2 + dy**2) / (s.width / 2) ** 2
    v = np.stack([s.parity * dx * bend, dy * bend, np.full(len(dx), 1.0 / s.scale)], axis=1)
    v = v / np.linalg.norm(v, axis=1, keepdims=True)
    return v @ s.attitude_icrs.T


def on_sky(header: fits.Header, pixels: np.ndarray) -> np.ndarray:
    """Directions by wcslib; FITS counts pixels from 1."""
    ra, dec = np.radians(WCS(header).all_pix2world(pixels + 1.0, 1)).T
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=1)


@pytest.mark.parametrize("parity", [1, -1])
@pytest.mark.parametrize(("ra", "dec", "roll"), PLACES)
@pytest.mark.parametrize(("arcsec_px", "k1"), [(1.94, 0.0), (12.4, 0.0), (12.4, -0.02)])
def test_header_means_the_same_to_wcslib(
    ra: float, dec: float, roll: float, parity: int, arcsec_px: float, k1: float
) -> None:
    """Every pixel of our header is within 0.1 mas of the camera model, by wcslib's reading
    (conventions of Greisen & Calabretta 2002 and Calabretta & Greisen 2002)."""
    s = solution(ra, dec, roll, parity, arcsec_px=arcsec_px, k1=k1)
    rng = np.random.default_rng(1)
    pixels = rng.uniform([-0.5, -0.5], [WIDTH - 0.5, HEIGHT - 0.5], (200, 2))

    apart = separation(on_sky(wcs_header(s), pixels), pinhole(s, pixels))
    assert apart.max() < 0.1 * MAS


@pytest.mark.parametrize("parity", [1, -1])
@pytest.mark.parametrize(("ra", "dec", "roll"), PLACES)
@pytest.mark.parametrize("k1", [0.0, 0.015])
def test_round_trip_is_exact(ra: float, dec: float, roll: float, parity: int, k1: float) -> None:
    """Solution to header to solution: attitude within 1 mas, parity, scale and bend the same."""
    s = solution(ra, dec, roll, parity, arcsec_px=5.0, k1=k1)
    back = attitude_from_header(wcs_header(s), WIDTH, HEIGHT, "test")

    assert back.parity == parity
    assert np.abs(back.attitude - s.attitude_icrs).max() < 1.0 * MAS
    assert back.scale == pytest.approx(s.scale, rel=1e-9)
    assert back.k1 == pytest.approx(k1, abs=1e-8)
    assert back.rms_px < 1e-4
    assert separation(back.icrs, pinhole(s, back.pixels)).max() < 1.0 * MAS


def test_signs_of_the_usual_picture() -> None:
    """North up, east left, stored top row first: RA falls with x and Dec falls with y, so both
    CD1_1 and CD2_2 are negative; with the last row first CD2_2 would be positive (Greisen &
    Calabretta 2002, section 6, for north up and east left)."""
    header = wcs_header(solution(80.0, 30.0, 0.0, 1))

    assert header["CD1_1"] == pytest.approx(-1.94 / 3600)
    assert header["CD2_2"] == pytest.approx(-1.94 / 3600)
    assert header["CRPIX1"] == 3124.5
    assert header["CRPIX2"] == 2088.5


def test_pc_and_cdelt_are_read_like_cd() -> None:
    """The same WCS written as PC matrix with CDELT gives the same attitude."""
    s = solution(150.0, -40.0, 25.0, -1)
    header = wcs_header(s)
    step = 1.94 / 3600
    header["CDELT1"], header["CDELT2"] = -step, step
    for i, sign in ((1, -1.0), (2, 1.0)):
        for j in (1, 2):
            header[f"PC{i}_{j}"] = header.pop(f"CD{i}_{j}") / (sign * step)
    back = attitude_from_header(header, WIDTH, HEIGHT, "test")

    assert back.parity == -1
    assert np.abs(back.attitude - s.attitude_icrs).max() < 1.0 * MAS


def test_a_reference_pixel_off_the_centre_hardly_matters() -> None:
    """CRPIX hundreds of pixels from the centre, as solvers leave it: the attitude is still that
    of the frame's centre (exactly it cannot be: the picture's plane is tangent elsewhere)."""
    s = solution(83.0, 60.0, 40.0, 1)
    corner = np.array([[2600.0, 2400.0]])
    v = pinhole(s, corner)[0]
    ra, dec = math.atan2(v[1], v[0]), math.asin(v[2])
    east = np.array([-math.sin(ra), math.cos(ra), 0.0])
    north = np.cross(v, east)
    jacobian = []
    for step in (np.array([1e-2, 0.0]), np.array([0.0, 1e-2])):
        d = (pinhole(s, corner + step)[0] - pinhole(s, corner - step)[0]) / 2e-2
        jacobian.append([d @ east, d @ north])
    cd = np.degrees(np.array(jacobian).T)
    header = wcs_header(s)
    header["CRVAL1"], header["CRVAL2"] = math.degrees(ra), math.degrees(dec)
    header["CRPIX1"], header["CRPIX2"] = corner[0] + 1.0
    for i in (1, 2):
        for j in (1, 2):
            header[f"CD{i}_{j}"] = cd[i - 1, j - 1]
    back = attitude_from_header(header, WIDTH, HEIGHT, "test")

    assert separation(back.attitude[:, 2], on_sky(header, np.array([[3123.5, 2087.5]]))[0]) < (
        0.3 * s.scale
    )
    assert separation(back.attitude[:, 2], s.attitude_icrs[:, 2]) < 0.3 * s.scale


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"CTYPE1": "GLON-TAN", "CTYPE2": "GLAT-TAN"}, "not RA, Dec"),
        ({"RADESYS": "FK4", "EQUINOX": 1950.0}, "FK4"),
        ({"IMAGEW": 3124}, "IMAGEW"),
        ({"CD1_1": 0.0, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 0.0}, "WCS"),
        ({"CD1_1": 0.01, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 0.005}, "no plain camera"),
        ({"CD1_1": 1e-12, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 1e-12}, "scale"),
        ({"CRVAL2": float("1e300")}, "WCS"),
    ],
    ids=["galactic", "b1950", "size", "singular", "sheared", "tiny", "huge"],
)
def test_a_wcs_that_is_no_cameras_view_is_refused(changes: dict[str, object], says: str) -> None:
    """Other systems, other sizes, singular or sheared matrices are refused with the reason."""
    header = wcs_header(solution(80.0, 30.0, 0.0, 1))
    assert has_wcs(header)
    header.update(changes)

    with pytest.raises(SolutionRejected, match=says):
        attitude_from_header(header, WIDTH, HEIGHT, "test")
