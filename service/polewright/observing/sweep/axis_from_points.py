"""From the solved points of a sweep to the axis and its error, with all that is uncertain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis import AxisFit, fit_axis
from polewright.calculation.geometry.axis_error import AxisError, axis_error
from polewright.calculation.geometry.learnt_sag import DROOP_TRIED, LearntSag, droop_response
from polewright.calculation.geometry.shared_errors import (
    CLOCK_SIGMA_S,
    SharedErrors,
)
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Site
from polewright.calculation.sky.weather import Weather
from polewright.foundation.angles import SIDEREAL_RATE, Vector
from polewright.observing.plan.frame_noise import frame_floor, tell_frame_noise
from polewright.observing.plan.rig_errors import shared_errors_of
from polewright.observing.plan.tube_sag import focal_length_mm, tell_tube_sag, tube_sag
from polewright.observing.rig.rig import Rig
from polewright.observing.settling.blur_weighting import with_smear
from polewright.observing.sweep.solve_point import SolvedPoint


@dataclass(frozen=True, eq=False)
class FittedSweep:
    """What the solved points of a sweep make."""

    attitudes: tuple[Attitude, ...]
    """As they were fitted: those of smeared frames are less sure than their stars say."""
    fit: AxisFit
    error: AxisError
    smeared: int
    """Frames that count for less because they are smeared beside the sharpest one."""
    sag: LearntSag
    """What of the tube's droop was taken out, and how sure that is."""
    sag_response: Vector
    """(2,) how far the measured axis moves east and up on the sky per rad of droop."""


def fit_points(rig: Rig, solved: Sequence[SolvedPoint]) -> FittedSweep:
    """Fit the axis to the solved points of a sweep.

    Raises:
        GeometryError: as `fit_axis`; data that contradict one axis are no error here (`verify`).
    """
    attitudes, smeared = with_smear(
        [point.plate.attitude for point in solved],
        [point.quality.hfd_px for point in solved],
        [point.rest for point in solved],
    )
    tell_frame_noise(rig)
    tell_tube_sag(rig)
    floor = frame_floor(rig, min(point.frame.exposure_s for point in solved))
    shared = shared_errors_of(rig)
    fit, error = fit_attitudes(attitudes, rig.site, rig.weather, rig.pole, floor, shared)
    more = fit_axis(
        attitudes,
        southern=rig.site.southern,
        systematic_rad=floor,
        shared=replace(shared, droop=shared.droop + DROOP_TRIED),
    )
    return FittedSweep(
        tuple(attitudes),
        fit,
        error,
        smeared,
        tube_sag(rig, focal_length_mm(rig)),
        droop_response(rig.site, fit.axis, more.axis, DROOP_TRIED),
    )


def fit_attitudes(
    attitudes: Sequence[Attitude],
    site: Site,
    weather: Weather,
    pole: PoleTarget,
    floor: float,
    shared: SharedErrors,
) -> tuple[AxisFit, AxisError]:
    """Return the axis through attitudes, and its error from the pole.

    The covariance of both is that of the axis against this pole.

    Args:
        attitudes: of a sweep.
        site: where.
        weather: used for the refracted pole.
        pole: which pole.
        floor: error (1 sigma, rad) of a frame that its stars do not show.
        shared: what the frames have wrong together.

    Raises:
        GeometryError: as `fit_axis`.
    """
    fit = fit_axis(attitudes, southern=site.southern, systematic_rad=floor, shared=shared)
    # A wrong clock turns everything about the pole.
    off = np.cross(fit.axis, pole_enu(site, PoleTarget.TRUE, weather.air))
    covariance = fit.covariance + (CLOCK_SIGMA_S * SIDEREAL_RATE) ** 2 * np.outer(off, off)
    if pole is PoleTarget.REFRACTED and any(shared.refraction):
        # Denser air lifts the pole as well, by nearly as much as it moves the measured axis.
        found = fit_axis(
            [shared.lifted(attitude) for attitude in attitudes],
            southern=site.southern,
            systematic_rad=floor,
            shared=shared,
        )
        axis_moves = found.axis - fit.axis
        pole_moves = weather.refraction_sigma * (
            pole_enu(site, pole, weather.air) - pole_enu(site, PoleTarget.TRUE, weather.air)
        )
        apart = axis_moves - pole_moves
        covariance += np.outer(apart, apart) - np.outer(axis_moves, axis_moves)
    fit = replace(fit, covariance=covariance)
    return fit, axis_error(fit.axis, covariance, site, pole, weather.air)
