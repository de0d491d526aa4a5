"""How well a solve will tell the attitude, and what that makes of the axis."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.geometry.axis import airmass_factor, predict_axis_covariance
from polewright.calculation.geometry.shared_errors import NOTHING_SHARED, SharedErrors
from polewright.calculation.planning.errors import LimitsInvalid
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC, Matrix, Vector
from polewright.foundation.language import say


@dataclass(frozen=True)
class AttitudeNoise:
    """Expected 1-sigma errors of one solved attitude.

    N stars spread evenly over the field, each measured to s along a coordinate: the boresight is
    known to s / sqrt(N) along x and y, the roll to s / (r sqrt(N)) with r^2 = (w^2 + h^2) / 12
    the mean square distance from the centre (own derivation: least squares of a small rotation).
    To both a floor is added in quadrature: what the air and the mount do between frames. The
    boresight's floor grows with `airmass_factor`.
    """

    pixel_scale: float
    """Rad per pixel."""
    width_px: int
    height_px: int
    stars: float = 30.0
    """Matched stars, where the planner is not told how many a field has."""
    centroid_px: float = 0.2
    """Of one star along one coordinate (common practice for well sampled stars, no source)."""
    boresight_floor_arcsec: float = 0.7
    """At the zenith (common practice, no source)."""
    roll_floor_arcsec: float = 1.0
    """Common practice, no source."""

    def __post_init__(self) -> None:
        for name, value in (
            (say("pixel scale"), self.pixel_scale),
            (say("frame width"), self.width_px),
            (say("frame height"), self.height_px),
            (say("expected stars"), self.stars),
            (say("centroid error"), self.centroid_px),
        ):
            if not 0.0 < value < math.inf:
                raise LimitsInvalid(name, value, "positive")
        for name, value in (
            (say("boresight floor"), self.boresight_floor_arcsec),
            (say("roll floor"), self.roll_floor_arcsec),
        ):
            if not 0.0 <= value < math.inf:
                raise LimitsInvalid(name, value, say("zero or positive"))

    @property
    def field(self) -> tuple[float, float]:
        """Width and height of the frame on the sky, rad."""
        return (
            2.0 * math.atan(0.5 * self.width_px * self.pixel_scale),
            2.0 * math.atan(0.5 * self.height_px * self.pixel_scale),
        )

    def sigmas(
        self, altitude: float | Vector, stars: float | Vector | None = None
    ) -> NDArray[np.float64]:
        """Boresight (per coordinate) and roll errors (..., 2), rad, at altitudes (...), rad."""
        n = np.maximum(2.0, self.stars if stars is None else stars)
        each = self.centroid_px * self.pixel_scale / np.sqrt(n)
        width, height = self.field
        arm = math.sqrt((width**2 + height**2) / 12.0)
        air = self.boresight_floor_arcsec * ARCSEC * airmass_factor(np.sin(altitude))
        roll = np.hypot(each / arm, self.roll_floor_arcsec * ARCSEC)
        return np.stack(np.broadcast_arrays(np.hypot(each, air), roll), axis=-1)


@dataclass(frozen=True, eq=False)
class AxisPrediction:
    """The uncertainty of the axis that a sweep will give."""

    covariance: Matrix
    """(3, 3) rad^2, ENU, tangent to the axis."""
    sigma: float
    """Root of the covariance's trace, rad: the rms distance of the found axis from the true."""
    sigma_altitude: float
    sigma_azimuth_sky: float
    """Across the altitude, on the sky, rad."""


def predict(
    site: Site,
    hour_angles: Vector,
    declination: float,
    sigmas: Vector,
    shared: SharedErrors = NOTHING_SHARED,
) -> AxisPrediction:
    """Return the uncertainty from the covariance of the very fit that a run makes.

    Args:
        site: the place; the axis is taken at the true pole.
        hour_angles: (n,) of the frames, rad.
        declination: rad.
        sigmas: (n, 2) boresight and roll errors, rad.
        shared: what the frames have wrong together.

    Raises:
        TurnTooSmall: the hour angles do not fix an axis.
    """
    angles = np.asarray(hour_angles, dtype=np.float64)
    covariance = predict_many(
        site, angles[:1], angles - angles[0], np.array([declination]), sigmas, shared
    )[0]
    axis = pole_enu(site, PoleTarget.TRUE, Atmosphere.none())
    east = np.array([1.0, 0.0, 0.0])
    upward = np.cross(axis, east) if axis[1] < 0.0 else np.cross(east, axis)
    upward /= np.linalg.norm(upward)
    return AxisPrediction(
        covariance=covariance,
        sigma=math.sqrt(max(0.0, float(np.trace(covariance)))),
        sigma_altitude=math.sqrt(max(0.0, float(upward @ covariance @ upward))),
        sigma_azimuth_sky=math.sqrt(max(0.0, float(east @ covariance @ east))),
    )


def predict_many(
    site: Site,
    first_hour_angles: Vector,
    offsets: Vector,
    declinations: Vector,
    sigmas: Vector,
    shared: SharedErrors,
) -> NDArray[np.float64]:
    """Return the covariances (N, 3, 3) of N sweeps of the same steps; see `predict`.

    Args:
        site: the place.
        first_hour_angles: (N,) rad.
        offsets: (n,) of the points from the first, rad of hour angle.
        declinations: (N,) rad.
        sigmas: (N, n, 2) or (n, 2), rad.
        shared: what the frames have wrong together.
    """
    axis = pole_enu(site, PoleTarget.TRUE, Atmosphere.none())
    angles = np.asarray(first_hour_angles)[:, None] + offsets
    boresights = enu_from_hour_angle_dec(site, angles, np.asarray(declinations)[:, None])
    square = np.asarray(sigmas)[..., None, None] ** 2
    outer = boresights[..., :, None] * boresights[..., None, :]
    own = square[..., 0, :, :] * (np.eye(3) - outer) + square[..., 1, :, :] * outer
    # Towards the west is a right-handed turn about the south pole.
    turns = np.asarray(offsets) * (1.0 if site.southern else -1.0)
    return predict_axis_covariance(axis, boresights, turns, own, shared)
