"""Angle units and folding. Inside the program angles are radians; edges convert with these."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]

DEG = math.pi / 180.0
ARCMIN = DEG / 60.0
ARCSEC = DEG / 3600.0
HOUR = math.pi / 12.0
TAU = 2.0 * math.pi

#: Turns of the Earth against the stars, rad per second of UT1 (IERS Conventions 2010, eq. 5.15).
SIDEREAL_RATE = TAU * 1.00273781191135448 / 86400.0


def fold_pi(angle: float) -> float:
    """Fold an angle (rad) into [-pi, pi)."""
    return (angle + math.pi) % TAU - math.pi


def fold_tau(angle: float) -> float:
    """Fold an angle (rad) into [0, 2 pi)."""
    return angle % TAU


def separation(a: Vector, b: Vector) -> NDArray[np.float64]:
    """Angle (rad) between unit vectors (..., 3); good near 0 and pi (arctan2 of cross and dot)."""
    cross = np.linalg.norm(np.cross(a, b), axis=-1)
    return np.asarray(np.arctan2(cross, np.sum(a * b, axis=-1)), dtype=np.float64)


def unit_vector(longitude: float | Vector, latitude: float | Vector) -> Vector:
    """Unit vectors (..., 3) from spherical angles (rad), x towards longitude 0, z to the pole."""
    lon, lat = np.broadcast_arrays(np.asarray(longitude), np.asarray(latitude))
    c = np.cos(lat)
    return np.stack([c * np.cos(lon), c * np.sin(lon), np.sin(lat)], axis=-1)


def spherical(vector: Vector) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Longitude in [0, 2 pi) and latitude (rad) of vectors (..., 3) of any length."""
    v = np.asarray(vector, dtype=np.float64)
    lon = np.arctan2(v[..., 1], v[..., 0]) % TAU
    lat = np.arctan2(v[..., 2], np.hypot(v[..., 0], v[..., 1]))
    return lon, lat


def enu_from_azalt(azimuth: float | Vector, altitude: float | Vector) -> Vector:
    """East-north-up unit vectors (..., 3); azimuth from north through east, both in rad."""
    return unit_vector(0.5 * math.pi - np.asarray(azimuth), altitude)


def azalt_from_enu(enu: Vector) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Azimuth in [0, 2 pi) from north through east, and altitude (rad), of ENU vectors (..., 3)."""
    lon, lat = spherical(enu)
    return (0.5 * math.pi - lon) % TAU, lat
