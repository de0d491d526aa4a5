"""The axis while the adjusters are turned, from one frame each.

With the axis ``a`` known when a reference attitude was taken, a later attitude gives the turn
T = C' C_ref^T of the whole telescope, and the axis is now T a. Turns about the RA axis leave it
fixed, so tracking, RA backlash and periodic error drop out; so does a tripod that is not level,
since nothing is assumed about the adjusters' axes.

What one turn can and cannot tell
---------------------------------
T has three numbers. The azimuth adjuster turns about the zenith u, the altitude adjuster about the
horizontal h perpendicular to the axis, RA about a; away from the Earth's poles these span every
rotation. So T = R(u, azimuth) R(h, altitude) R(a, ra) can ALWAYS be solved and, taken alone,
leaves nothing over: no single turn proves that only these three moved.

A turn ``delta`` of the declination axis d = a x boresight (the motion that would spoil T a) hides
in them. With p the axis's altitude, q = h x a, and d = cos(psi) h + sin(psi) q, and because
q = u / cos p - a tan p, it shows (first order, all right-handed) as

    altitude = delta cos psi,  azimuth = delta sin psi / cos p,  ra = -delta sin psi tan p.

Azimuth and altitude are what the user changes at will, so only the ra part can be tested, against
what the mount should have turned meanwhile (tracking, or its own reported hour angle). The test
sees delta with sensitivity |sin psi| tan p: best when the telescope points six hours from the
meridian at a high latitude, and BLIND on the meridian (there a declination turn is the same
rotation as an altitude turn) and near the equator. `split_turn` therefore gives the unexpected ra
turn, the sensitivity, and a verdict that may be "cannot tell". Tests that need another source:
the declination reported by the mount, or a repeated sweep.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.geometry.rotation import cross_matrix, rotation_about, turn_about
from polewright.foundation.angles import (
    ARCMIN,
    DEG,
    Matrix,
    Vector,
    azalt_from_enu,
    fold_pi,
)
from polewright.foundation.language import say

_UP = np.array([0.0, 0.0, 1.0])

BLIND_BELOW = 0.2
"""Sensitivity to a declination turn under which silence proves nothing (own choice)."""


def carry_axis(axis: Vector, reference: Matrix, current: Matrix) -> NDArray[np.float64]:
    """Return where the polar axis points after the base was turned.

    Args:
        axis: ENU unit vector (3,) when ``reference`` was taken.
        reference: camera axes as columns (3, 3), observed frame.
        current: the same camera now.

    Holds while only the base and the RA axis turn. A declination turn of ``delta`` moves the
    result by ``delta``, and no warning can come from here: see `split_turn`.
    """
    return np.asarray(current @ reference.T @ axis, dtype=np.float64)


def carry_axis_covariance(
    axis: Vector,
    covariance: Matrix,
    reference: Matrix,
    reference_covariance: Matrix,
    current: Matrix,
    current_covariance: Matrix,
) -> NDArray[np.float64]:
    """Return the covariance (3, 3, ENU, rad^2) of `carry_axis`.

    ``covariance`` belongs to ``axis``; the other two are about the camera's axes (see `Attitude`).
    The three are taken as independent. When the reference is a frame of the sweep itself they are
    not quite, and this is then an estimate, right to about the noise of one frame.
    """
    turn = current @ reference.T
    # Small camera rotations, taken to the world, move the carried axis by their cross product.
    lever = -cross_matrix(carry_axis(axis, reference, current)) @ current
    frames = reference_covariance + current_covariance
    return np.asarray(turn @ covariance @ turn.T + lever @ frames @ lever.T, dtype=np.float64)


class TurnVerdict(Enum):
    """What the RA part of a turn says about a declination turn."""

    AS_EXPECTED = say("as expected")
    """The RA part is explained, and a declination turn would have shown."""
    UNEXPECTED = "unexpected"
    """More RA turn than tracking and tolerance explain: RA slipped, or declination turned."""
    CANNOT_TELL = say("cannot tell")
    """Explained, but in this pose a declination turn would not show (or nothing was expected)."""


@dataclass(frozen=True)
class TurnSplit:
    """A turn of the telescope as turns about zenith, horizontal and RA axis (rad)."""

    azimuth: float
    """Of the base about the vertical; positive carries the axis east."""
    altitude: float
    """About the horizontal perpendicular to the axis; positive raises it."""
    right_ascension: float
    """About the axis, right-handed about its direction to the visible pole."""
    unexpected: float
    """``right_ascension`` less what was expected, in [-pi, pi)."""
    tolerance: float
    """How much of ``unexpected`` the stated doubts explain."""
    sensitivity: float
    """Unexpected RA turn per declination turn, of either sign; a pose with 0 is blind to it."""
    verdict: TurnVerdict


def split_turn(
    axis: Vector,
    reference: Matrix,
    current: Matrix,
    *,
    expected_ra_turn: float | None,
    southern: bool,
    ra_doubt: float = 3.0 * ARCMIN,
    tilt_doubt: float = 2.0 * DEG,
) -> TurnSplit:
    """Split the turn between two attitudes exactly into azimuth, altitude and RA.

    Args:
        axis: ENU unit vector (3,) when ``reference`` was taken, to the visible pole.
        reference: camera axes as columns (3, 3), observed frame.
        current: the same camera now.
        expected_ra_turn: rad about the axis meanwhile: 0 when tracking is off,
            or from the mount's reported hour angles; None when unknown.
        southern: whether the visible pole is the south pole (only decides what east means).
        ra_doubt: rad that backlash, periodic error, guiding and the frames' noise may add (own
            choice: common gears wander by less).
        tilt_doubt: rad by which the adjusters' axes may be off vertical and horizontal; a move m
            then leaks up to m times this, over cos of the axis's altitude, into the RA part.

    The module's docstring derives what the split can prove.
    """
    turn = current @ reference.T
    carried = turn @ axis
    (az0, az1), (alt0, alt1) = azalt_from_enu(np.array([axis, carried]))
    clockwise, raised = fold_pi(float(az1 - az0)), float(alt1 - alt0)
    # h points so that a right-handed turn about it raises the axis.
    level = np.cross(axis, _UP)
    level /= np.linalg.norm(level)
    base = rotation_about(_UP, -clockwise) @ rotation_about(level, raised)
    right_ascension = turn_about(base.T @ turn, axis)

    boresight = reference[:, 2]
    declination_axis = np.cross(axis, boresight)
    length = float(np.linalg.norm(declination_axis))
    upward = np.cross(level, axis)
    # Pointing along the axis itself, nothing tells how the declination axis lies.
    sine_psi = float(declination_axis @ upward) / length if length > 1e-3 else 0.0
    sensitivity = -sine_psi * math.tan(float(alt0))

    moved = math.hypot(clockwise, raised)
    tolerance = ra_doubt + tilt_doubt * moved / math.cos(float(alt0))
    if expected_ra_turn is None:
        unexpected, verdict = 0.0, TurnVerdict.CANNOT_TELL
    else:
        unexpected = fold_pi(right_ascension - expected_ra_turn)
        if abs(unexpected) > tolerance:
            verdict = TurnVerdict.UNEXPECTED
        elif abs(sensitivity) < BLIND_BELOW:
            verdict = TurnVerdict.CANNOT_TELL
        else:
            verdict = TurnVerdict.AS_EXPECTED
    return TurnSplit(
        azimuth=-clockwise if southern else clockwise,
        altitude=raised,
        right_ascension=right_ascension,
        unexpected=unexpected,
        tolerance=tolerance,
        sensitivity=sensitivity,
        verdict=verdict,
    )
