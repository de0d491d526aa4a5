"""What the frames of a sweep have wrong together, for a configured or connected rig."""

from __future__ import annotations

from dataclasses import replace

from polewright.calculation.geometry.shared_errors import (
    STANDARD_BEND,
    STANDARD_LEAN,
    STANDARD_NOISE_DOF,
    SharedErrors,
    standard_sag,
)
from polewright.calculation.sky.mount_coordinates import J2000_MIDWAY
from polewright.calculation.sky.refraction import refraction_constants
from polewright.calculation.sky.weather import Weather
from polewright.foundation.angles import ARCSEC
from polewright.foundation.config import Config
from polewright.observing.plan.frame_noise import frame_noise
from polewright.observing.rig.rig import Rig


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
