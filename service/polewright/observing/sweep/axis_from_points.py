"""From the solved points of a sweep to the axis and its error, with all that is uncertain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis import AxisFit, fit_axis
from polewright.calculation.geometry.axis_error import AxisError, axis_error
from polewright.calculation.geometry.shared_errors import (
    CLOCK_SIGMA_S,
    STANDARD_BEND,
    STANDARD_LEAN,
    STANDARD_NOISE_DOF,
    SharedErrors,
    standard_sag,
)
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.refraction import refraction_constants
from polewright.calculation.sky.site import Site
from polewright.calculation.sky.weather import Weather
from polewright.foundation.angles import ARCSEC, SIDEREAL_RATE
from polewright.foundation.config import Config
from polewright.observing.plan.frame_noise import frame_floor, frame_noise, tell_frame_noise
from polewright.observing.rig.mount_coordinates import J2000_MIDWAY
from polewright.observing.settling.blur_weighting import with_smear
from polewright.observing.sweep.solve_point import SolvedPoint

if TYPE_CHECKING:
    from polewright.observing.rig.rig import Rig


@dataclass(frozen=True, eq=False)
class FittedSweep:
    """What the solved points of a sweep make."""

    fit: AxisFit
    error: AxisError
    smeared: int
    """Frames that count for less because they are smeared beside the sharpest one."""


def shared_errors(
    config: Config,
    weather: Weather,
    focal_length_mm: float | None,
    noise_dof: float = STANDARD_NOISE_DOF,
) -> SharedErrors:
    """Return what the frames of a sweep have wrong together, by configuration and weather.

    How well their own noise is known (``noise_dof``) is that of any rig unless its past tells more.
    """
    sag_arcsec = config.optics.sag_arcsec
    a, b = refraction_constants(weather.air)
    return SharedErrors(
        sag=standard_sag(focal_length_mm) if sag_arcsec is None else sag_arcsec * ARCSEC,
        refraction=(a * weather.refraction_sigma, b * weather.refraction_sigma),
        lean=STANDARD_LEAN,
        bend=STANDARD_BEND,
        noise_dof=noise_dof,
    )


def shared_errors_of(rig: Rig) -> SharedErrors:
    """Return `shared_errors` of a connected rig, as far as its optics are known by now."""
    focal_mm, scale = rig.config.optics.focal_length_mm, rig.plates.scale
    if scale is not None:
        pixel_um = rig.config.optics.pixel_um or (rig.camera.info().pixel_um or (None,))[0]
        if pixel_um is not None:
            focal_mm = pixel_um * rig.config.camera.binning * 1e-3 / scale
    shared = shared_errors(rig.config, rig.weather, focal_mm, frame_noise(rig).dof)
    if rig.equatorial_system == J2000_MIDWAY:
        east, north, up = (0.5 * part for part in rig.sky_now().aberration_enu())
        shared = replace(shared, aberration=(east, north, up))
    return shared


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
    floor = frame_floor(rig, min(point.frame.exposure_s for point in solved))
    fit, error = fit_attitudes(
        attitudes, rig.site, rig.weather, rig.pole, floor, shared_errors_of(rig)
    )
    return FittedSweep(fit, error, smeared)


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
        # Denser air lifts the pole, too, and mostly by what it moves the axis found.
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
