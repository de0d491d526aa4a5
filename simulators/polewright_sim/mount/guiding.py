"""Guiding: the axes are moved so that a star stays on its place on the sensor.

What guiding can do it does: two axes hold one star. The field's turn about that star it cannot
hold, and that is the mount's own.
"""

from __future__ import annotations

import math

import numpy as np

from polewright.foundation.angles import ARCSEC, SIDEREAL_RATE, Matrix, Vector
from polewright_sim.mount.mount_electronics import NORMAL, THROUGH_POLE
from polewright_sim.mount.mount_model import MountModel

_STEP = 1e-5
"""Rad, for slopes."""


class Guiding:
    """One guided exposure series of one target on one side of the pier."""

    def __init__(
        self,
        mount: MountModel,
        *,
        through_pole: bool,
        place: tuple[float, float] = (0.0, 0.0),
        error_arcsec: float = 0.5,
        seed: int = 1,
    ) -> None:
        """Begin to guide.

        Args:
            mount: whose mechanics, tripod and flexure hold the camera.
            through_pole: whether the declination axis is past the pole.
            place: of the guide star on the sensor: tangents along camera x and y from the centre.
            error_arcsec: what guiding leaves along each coordinate, 1 sigma of an exposure's mean.
            seed: of those errors.
        """
        self._mount = mount
        self._side = THROUGH_POLE if through_pole else NORMAL
        self._place = np.array(place)
        self._error = error_arcsec * ARCSEC
        self._rng = np.random.default_rng(seed)
        self._axes: tuple[float, float] | None = None
        self._at_s = 0.0

    def attitude(self, utc_s: float, star: Vector, dither: Vector | None = None) -> Matrix:
        """Return the camera's attitude (3, 3), observed frame, with the guide star on its place.

        Args:
            utc_s: middle of the exposure, Unix seconds UTC.
            star: where the guide star is then, observed unit vector (3,).
            dither: step of its place along camera x and y (2,), tangents.
        """
        place = self._place + self._error * self._rng.standard_normal(2)
        if dither is not None:
            place = place + np.asarray(dither)
        theta, d = self._axes or self._first(star)
        for _ in range(10):
            off = self._seen(utc_s, theta, d, star) - place
            slopes = np.column_stack(
                [
                    self._seen(utc_s, theta + _STEP, d, star) - place - off,
                    self._seen(utc_s, theta, d + _STEP, star) - place - off,
                ]
            )
            step = -np.linalg.solve(slopes / _STEP, off)
            theta, d = theta + float(step[0]), d + float(step[1])
            if float(np.abs(step).max()) < 1e-11:
                break
        self._axes, self._at_s = (theta, d), utc_s
        return self._mount.attitude_with(utc_s, theta, d)

    def tracked(self, utc_s: float) -> Matrix:
        """Return the attitude (3, 3) when nobody has guided since the last one that was.

        Raises:
            RuntimeError: no star was centred before.
        """
        if self._axes is None:
            raise RuntimeError("no star was centred before")
        turned = SIDEREAL_RATE * (utc_s - self._at_s)
        spec = self._mount.spec
        worm = 2.0 * math.pi * (utc_s - self._at_s) / spec.periodic_error_period_s
        turned += spec.periodic_error_arcsec * ARCSEC * math.sin(worm)
        return self._mount.attitude_with(utc_s, self._axes[0] + turned, self._axes[1])

    def _first(self, star: Vector) -> tuple[float, float]:
        """Axes of a perfect mount for an observed direction (3,), rad."""
        altitude, azimuth = math.asin(float(star[2])), math.atan2(float(star[0]), float(star[1]))
        hour_angle, dec = self._mount.belief.from_alt_az(altitude, azimuth)
        return self._mount.belief.axes(hour_angle, dec, self._side)

    def _seen(self, utc_s: float, theta: float, d: float, star: Vector) -> Vector:
        x, y, ahead = self._mount.attitude_with(utc_s, theta, d).T @ star
        return np.array([x / ahead, y / ahead])
