"""Mounts, cameras and star fields for tests, by another road than the code under test.

Rotations come from scipy; star fields are laid over the frame in pixels, taken out to the observed
sky and back to the catalogue, then shaken by centroid noise.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import Rotation

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.solution import Distortion, Solution
from polewright.calculation.sky.frame import ObservedFrame, enu_from_hour_angle_dec
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCSEC, DEG, Matrix, Vector

NORTH = Site(33.0, -117.0, 500.0)
SOUTH = Site(-33.0, 150.0, 500.0)
NIGHT = 1_790_000_000.0
#: 1 arcsec across the boresight, 2 arcsec of roll.
NOISE = np.diag([1.0, 1.0, 4.0]) * ARCSEC**2


def turn(axis: ArrayLike, angle: float) -> NDArray[np.float64]:
    """Rotation matrix about a unit vector."""
    return np.asarray(Rotation.from_rotvec(np.asarray(axis) * angle).as_matrix())


def camera_at(site: Site, hour_angle: float, declination: float, roll: float = 0.0) -> Matrix:
    """Camera axes (3, 3) with the boresight there, rolled from the direction of the pole."""
    boresight = enu_from_hour_angle_dec(site, hour_angle, declination)
    x = np.cross(enu_from_hour_angle_dec(site, 0.0, np.pi / 2), boresight)
    x /= np.linalg.norm(x)
    upright = np.column_stack([x, np.cross(boresight, x), boresight])
    return np.asarray(upright @ turn([0.0, 0.0, 1.0], roll))


def true_axis(site: Site, d_az_sky_east: float = 0.0, d_alt: float = 0.0) -> Vector:
    """The visible pole, moved east and up by small angles on the sky (rad), in that order exact."""
    altitude = abs(site.latitude) + d_alt
    towards = -1.0 if site.southern else 1.0
    base = d_az_sky_east / np.cos(site.latitude)
    return np.array(
        [
            np.cos(altitude) * np.sin(base),
            towards * np.cos(altitude) * np.cos(base),
            np.sin(altitude),
        ]
    )


def attitude(matrix: Matrix, covariance: Matrix = NOISE, utc_s: float = NIGHT) -> Attitude:
    """An attitude as given."""
    return Attitude(matrix, covariance, utc_s, 1, 1e-5, 30, 1.0, 0.1)


def shaken(matrix: Matrix, covariance: Matrix, rng: np.random.Generator) -> Matrix:
    """The matrix with a small random rotation about the camera's axes."""
    d = np.linalg.cholesky(covariance) @ rng.normal(size=3)
    return np.asarray(matrix @ Rotation.from_rotvec(d).as_matrix())


def sweep(
    axis: Vector,
    start: Matrix,
    turns_deg: list[float],
    rng: np.random.Generator | None = None,
    covariance: Matrix = NOISE,
) -> list[Attitude]:
    """Attitudes of a camera turned about ``axis``, noisy when ``rng`` is given."""
    matrices = [turn(axis, t * DEG) @ start for t in turns_deg]
    if rng is not None:
        matrices = [shaken(m, covariance, rng) for m in matrices]
    return [attitude(m, covariance) for m in matrices]


def solution(
    matrix: Matrix,
    frame: ObservedFrame,
    rng: np.random.Generator,
    *,
    stars: int = 40,
    sigma_px: float = 0.1,
    parity: int = 1,
    scale: float = 3e-5,
    k1: float = 0.0,
    outliers: int = 0,
    stated_sigma_px: float | None = None,
) -> Solution:
    """What a solver returns for a camera standing at ``matrix`` in the observed frame.

    The pinhole of `polewright.solving.base` is written out again here.
    """
    width, height = 2000, 1500
    pixels = np.column_stack([rng.uniform(0, width - 1, stars), rng.uniform(0, height - 1, stars)])
    u, v = parity * (pixels[:, 0] - 999.5), pixels[:, 1] - 749.5
    stretch = scale * (1.0 + k1 * (u**2 + v**2) / 1000.0**2)
    rays = np.column_stack([u * stretch, v * stretch, np.ones(stars)])
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    icrs = frame.to_icrs(rays @ matrix.T)
    guess, _ = Rotation.align_vectors(icrs, rays)
    measured = pixels + sigma_px * rng.normal(size=pixels.shape)
    measured[:outliers] += 40.0 * sigma_px * (1.0 + rng.uniform(size=(outliers, 2)))
    stated = sigma_px if stated_sigma_px is None else stated_sigma_px
    return Solution(
        solver="test",
        attitude_icrs=guess.as_matrix(),
        parity=parity,
        scale=scale,
        pixels=measured,
        icrs=icrs,
        sigma_px=np.full(stars, max(stated, 1e-3)),
        covariance=np.eye(3) * 1e-12,
        rms_px=sigma_px,
        width=width,
        height=height,
        matched=stars,
        distortion=Distortion(),
    )
