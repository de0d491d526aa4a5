"""What the frames of a sweep have wrong together, which no residual shows or only a part of it.

A tube that sags by s times the cosine of altitude turns each frame by ``s z x b`` (z up, b where
the frame looks). With b = (b.a) a + rest, what lies along the axis a of the mount is a turn of the
whole world, and the rest of it a turn about the axis or of the camera alone: the sag moves the
axis by ``s sin(declination) cos(latitude)`` in altitude and leaves no residual at all. What bends,
tips or sinks evenly as the mount turns adds to the turn's own direction: r radians for each radian
of turn move the axis by r, however many points there are. Wrong air does both. So their sizes
cannot come from the sweep; they are stated beforehand, and added to its covariance.

Own derivation; the tests make such sweeps and look where their axes lie.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.rotation import rotation_about, rotation_matrix
from polewright.foundation.angles import ARCSEC, Vector

_UP = np.array([0.0, 0.0, 1.0])
_ENU = np.eye(3)
LOWEST_SINE = 0.05
"""Sine of the altitude (3 deg) below which air is counted as at that altitude."""


@dataclass(frozen=True)
class SharedErrors:
    """Sizes (1 sigma) of what the frames of a sweep share. The default shares nothing."""

    sag: float = 0.0
    """Rad by which a level tube droops against its axes more than ``droop``."""
    refraction: tuple[float, float] = (0.0, 0.0)
    """Of A and B (rad) in refraction ``A tan z + B tan^3 z``; both are wrong by the same factor."""
    lean: float = 0.0
    """Rad for each radian of the mount's turn, about each axis of the ground: it tips or sinks."""
    bend: float = 0.0
    """Rad for each radian of the mount's turn, about each axis of the camera: tube and camera
    bend or slip steadily."""
    noise_dof: float = math.inf
    """How well each frame's own noise is known: as from the residuals of so many degrees of
    freedom. Infinite: exactly as stated."""
    aberration: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Part (rad, ENU) of the aberration of which it is not known whether the mount counts with it
    as its targets do. In right ascension that only turns the mount about its axis, which is
    harmless; in declination it moves the declination axis, which should stand still."""
    droop: float = 0.0
    """Rad by which a level tube is known to droop. Not an uncertainty like the others: it is taken
    out of the attitudes."""

    def world_covariance(
        self, boresights: Vector, turns: Vector, axis: Vector, basis: Vector = _ENU
    ) -> Vector:
        """Return the covariance (..., n, n, k, k) of the frames' small turns, rad^2.

        Args:
            boresights: where the frames look, unit vectors (..., n, 3).
            turns: (n,) about the axis, rad.
            axis: of the mount, unit vector (3,).
            basis: unit vectors (3, k) along which the turns are told; east, north and up.
        """
        b = np.asarray(boresights, dtype=np.float64)
        modes = list(self.world_turns(b))
        if any(self.aberration):
            modes.append(self._declination_moved(b, np.asarray(axis)))
        # The axis that is reported is that of the middle of the sweep.
        t = np.asarray(turns) - np.mean(turns)
        along = np.outer(t, t)[:, :, None, None]
        carried = basis.T @ rotation_about(axis, t[:, None] - t[None, :]) @ basis
        steady = along * (self.lean**2 * basis.T @ basis + self.bend**2 * carried)
        out = np.tile(steady, (*b.shape[:-2], 1, 1, 1, 1))
        for mode in modes:
            told = mode @ basis
            out += told[..., :, None, :, None] * told[..., None, :, None, :]
        return np.asarray(out)

    def world_turns(self, boresights: Vector) -> tuple[Vector, Vector]:
        """How sag and air turn frames that look there, ENU rotation vectors (..., 3)."""
        across = np.cross(_UP, boresights)
        sine = np.maximum(boresights[..., 2:], LOWEST_SINE)
        a, cubic = self.refraction
        return self.sag * across, (a + cubic * (1.0 / sine**2 - 1.0)) / sine * across

    def _declination_moved(self, boresights: Vector, axis: Vector) -> Vector:
        """How the declination axis turns frames (..., 3) whose declination aberration shifts."""
        shift = np.asarray(self.aberration)
        across = np.cross(boresights, axis)
        along = boresights @ axis
        declination = axis @ shift - along * (boresights @ shift)
        return np.asarray((declination / np.sum(across**2, axis=-1))[..., None] * across)

    def undrooped(self, attitude: Attitude) -> Attitude:
        """Return an attitude as it would be if the tube did not droop as it is known to."""
        if self.droop == 0.0:
            return attitude
        back = -self.droop * np.cross(_UP, attitude.matrix[:, 2])
        return replace(attitude, matrix=rotation_matrix(back) @ attitude.matrix)

    def lifted(self, attitude: Attitude) -> Attitude:
        """Return an attitude as it would be measured if the air were 1 sigma denser."""
        _, thinner = self.world_turns(attitude.matrix[:, 2])
        return replace(attitude, matrix=rotation_matrix(-thinner) @ attitude.matrix)

    def while_tracking(self, boresight: Vector, axis: Vector) -> Vector:
        """Return the covariance (3, 3), rad^2, of an axis measured by tracking one field.

        A frame turned by w(t) after a turn t of the mount moves the axis a by
        ``-a x w + dw/dt`` (across a), the limit of a sweep of small steps; own derivation.

        Args:
            boresight: where the field is, unit vector (3,).
            axis: of the mount, unit vector (3,).
        """
        h = 1e-4
        looks = rotation_about(axis, np.array([0.0, -h, h])) @ boresight
        across = np.eye(3) - np.outer(axis, axis)
        out = (self.lean**2 + self.bend**2) * across
        for now, before, after in self.world_turns(looks):
            move = across @ ((after - before) / (2.0 * h) - np.cross(axis, now))
            out += np.outer(move, move)
        return np.asarray(out)


NOTHING_SHARED = SharedErrors()

STANDARD_LEAN = 2.0 * ARCSEC
"""Rad for each radian of turn, 0.7 arcsec for a step of 20 deg: 1 sigma of a tripod that gives
under the load (own choice, no source; with it tests/bench/hostile_world.py has 97 % of 1,500 sweeps
in their 95 % regions)."""
STANDARD_BEND = 1.0 * ARCSEC
"""The same of tube, camera and cables (own choice, no source)."""
STANDARD_NOISE_DOF = 6.0
"""Air and gusts vary by a factor of about 1.6 to either side from night to night (own choice)."""
CLOCK_SIGMA_S = 1.0
"""1 sigma of the computer's clock against the Earth's turn, s (own choice: a second of a clock
that is set over the network, and UT1-UTC)."""


def standard_sag(focal_length_mm: float | None) -> float:
    """Return 1 sigma (rad) of the droop of a level tube of this focal length.

    A rule of thumb without a source: 6 arcsec for a short tube on good rings, rising by one
    for each 250 mm to 10 arcsec from 1000 mm on (mirrors move, focusers tilt). 8 where the focal
    length is not known.
    """
    if focal_length_mm is None:
        return 8.0 * ARCSEC
    return min(10.0, 6.0 + focal_length_mm / 250.0) * ARCSEC


def region_factor(dof: float, level: float = 0.95) -> float:
    """Return the factor that widens a variance whose noise is known from ``dof`` degrees only.

    The region of that level of a Gaussian of the widened variance is then, in the plane, that of
    Student's distribution. Both are known in closed form: the squared distance in sigmas exceeds x
    with the chance exp(-x / 2) and (1 + x / dof)^(-dof / 2) (own derivation; tested against
    Fisher's distribution).
    """
    if math.isinf(dof):
        return 1.0
    miss = 1.0 - level
    return dof * math.expm1(-2.0 / dof * math.log(miss)) / (-2.0 * math.log(miss))
