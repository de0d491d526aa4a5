"""The chain from the tripod to the camera, as rotations of the observed east-north-up frame.

Angles of the mount are those of a sky seen from inside: ``theta`` is the turn of the RA axis,
equal to the hour angle in the normal pointing state, ``d`` that of the declination axis, equal to
the declination there. Past the pole (d beyond 90 degrees) the tube looks the other way: the same
star is reached at theta + 180 degrees and, in the north, 180 degrees minus its declination.

Own derivation; the signs are settled by the tests of the mount against the sky.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from polewright.foundation.angles import ARCMIN, DEG, Matrix, Vector, fold_pi
from polewright_sim.spec import MisalignmentSpec, MountSpec, SiteSpec

#: Camera axes (x right, y down, boresight) in the tube's frame (forward, east, north) at the
#: meridian: who looks out along the tube with north up has west on the right.
_CAMERA = np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])


def turn_x(angle: float) -> Matrix:
    """Rotate vectors about x, right-handed."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


def turn_y(angle: float) -> Matrix:
    """Rotate vectors about y, right-handed."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def turn_z(angle: float) -> Matrix:
    """Rotate vectors about z, right-handed."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def turn_by(vector: Vector) -> Matrix:
    """Rotate by a rotation vector (3,), rad (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector))
    if angle == 0.0:
        return np.eye(3)
    x, y, z = np.asarray(vector) / angle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    turned: Matrix = np.eye(3) + math.sin(angle) * cross + (1.0 - math.cos(angle)) * cross @ cross
    return turned


def tilt(angle: float, azimuth: float) -> Matrix:
    """Tip the base over so that the side at ``azimuth`` is low."""
    # The upper end of the vertical goes towards the low side: about the axis 90 degrees left.
    return turn_by(angle * np.array([-math.cos(azimuth), math.sin(azimuth), 0.0]))


def pole_enu(site: SiteSpec) -> Vector:
    """True elevated pole (3,): altitude |latitude|, azimuth 0 in the north, 180 in the south."""
    latitude = site.latitude_deg * DEG
    return np.array([0.0, math.copysign(math.cos(latitude), latitude), abs(math.sin(latitude))])


@dataclass(frozen=True)
class AxisTruth:
    """Where the polar axis really is, and how far from the true pole."""

    enu: tuple[float, float, float]
    altitude_deg: float
    azimuth_deg: float
    alt_arcmin: float
    """Axis minus pole, altitude."""
    az_sky_arcmin: float
    """Axis minus pole, azimuth times the cosine of the pole's altitude."""
    az_base_arcmin: float
    """Axis minus pole, azimuth: the turn of a level base."""
    total_arcmin: float
    """Great circle."""


def axis_truth(site: SiteSpec, axis: Vector) -> AxisTruth:
    """Express an axis (3,) as its error."""
    pole = pole_enu(site)
    altitude = math.atan2(axis[2], math.hypot(axis[0], axis[1]))
    azimuth = math.atan2(axis[0], axis[1])
    d_az = fold_pi(azimuth - math.atan2(pole[0], pole[1]))
    latitude = abs(site.latitude_deg) * DEG
    total = math.atan2(float(np.linalg.norm(np.cross(axis, pole))), float(axis @ pole))
    return AxisTruth(
        enu=(float(axis[0]), float(axis[1]), float(axis[2])),
        altitude_deg=altitude / DEG,
        azimuth_deg=azimuth / DEG % 360.0,
        alt_arcmin=(altitude - latitude) / ARCMIN,
        az_sky_arcmin=d_az * math.cos(latitude) / ARCMIN,
        az_base_arcmin=d_az / ARCMIN,
        total_arcmin=total / ARCMIN,
    )


class Mechanics:
    """The rigid parts. Angles in rad; ``ground`` is the tilt of the base against level (3, 3)."""

    def __init__(
        self, site: SiteSpec, misalignment: MisalignmentSpec, mount: MountSpec, roll: float
    ) -> None:
        self.south = site.latitude_deg < 0.0
        self.level = tilt(mount.tripod_tilt_deg * DEG, mount.tripod_tilt_azimuth_deg * DEG)
        latitude = abs(site.latitude_deg) * DEG
        altitude = latitude + misalignment.alt_arcmin * ARCMIN
        azimuth = (math.pi if self.south else 0.0) + (
            misalignment.az_arcmin * ARCMIN / math.cos(latitude)
        )
        axis = np.array(
            [
                math.sin(azimuth) * math.cos(altitude),
                math.cos(azimuth) * math.cos(altitude),
                math.sin(altitude),
            ]
        )
        # What the scales of the tilted base read for that axis.
        seen = self.level.T @ axis
        self._altitude = math.atan2(seen[2], math.hypot(seen[0], seen[1]))
        self._azimuth = math.atan2(seen[0], seen[1])
        self._square = turn_x(mount.nonperpendicular_arcmin * ARCMIN)
        self._tube = turn_z(mount.cone_arcmin * ARCMIN) @ _CAMERA @ turn_z(roll)

    def base(self, ground: Matrix, altitude: float, azimuth: float) -> Matrix:
        """Return the base after the knobs were turned by ``altitude`` and ``azimuth``.

        Columns (3, 3): a horizontal axis, the polar axis, and up along the meridian.
        """
        turned: Matrix = (
            ground @ turn_z(-(self._azimuth + azimuth)) @ turn_x(self._altitude + altitude)
        )
        return turned

    def attitude(self, base: Matrix, theta: float, d: float) -> Matrix:
        """Camera x, y, boresight as columns (3, 3), determinant +1."""
        side = -1.0 if self.south else 1.0
        # (meridian, east, celestial north) as the axes of hour angle and declination
        equator = np.column_stack([base[:, 2], side * base[:, 0], side * base[:, 1]])
        pointed: Matrix = equator @ turn_z(-theta) @ self._square @ turn_y(-d) @ self._tube
        return pointed

    @staticmethod
    def bent(attitude: Matrix, sag: float, roll_flexure: float = 0.0) -> Matrix:
        """Let tube and camera give under gravity.

        Args:
            attitude: of the rigid mount (3, 3).
            sag: droop of the tube (rad), times the cosine of its altitude.
            roll_flexure: turn of the camera in its focuser (rad), times gravity's part along the
                sensor's columns.
        """
        if roll_flexure != 0.0:
            attitude = attitude @ turn_z(roll_flexure * float(attitude[2, 0]))
        if sag == 0.0:
            return attitude
        # About the horizontal axis across the tube; its length is the cosine of the altitude.
        across = np.cross(np.array([0.0, 0.0, 1.0]), attitude[:, 2])
        drooped: Matrix = turn_by(sag * across) @ attitude
        return drooped
