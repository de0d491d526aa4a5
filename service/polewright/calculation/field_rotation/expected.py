"""How sure the axis will be from hours of tracked frames, by the covariance of the fit itself."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from polewright.calculation.field_rotation.tracked_axis import TrackedFrame, fit_tracked
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.shared_errors import SharedErrors
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import SIDEREAL_RATE, Matrix, Vector

LOWEST_SINE = 0.17
"""Frames lower than 10 degrees are not counted on."""
REGION = math.sqrt(-2.0 * math.log(0.05))
"""Half-width of a 95 % region in the plane, in sigmas along the same direction."""


@dataclass(frozen=True)
class Stretch:
    """A target tracked without a pause. Angles in rad."""

    hour_angle: float
    """At its middle, west positive."""
    declination: float
    hours: float


def widest95(covariance: Matrix) -> float:
    """Return the longest half-axis (rad) of the 95 % region of a covariance (2, 2) or (3, 3)."""
    return REGION * math.sqrt(float(np.linalg.eigvalsh(covariance)[-1]))


def expected_covariance(
    site: Site,
    stretches: Sequence[Stretch],
    *,
    every_s: float,
    roll_sigma: float,
    shared: SharedErrors,
    shift_floor: float,
    air: Atmosphere,
    turned_over: bool = True,
) -> Matrix:
    """Return the covariance (3, 3), rad^2, ENU, of the axis that guided frames will tell.

    Args:
        site: where.
        stretches: what is tracked; a German mount changes sides at the meridian.
        every_s: from one frame to the next.
        roll_sigma: 1 sigma (rad) of a frame's roll, by its stars.
        shared: as for `fit_tracked`; the frames' noise is taken as it is stated.
        shift_floor: as for `fit_tracked`.
        air: only lifts the pole that the fit begins with.
        turned_over: whether the mount changes sides at all.

    Raises:
        TooFewDirections: no stretch has two frames above the horizon.
    """
    pole = pole_enu(site, PoleTarget.TRUE, air)
    frames: list[TrackedFrame] = []
    begins_s = 0.0
    for number, stretch in enumerate(stretches):
        count = max(2, round(stretch.hours * 3600.0 / every_s))
        for i in range(count):
            after_s = (i + 0.5) / count * stretch.hours * 3600.0
            angle = stretch.hour_angle + (after_s - 1800.0 * stretch.hours) * SIDEREAL_RATE
            look = enu_from_hour_angle_dec(site, angle, stretch.declination)
            if look[2] < LOWEST_SINE:
                continue
            over = turned_over and angle < 0.0
            frames.append(
                TrackedFrame(
                    Attitude(
                        _towards(look, pole, over),
                        np.diag([0.0, 0.0, roll_sigma**2]),
                        begins_s + after_s,
                        1,
                        1e-5,
                        50,
                        1.0,
                        0.2,
                    ),
                    2 * number + over,
                    None,
                    over,
                )
            )
        begins_s += stretch.hours * 3600.0
    # Frames made up have no residuals, which would tell that the noise is small.
    stated = replace(shared, noise_dof=math.inf)
    return fit_tracked(frames, pole, shared=stated, shift_floor=shift_floor).covariance


def _towards(look: Vector, pole: Vector, over: bool) -> Matrix:
    """Attitude (3, 3) of a camera whose y axis points to the pole, or away from it."""
    y = pole - (pole @ look) * look
    y /= np.linalg.norm(y) * (-1.0 if over else 1.0)
    return np.column_stack([np.cross(y, look), y, look])
