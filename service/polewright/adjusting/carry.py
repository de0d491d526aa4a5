"""From two attitudes to the axis now, its noise, and the turn about RA that is left over.

Write the turn of the camera from the reference to now as ``Q = C' C^T``. While only the base and
the RA axis turn, ``Q = B R(a, t)`` with the axis ``a`` of the reference and the base's turn ``B``;
``R(a, t)`` leaves ``a`` fixed, so ``a' = Q a`` whatever tracking did. ``B`` is then rebuilt as the
altitude turn about the horizontal line square to the axis followed by the azimuth turn about the
vertical that take ``a`` to ``a'``; what remains of ``Q`` is the turn ``t`` about RA.

What is observable: three numbers (altitude, azimuth, RA turn) from a rotation of three degrees of
freedom. Any small rotation whatever can be written so; only the RA turn has an expectation (from
tracking), so a slip shows as an RA turn that tracking does not explain. A declination axis that
slips by ``s`` looks like an azimuth move ``x`` on the sky with the RA turn ``-x tan(altitude)``,
plus an altitude move, which looks true. A slip about the east-west line (telescope on the
meridian's plane with the declination axis level) is therefore invisible here, and near the
equator all slips are. Source: own derivation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from polewright.adjusting.observation import CameraAttitude
from polewright.angles import Matrix, Vector, fold_pi


@dataclass(frozen=True, eq=False)
class Carried:
    """The axis at one frame, seen from the reference frame. Radians."""

    axis: Vector
    """(3,) unit vector, observed east-north-up."""
    frame_covariance: Matrix
    """(3, 3) rad^2, from the noise of the current attitude only: for comparing two frames."""
    live_covariance: Matrix
    """(3, 3) rad^2, from the noise of both attitudes."""
    covariance: Matrix
    """(3, 3) rad^2, the sweep's included."""
    altitude_turn: float
    """Turn of the base about the level line square to the axis; positive raises."""
    azimuth_turn: float
    """Turn of the base about the vertical; positive from east through north (right-handed)."""
    ra_turn: float
    """Left over: turn about the axis, right-handed, in [-pi, pi)."""
    ra_sigma: float

    @property
    def base_turn(self) -> float:
        """Size (rad) of both turns of the base together."""
        return math.hypot(self.altitude_turn, self.azimuth_turn)


def carry(
    axis: Vector,
    axis_covariance: Matrix,
    reference: CameraAttitude,
    current: CameraAttitude,
    floor: float = 0.0,
) -> Carried:
    """Carry ``axis`` (3,) with its covariance (3, 3) from ``reference`` to ``current``.

    ``floor`` (rad) is added in square to each attitude's noise about every camera axis across
    the boresight (what star residuals do not show). The attitudes' noise is taken as independent
    of the sweep's: use a reference frame that was not part of the sweep.
    """
    turn = current.matrix @ reference.matrix.T
    carried = turn @ axis
    extra = np.diag([floor**2, floor**2, 0.0])
    now = current.matrix @ (current.covariance + extra) @ current.matrix.T
    enu = now + current.matrix @ (reference.covariance + extra) @ current.matrix.T
    cross = _cross_matrix(carried)
    live = cross @ enu @ cross.T

    altitude_turn, azimuth_turn, base = base_rotation(axis, carried)
    rest = base.T @ turn
    ra_turn = _angle_about(axis, rest)
    ra_variance = float(carried @ enu @ carried) + _azimuth_share(carried, live)
    return Carried(
        axis=carried,
        frame_covariance=cross @ now @ cross.T,
        live_covariance=live,
        covariance=turn @ axis_covariance @ turn.T + live,
        altitude_turn=altitude_turn,
        azimuth_turn=azimuth_turn,
        ra_turn=ra_turn,
        ra_sigma=math.sqrt(ra_variance),
    )


def base_rotation(start: Vector, end: Vector) -> tuple[float, float, Matrix]:
    """Altitude turn, azimuth turn (rad) and the matrix (3, 3) that take one axis to another."""
    altitude_turn = _altitude(end) - _altitude(start)
    azimuth_turn = fold_pi(math.atan2(end[1], end[0]) - math.atan2(start[1], start[0]))
    horizontal = math.hypot(start[0], start[1])
    hinge = np.array([start[1], -start[0], 0.0]) / horizontal
    tilt = _rotation(hinge, altitude_turn)
    return altitude_turn, azimuth_turn, _rotation(np.array([0.0, 0.0, 1.0]), azimuth_turn) @ tilt


def _azimuth_share(axis: Vector, live: Matrix) -> float:
    """Variance of the RA turn that comes from noise of the azimuth turn."""
    horizontal = math.hypot(axis[0], axis[1])
    east = np.array([axis[1], -axis[0], 0.0]) / horizontal
    return float(east @ live @ east) * (float(axis[2]) / horizontal) ** 2


def _altitude(vector: Vector) -> float:
    return math.atan2(vector[2], math.hypot(vector[0], vector[1]))


def _cross_matrix(v: Vector) -> Matrix:
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def _rotation(axis: Vector, angle: float) -> Matrix:
    """Rodrigues' formula; right-handed."""
    k = _cross_matrix(axis)
    rotation: Matrix = np.eye(3) + math.sin(angle) * k + (1.0 - math.cos(angle)) * (k @ k)
    return rotation


def _angle_about(axis: Vector, rotation: Matrix) -> float:
    """Turn (rad) about ``axis`` of a rotation that leaves ``axis`` fixed."""
    across = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    across /= np.linalg.norm(across)
    moved = rotation @ across
    return fold_pi(math.atan2(float(np.cross(axis, across) @ moved), float(across @ moved)))
