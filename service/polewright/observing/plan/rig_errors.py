"""What the frames of a sweep have wrong together, for a configured or connected rig."""

from __future__ import annotations

from dataclasses import replace

from polewright.calculation.geometry.learnt_sag import LearntSag
from polewright.calculation.geometry.shared_errors import (
    STANDARD_BEND,
    STANDARD_LEAN,
    STANDARD_NOISE_DOF,
    SharedErrors,
)
from polewright.calculation.sky.mount_coordinates import J2000_MIDWAY
from polewright.calculation.sky.refraction import refraction_constants
from polewright.calculation.sky.weather import Weather
from polewright.foundation.config import Config
from polewright.observing.plan.frame_noise import frame_noise
from polewright.observing.plan.tube_sag import focal_length_mm, tube_sag, usual_sag
from polewright.observing.rig.rig import Rig


def shared_errors(
    config: Config,
    weather: Weather,
    focal_length_mm: float | None,
    noise_dof: float = STANDARD_NOISE_DOF,
    sag: LearntSag | None = None,
) -> SharedErrors:
    """Return what the frames of a sweep have wrong together, by configuration and weather.

    How well their own noise is known (``noise_dof``) and how far the tube droops (``sag``) is as
    with any rig unless the past of this one tells more.
    """
    sag = sag or usual_sag(config, focal_length_mm)
    a, b = refraction_constants(weather.air)
    return SharedErrors(
        sag=sag.sigma,
        droop=sag.mean,
        refraction=(a * weather.refraction_sigma, b * weather.refraction_sigma),
        lean=STANDARD_LEAN,
        bend=STANDARD_BEND,
        noise_dof=noise_dof,
    )


def shared_errors_of(rig: Rig) -> SharedErrors:
    """Return `shared_errors` of a connected rig, as far as its optics are known by now."""
    focal_mm = focal_length_mm(rig)
    shared = shared_errors(
        rig.config, rig.weather, focal_mm, frame_noise(rig).dof, tube_sag(rig, focal_mm)
    )
    if rig.equatorial_system == J2000_MIDWAY:
        east, north, up = (0.5 * part for part in rig.sky_now().aberration_enu())
        shared = replace(shared, aberration=(east, north, up))
    return shared
