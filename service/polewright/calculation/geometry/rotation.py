"""Rotations as matrices and rotation vectors (axis times angle, rad, right-handed).

From a matrix to its vector, and to the rotation that fits directions best, SciPy's `Rotation` takes
three to seven times as long (it normalises, and goes by quaternions), which the fit of an axis
would feel; and directions that do not tell a rotation only make it warn.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from polewright.calculation.geometry.errors import TooFewDirections
from polewright.foundation.angles import Matrix, Vector
from polewright.foundation.language import say


def cross_matrix(vector: Vector) -> NDArray[np.float64]:
    """Return matrices (..., 3, 3) with ``cross_matrix(a) @ b == cross(a, b)``."""
    v = np.asarray(vector, dtype=np.float64)
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    out[..., 1, 0], out[..., 2, 0], out[..., 2, 1] = v[..., 2], -v[..., 1], v[..., 0]
    return out


def rotation_about(axis: Vector, angle: float | Vector) -> NDArray[np.float64]:
    """Return rotation matrices (..., 3, 3) about unit vectors ``axis`` (..., 3) by angles (rad)."""
    vectors = np.asarray(axis) * np.asarray(angle, dtype=np.float64)[..., None]
    turns = Rotation.from_rotvec(vectors.reshape(-1, 3)).as_matrix()
    return np.asarray(turns.reshape(*vectors.shape, 3), dtype=np.float64)


def rotation_matrix(vector: Vector) -> NDArray[np.float64]:
    """Return the rotation (3, 3) of a rotation vector (3,)."""
    return np.asarray(Rotation.from_rotvec(vector).as_matrix(), dtype=np.float64)


def rotation_vector(matrix: Matrix) -> NDArray[np.float64]:
    """Return axis times angle (3,), angle in [0, pi], of a rotation matrix (3, 3).

    Accurate for tiny turns (from the antisymmetric part) and near half a turn (axis from the
    symmetric part), where the usual arccos of the trace is not.
    """
    m = np.asarray(matrix, dtype=np.float64)
    w = 0.5 * np.array([m[2, 1] - m[1, 2], m[0, 2] - m[2, 0], m[1, 0] - m[0, 1]])
    sine, cosine = float(np.linalg.norm(w)), 0.5 * (float(np.trace(m)) - 1.0)
    angle = math.atan2(sine, cosine)
    if cosine > 0.0:
        return w if sine < 1e-9 else w * (angle / sine)
    outer = 0.5 * (m + m.T) - cosine * np.eye(3)
    column = outer[:, int(np.argmax(np.diag(outer)))]
    axis = column / np.linalg.norm(column)
    return np.asarray(axis * math.copysign(angle, float(axis @ w)), dtype=np.float64)


def turn_about(matrix: Matrix, axis: Vector) -> float:
    """Return the angle (rad, (-pi, pi]) of a rotation (3, 3) that leaves the unit ``axis`` fixed.

    For a rotation that moves ``axis`` it is the turn left after the shortest way from ``axis`` to
    its image (swing-twist).
    """
    m = np.asarray(matrix)
    w = np.array([m[2, 1] - m[1, 2], m[0, 2] - m[2, 0], m[1, 0] - m[0, 1]])
    # tan(t) with sin t = w.a/2 and cos t = (trace - a.Ma)/2 when M a = a; the general twist has
    # the same tangent up to the common factor (1 + a.Ma)/2.
    return math.atan2(float(w @ axis), float(np.trace(m) - axis @ m @ axis))


def wahba(camera_vectors: Vector, world_vectors: Vector, weights: Vector) -> NDArray[np.float64]:
    """Return the rotation C (3, 3) that minimises sum w |world - C camera|^2.

    Args:
        camera_vectors: unit vectors (n, 3) in the camera frame.
        world_vectors: the same directions (n, 3) in another right-handed frame.
        weights: (n,), 1 / sigma^2.

    Columns of C are the camera's axes in the other frame.

    Raises:
        TooFewDirections: fewer than two directions that differ.

    Source: Kabsch 1976 / Markley 1988 (singular value decomposition, determinant forced to +1).
    """
    camera, world = np.atleast_2d(camera_vectors), np.atleast_2d(world_vectors)
    profile = (world * np.asarray(weights)[:, None]).T @ camera
    u, values, vt = np.linalg.svd(profile)
    if len(camera) < 2 or values[1] < 1e-14 * values[0]:
        raise TooFewDirections(say("different directions"), min(len(camera), 1), 2)
    sign = float(np.sign(np.linalg.det(u) * np.linalg.det(vt)))
    return np.asarray(u @ np.diag([1.0, 1.0, sign]) @ vt, dtype=np.float64)


def tangent_basis(direction: Vector) -> NDArray[np.float64]:
    """Return two orthonormal columns (3, 2) perpendicular to a unit vector (3,).

    They complete a right-handed set (first, second, direction).
    """
    d = np.asarray(direction, dtype=np.float64)
    helper = np.eye(3)[int(np.argmin(np.abs(d)))]
    first = np.cross(helper, d)
    first /= np.linalg.norm(first)
    return np.column_stack([first, np.cross(d, first)])
