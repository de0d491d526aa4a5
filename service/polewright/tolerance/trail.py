"""Length of star trails when the polar axis is off, with exact rotations.

Frame: z towards the visible pole, x towards the meridian through the zenith (hour angle 0), y to
the east; right-handed in the north. The southern sky is its mirror image, and lengths do not
change in a mirror, so there the declination alone changes sign. In this frame a star stands at
``(cos d cos H, -cos d sin H, sin d)``, the sky turns by ``-w t`` about z, and an axis error of
``east`` and ``up`` on the sky puts the axis at about ``(up, east, 1)`` (see `axis_direction`).

Unguided, the camera turns by ``-w t`` about the wrong axis. Guided, RA and declination turn so
that the guide star keeps its place; what cannot be corrected is the turn of the field about it.
Left out: refraction, periodic error, flexure, seeing, and the guider's own errors.

To first order (own derivation, checked in the tests): the declination of a star drifts by
``w (east cos H + up sin H)`` with signs by hemisphere, so an error of 1 arcmin drifts 0.2625
arcsec a minute at worst; the field turns by ``w r / cos d`` at worst.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from polewright.angles import SIDEREAL_RATE, Vector
from polewright.tolerance.errors import GuideStarLost
from polewright.tolerance.imaging import Imaging, Target

_TIMES = 17
_RING = 8
_WIDTHS = 36  # projections per half turn: the diameter is found to 1 - cos(2.5 deg) = 0.1 %


def trail_px(
    imaging: Imaging,
    declination: float,
    hour_angles: Vector,
    east: float,
    up: float,
    *,
    southern: bool,
) -> NDArray[np.float64]:
    """Return the longest trail (n,) in pixels in exposures about the middles ``hour_angles`` (n,).

    A trail's length is the largest distance between any two of its points. Longest over the
    field's centre and eight stars on its rim and, guided, over eight directions of the guide star.

    Args:
        imaging: optics, exposure, guiding.
        declination: rad, of the field's centre.
        hour_angles: rad, growing westward.
        east: axis error on the sky, rad, positive where the axis is east of the pole.
        up: axis error in altitude, rad.
        southern: whether the visible pole is the south pole.

    Raises:
        GuideStarLost: guided, and the mount cannot follow the guide star through the exposure.
    """
    axis = axis_direction(east, up)
    d = -declination if southern else declination
    h = np.asarray(hour_angles, dtype=np.float64).reshape(-1)
    centre = np.stack(
        [math.cos(d) * np.cos(h), -math.cos(d) * np.sin(h), np.full_like(h, math.sin(d))], axis=-1
    )
    west = np.cross(centre, [0.0, 0.0, 1.0])
    west /= np.linalg.norm(west, axis=-1, keepdims=True)
    north = np.cross(west, centre)
    stars = _ring(centre, north, west, math.radians(imaging.field_radius_deg), rim_only=False)
    guides = [centre]
    if imaging.guided:
        distance = math.radians(imaging.guide_distance_deg)
        guides = _ring(centre, north, west, distance, rim_only=True)

    angle = -SIDEREAL_RATE * imaging.exposure_s * np.linspace(-0.5, 0.5, _TIMES)
    longest = np.zeros(len(h))
    for guide in guides:
        ra, dec_axis, dec = _mount(imaging, axis, centre, guide, angle, declination)
        for star in stars:
            seen = _turn(np.array([0.0, 0.0, 1.0]), angle[:, None], star)
            seen = _turn(axis, -ra, seen)
            seen = _turn(dec_axis, -dec, seen)
            ahead = np.sum(seen * centre, axis=-1)
            x = np.sum(seen * west, axis=-1) / ahead / imaging.scale
            y = np.sum(seen * north, axis=-1) / ahead / imaging.scale
            longest = np.maximum(longest, _diameter(x, y))
    return longest


def axis_direction(east: float, up: float) -> NDArray[np.float64]:
    """Return the axis (3,) in this module's frame for an error (rad) given as a great circle."""
    r = math.hypot(east, up)
    s = math.sin(r) / r if r > 0.0 else 1.0
    return np.array([up * s, east * s, math.cos(r)])


