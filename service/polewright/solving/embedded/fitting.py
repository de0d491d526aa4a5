"""Camera geometry and the weighted fit of an attitude to stars whose places are known."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.geometry.rotation import rotation_matrix
from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import Matrix, Vector

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def centred(stars: StarList, parity: int) -> Floats:
    """Pixels (N, 2) from the centre of the frame in the camera's handedness."""
    return np.stack(
        [parity * (stars.x - (stars.width - 1) / 2), stars.y - (stars.height - 1) / 2], axis=1
    )


def gnomonic(vectors: Vector, attitude: Matrix) -> tuple[Floats, Floats]:
    """Tangent-plane coordinates (N, 2) about the boresight, and the third component (N,)."""
    camera = vectors @ attitude
    z = camera[:, 2]
    return np.asarray(camera[:, :2] / np.where(z > 0.05, z, np.nan)[:, None]), z


def fit_attitude(
    pixels: Floats,
    vectors: Vector,
    sigma_px: Floats,
    attitude: Matrix,
    scale: float,
    half_width: float,
    *,
    radial: bool,
    k1: float = 0.0,
) -> tuple[Matrix, float, float, Matrix]:
    """Weighted least squares of rotation, scale and (if ``radial``) k1.

    Args:
        pixels: (N, 2) from the frame's centre, in the camera's handedness (`centred`).
        vectors: (N, 3) where those stars are.
        sigma_px: (N,) per coordinate.
        attitude: camera axes as columns to start from, a few degrees off at most.
        scale: rad per pixel to start from.
        half_width: pixels, the unit of radius of ``k1``.
        radial: whether k1 is fitted; otherwise it stays.
        k1: where to start.

    Returns:
        attitude, scale, k1, and the covariance (3, 3) rad^2 of a small rotation about the camera's
        axes, enlarged by chi-square per degree of freedom when that exceeds 1.

    Gauss-Newton with the analytic derivative of the gnomonic projection; own derivation.
    """
    r2 = np.sum(pixels**2, axis=1, keepdims=True) / half_width**2
    weight = np.repeat(1.0 / sigma_px, 2)
    count = 5 if radial else 4
    for _ in range(6):
        u, _z = gnomonic(vectors, attitude)
        residual = pixels * (1.0 + k1 * r2) - u / scale
        ux, uy = u[:, 0], u[:, 1]
        jacobian = np.zeros((pixels.shape[0], 2, count))
        # columns: turn about x, y, z (camera), log scale, k1
        jacobian[:, 0, 0], jacobian[:, 1, 0] = ux * uy, 1.0 + uy * uy
        jacobian[:, 0, 1], jacobian[:, 1, 1] = -(1.0 + ux * ux), -ux * uy
        jacobian[:, 0, 2], jacobian[:, 1, 2] = uy, -ux
        jacobian[:, 0, 3], jacobian[:, 1, 3] = -ux, -uy
        jacobian /= scale
        if radial:
            jacobian[:, :, 4] = -pixels * r2
        design = jacobian.reshape(-1, count) * weight[:, None]
        target = residual.reshape(-1) * weight
        step = np.linalg.lstsq(design, target, rcond=None)[0]
        attitude = attitude @ rotation_matrix(step[:3])
        scale *= math.exp(step[3])
        if radial:
            k1 += float(step[4])
        if float(np.max(np.abs(step[:3]))) < 1e-12:
            break
    u, _z = gnomonic(vectors, attitude)
    residual = (pixels * (1.0 + k1 * r2) - u / scale).reshape(-1) * weight
    dof = max(1, residual.size - count)
    inverse = np.linalg.pinv(design.T @ design)
    covariance: Matrix = inverse[:3, :3] * max(1.0, float(residual @ residual) / dof)
    return attitude, scale, k1, covariance
