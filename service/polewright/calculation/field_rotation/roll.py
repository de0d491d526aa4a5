"""How a camera stands towards the mount's axis, and how its field turns while it tracks.

A camera on a mount keeps its angle towards the mount's own pole: whatever is guided, the two axes
only carry the line of sight about, and along the sky's great circle to the axis the tube's "up"
stays where it is. So the angle on the sensor from the camera's y axis to the axis is constant, and
it is exact in the observed frame, where the axis is a fixed vector and refraction is in the stars'
directions. A wrong axis in that reckoning makes the angle change with the hour angle.

Cone error and a declination axis that is not square only change the constant, from one declination
to another.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import SIDEREAL_RATE, Vector


def roll_to_axis(matrices: Vector, axes: Vector) -> NDArray[np.float64]:
    """Return the angle (n,), rad, from camera y towards camera x at which the axis lies.

    Args:
        matrices: camera attitudes (n, 3, 3) with x, y, boresight as columns, observed frame.
        axes: unit vectors (3,) or (n, 3), observed frame.
    """
    seen = _seen(matrices, axes)
    return np.asarray(np.arctan2(seen[:, 0], seen[:, 1]))


def distance_to_axis(matrices: Vector, axes: Vector) -> NDArray[np.float64]:
    """Return the angle (n,), rad, between boresight and axis: what declination leaves of 90 deg."""
    seen = _seen(matrices, axes)
    return np.asarray(np.arctan2(np.hypot(seen[:, 0], seen[:, 1]), seen[:, 2]))


def _seen(matrices: Vector, axes: Vector) -> NDArray[np.float64]:
    """The axes as the cameras see them (n, 3)."""
    m = np.asarray(matrices, dtype=np.float64)
    return np.asarray(np.einsum("nji,nj->ni", m, np.broadcast_to(axes, (len(m), 3))))


def gradients(matrices: Vector, axis: Vector) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how `roll_to_axis` and `distance_to_axis` change as the axis moves: (n, 3) each.

    In rad per rad of a small move (ENU) across the axis; own derivation.
    """
    seen = _seen(matrices, axis)
    across = seen[:, 0] ** 2 + seen[:, 1] ** 2
    m = np.asarray(matrices, dtype=np.float64)
    roll = (seen[:, 1, None] * m[:, :, 0] - seen[:, 0, None] * m[:, :, 1]) / across[:, None]
    distance = -m[:, :, 2] / np.sqrt(across)[:, None]
    return roll, distance


def camera_gradients(
    matrices: Vector, axis: Vector
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the same for small turns of the camera about its own axes: (n, 3) each."""
    x, y, z = _seen(matrices, axis).T
    across = x**2 + y**2
    roll = np.stack([-z * x / across, -z * y / across, np.ones_like(x)], axis=1)
    root = np.sqrt(across)
    distance = np.stack([y / root, -x / root, np.zeros_like(x)], axis=1)
    return roll, distance


def field_rotation_rate(
    error: float, error_hour_angle: float, hour_angle: float, declination: float
) -> float:
    """Return the rate (rad/s) at which a guided field turns, to first order in the error.

    With the axis displaced by ``error`` (rad) from the pole towards ``error_hour_angle``, the mount
    pole's position angle at a star is ``error sin(H - H_e) / cos(declination)``, and the field
    turns as fast as that changes.

    Source: R. N. Hook, "Polar axis alignment requirements for astronomical photography", Journal of
    the British Astronomical Association 99 (1989), 19 (cited from memory); the exact rotation is
    `roll_to_axis`, which the tests hold against it.
    """
    return error * math.cos(hour_angle - error_hour_angle) / math.cos(declination) * SIDEREAL_RATE