def worst_trail_px(imaging: Imaging, target: Target, axis_error: float, *, southern: bool) -> float:
    """Return the longest trail (px) over the span and all directions of the error (rad)."""
    found = 0.0
    # Half of the directions: the opposite error trails alike but for second order.
    for direction in np.linspace(0.0, math.pi, 12, endpoint=False):
        east, up = axis_error * math.sin(direction), axis_error * math.cos(direction)
        trails = trail_px(
            imaging, target.declination, target.hour_angles, east, up, southern=southern
        )
        found = max(found, float(np.max(trails)))
    return found


def _mount(
    imaging: Imaging,
    axis: Vector,
    centre: Vector,
    guide: Vector,
    angle: Vector,
    declination: float,
) -> tuple[Vector, Vector, Vector]:
    """RA turns (t, n), declination axes (n, 3) and declination turns (t, n) of the mount."""
    dec_axis = np.cross(axis, centre)
    dec_axis /= np.linalg.norm(dec_axis, axis=-1, keepdims=True)
    if not imaging.guided:
        ra = np.repeat(angle[:, None], len(centre), axis=1)
        return ra, dec_axis, np.zeros_like(ra)
    # R(a, ra) R(d, dec) must carry the guide star from where it is wanted to where it is. The
    # first keeps the component along a, which fixes dec: A cos dec + B sin dec = a . g(t).
    now = _turn(np.array([0.0, 0.0, 1.0]), angle[:, None], guide)
    along = now @ axis
    a_part = guide @ axis
    b_part = np.cross(dec_axis, guide) @ axis
    reach = np.hypot(a_part, b_part)
    if np.any(np.abs(along) > reach):
        off = math.degrees(math.acos(min(1.0, float(axis[2])))) * 60.0
        raise GuideStarLost(math.degrees(declination), off)
    peak = np.arctan2(b_part, a_part)
    dec = peak - np.sign(peak) * np.arccos(along / reach)
    there = _turn(dec_axis, dec, guide)
    sine = np.cross(there, now) @ axis
    cosine = np.sum(there * now, axis=-1) - (there @ axis) * along
    return np.arctan2(sine, cosine), dec_axis, dec


def _turn(axis: Vector, angle: Vector, vectors: Vector) -> NDArray[np.float64]:
    """Rodrigues' formula: vectors (..., 3) turned by angles (...) about unit axes (..., 3)."""
    c, s = np.cos(angle)[..., None], np.sin(angle)[..., None]
    along = np.sum(axis * vectors, axis=-1)[..., None]
    return np.asarray(c * vectors + s * np.cross(axis, vectors) + (1.0 - c) * along * axis)


def _ring(
    centre: Vector, north: Vector, west: Vector, radius: float, *, rim_only: bool
) -> list[NDArray[np.float64]]:
    """The centre (n, 3) and eight points about it, or the rim's points only (radius 0: centre)."""
    if radius == 0.0:
        return [centre]
    rim = []
    for k in range(_RING):
        turn = 2.0 * math.pi * k / _RING
        out = math.cos(turn) * north + math.sin(turn) * west
        rim.append(math.cos(radius) * centre + math.sin(radius) * out)
    return rim if rim_only else [centre, *rim]


def _diameter(x: Vector, y: Vector) -> NDArray[np.float64]:
    """Largest distance (n,) between points of tracks (t, n), by projections."""
    turns = (np.arange(_WIDTHS) * math.pi / _WIDTHS)[:, None, None]
    along = np.cos(turns) * x + np.sin(turns) * y
    return np.asarray(np.max(np.ptp(along, axis=1), axis=0))
