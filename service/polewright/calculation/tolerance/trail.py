"""Length of star trails when the polar axis is off or the air lifts the sky, with exact rotations.

Frame: z towards the visible true pole, x towards the meridian through the zenith (hour angle 0), y
to the east; right-handed in the north. The southern sky is its mirror image, and lengths do not
change in a mirror, so there the declination alone changes sign. In this frame a star stands at
``(cos d cos H, -cos d sin H, sin d)``, the sky turns by ``-w t`` about z, and an axis error of
``east`` and ``up`` on the sky puts the axis at about ``(up, east, 1)`` (see `axis_direction`).

What the camera sees is each star as the air lifts it. The lift changes as the star rises or sinks,
so even about the true pole stars trail: mostly along right ascension, which a slower drive (the
King rate) makes up for in part, and in declination off the meridian.

Unguided, the camera turns by its drive rate about the wrong axis. Guided, RA and declination turn
so that the guide star keeps its place; what cannot be corrected is the turn of the field about it,
and that the air lifts the guide star and the field differently.
Left out: periodic error, flexure, seeing, and the guider's own errors.

To first order (own derivation, checked in the tests): the declination of a star drifts by
``w (east cos H + up sin H)`` with signs by hemisphere, so an error of 1 arcmin drifts 0.2625
arcsec a minute at worst; the field turns by ``w r / cos d`` at worst.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.sky.refraction import refract
from polewright.calculation.tolerance.errors import GuideStarLost
from polewright.calculation.tolerance.imaging import Imaging, SkyOver
from polewright.foundation.angles import ARCMIN, SIDEREAL_RATE, Vector

_TIMES = 17  # in an exposure at which a star is looked at
_RING = 8  # stars on the field's rim, and directions of the guide star
_WIDTHS = 36  # projections per half turn: the diameter is found to 1 - cos(2.5 deg) = 0.1 %
_DIRECTIONS = 16  # of an axis error of which only the size is given
BEST_WITHIN = 10.0 * ARCMIN
"""How far from the pole aimed at the best axis is looked for (own choice)."""


class Exposures:
    """Exposures of one field about some hour angles: where its stars are seen, for any axis.

    Args:
        imaging: optics, exposure, guiding, the mount's drive rate.
        declination: rad, of the field's centre.
        hour_angles: (n,) rad, growing westward: the middles of the exposures.
        sky: latitude, air, and the pole that axis errors are counted from.
    """

    def __init__(
        self, imaging: Imaging, declination: float, hour_angles: Vector, sky: SkyOver
    ) -> None:
        self.imaging, self.declination, self.sky = imaging, declination, sky
        d = -declination if sky.southern else declination
        h = np.asarray(hour_angles, dtype=np.float64).reshape(-1)
        self.hour_angles = h
        centre = np.stack(
            [math.cos(d) * np.cos(h), -math.cos(d) * np.sin(h), np.full_like(h, math.sin(d))],
            axis=-1,
        )
        north, west = _sides(centre)
        stars = _ring(centre, north, west, math.radians(imaging.field_radius_deg), rim_only=False)
        guides = [centre]
        if imaging.guided:
            distance = math.radians(imaging.guide_distance_deg)
            guides = _ring(centre, north, west, distance, rim_only=True)
        self._lifts = _Air(sky)
        seconds = imaging.exposure_s * np.linspace(-0.5, 0.5, _TIMES)
        self._drive = imaging.drive_rate * seconds
        turn = -SIDEREAL_RATE * seconds
        z = np.array([0.0, 0.0, 1.0])
        self._centre = self._lifts(centre)
        self._north, self._west = _sides(self._centre)
        # (s, t, n, 3), and (g, t, n, 3) with the place wanted (g, n, 3)
        self._stars = np.stack([self._lifts(_turn(z, turn[:, None], star)) for star in stars])
        self._guides = np.stack([self._lifts(_turn(z, turn[:, None], guide)) for guide in guides])
        self._wanted = np.stack([self._lifts(guide) for guide in guides])

    def trails_px(self, east: float, up: float) -> NDArray[np.float64]:
        """Return the longest trail (n,) in pixels of each exposure.

        A trail's length is the largest distance between any two of its points. Longest over the
        field's centre and eight stars on its rim and, guided, over eight directions of the guide
        star.

        Args:
            east: axis error on the sky, rad, positive where the axis is east of the pole aimed at.
            up: axis error in altitude, rad.

        Raises:
            GuideStarLost: guided, and the mount cannot follow the guide star in an exposure.
        """
        axis = axis_direction(east, up + self.sky.pole_lift)
        dec_axis = np.cross(axis, self._centre)
        dec_axis /= np.linalg.norm(dec_axis, axis=-1, keepdims=True)
        if not self.imaging.guided:
            return self._longest(_turn(axis, self._drive[:, None], self._stars))
        longest = np.zeros(len(self.hour_angles))
        for now, wanted in zip(self._guides, self._wanted, strict=True):
            ra, dec = self._guided(axis, dec_axis, now, wanted)
            seen = _turn(dec_axis, -dec, _turn(axis, -ra, self._stars))
            longest = np.maximum(longest, self._longest(seen))
        return longest

    def worst_px(self, axis_error: float) -> float:
        """Return the longest trail (px) over all exposures and directions of the error (rad)."""
        if axis_error == 0.0:
            return float(np.max(self.trails_px(0.0, 0.0)))
        return max(
            float(np.max(self.trails_px(axis_error * math.sin(way), axis_error * math.cos(way))))
            for way in np.linspace(0.0, 2.0 * math.pi, _DIRECTIONS, endpoint=False)
        )

    def best_axis(self) -> tuple[float, float, float]:
        """Return east, up (rad from the pole aimed at) and longest trail (px) of the best axis.

        The axis within `BEST_WITHIN` of that pole whose longest trail over all exposures is the
        shortest: what it still trails no alignment cures. (Farther off, the error of the axis
        itself may happen to undo a little more at one hour angle.)
        """

        def worst(step: Vector) -> float:
            if math.hypot(*step) * ARCMIN > BEST_WITHIN:
                return math.inf
            try:
                return float(np.max(self.trails_px(step[0] * ARCMIN, step[1] * ARCMIN)))
            except GuideStarLost:
                return math.inf

        corners = np.array([[0.0, 0.0], [2.0, 0.0], [0.0, 2.0]])
        from scipy.optimize import minimize  # slow to load

        found = minimize(
            worst,
            np.zeros(2),
            method="Nelder-Mead",
            options={"initial_simplex": corners, "xatol": 0.01, "fatol": 1e-4, "maxfev": 200},
        )
        east, up = (float(part) * ARCMIN for part in found.x)
        return east, up, float(found.fun)

    def _guided(
        self, axis: Vector, dec_axis: Vector, now: Vector, wanted: Vector
    ) -> tuple[Vector, Vector]:
        """RA and declination turns (t, n) that keep a guide star (t, n, 3) where it is wanted.

        R(a, ra) R(d, dec) must carry it from where it is wanted to where it is. The first keeps
        the component along a, which fixes dec: A cos dec + B sin dec = a . g(t).
        """
        along = now @ axis
        a_part = wanted @ axis
        b_part = _cross(dec_axis, wanted) @ axis
        reach = np.hypot(a_part, b_part)
        if np.any(np.abs(along) > reach):
            off = math.degrees(math.acos(min(1.0, float(axis[2])))) * 60.0
            raise GuideStarLost(math.degrees(self.declination), off)
        peak = np.arctan2(b_part, a_part)
        dec = peak - np.sign(peak) * np.arccos(along / reach)
        there = _turn(dec_axis, dec, wanted)
        sine = _cross(there, now) @ axis
        cosine = _dot(there, now) - (there @ axis) * along
        return np.arctan2(sine, cosine), dec

    def _longest(self, seen: Vector) -> NDArray[np.float64]:
        """Longest trail (n,) in px of stars (s, t, n, 3) as the camera has them."""
        ahead = _dot(seen, self._centre) * self.imaging.scale
        x = _dot(seen, self._west) / ahead
        y = _dot(seen, self._north) / ahead
        return np.asarray(np.max(_diameter(x, y), axis=0))


class _Air:
    """Lifts directions (..., 3) of this module's frame to where they are seen."""

    def __init__(self, sky: SkyOver) -> None:
        p = sky.pole_height
        self._constants = sky.refraction
        # Rows: two horizontal ways and up; a mirrored sky is lifted alike.
        self._rows = np.array(
            [[0.0, 1.0, 0.0], [-math.sin(p), 0.0, math.cos(p)], [math.cos(p), 0.0, math.sin(p)]]
        )

    def __call__(self, airless: Vector) -> NDArray[np.float64]:
        return np.asarray(refract(airless @ self._rows.T, self._constants) @ self._rows)


def axis_direction(east: float, up: float) -> NDArray[np.float64]:
    """Return the axis (3,) in this module's frame for an error (rad) given as a great circle."""
    r = math.hypot(east, up)
    s = math.sin(r) / r if r > 0.0 else 1.0
    return np.array([up * s, east * s, math.cos(r)])


def _sides(centre: Vector) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """North and west of directions (n, 3), unit vectors."""
    west = np.cross(centre, [0.0, 0.0, 1.0])
    west /= np.linalg.norm(west, axis=-1, keepdims=True)
    return np.cross(west, centre), west


def _turn(axis: Vector, angle: Vector, vectors: Vector) -> NDArray[np.float64]:
    """Rodrigues' formula: vectors (..., 3) turned by angles (...) about unit axes (..., 3)."""
    c, s = np.cos(angle)[..., None], np.sin(angle)[..., None]
    along = _dot(axis, vectors)[..., None]
    return np.asarray(c * vectors + s * _cross(axis, vectors) + (1.0 - c) * along * axis)


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
    """Largest distance (s, n) between points of tracks (s, t, n), by projections."""
    turns = np.arange(_WIDTHS) * math.pi / _WIDTHS
    across = np.array([np.cos(turns), np.sin(turns)])[:, :, None, None, None]
    along = across[0] * x + across[1] * y
    return np.asarray(np.max(np.max(along, axis=2) - np.min(along, axis=2), axis=0))


def _dot(a: Vector, b: Vector) -> NDArray[np.float64]:
    """Scalar products over the last axis; on small arrays twice as quick as a sum (measured)."""
    return np.asarray(np.einsum("...i,...i->...", a, b))


def _cross(a: Vector, b: Vector) -> NDArray[np.float64]:
    """Vector products over the last axis; twice as quick as numpy's on small arrays (measured)."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=-1)
