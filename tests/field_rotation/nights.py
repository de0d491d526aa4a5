"""Nights of tracked targets as attitudes, with the noise of stars: the rig's mechanics, no pixels.

Truth comes from the rig; what the product believes of air and noise is drawn, not told.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from polewright.calculation.field_rotation.groups import SkyFrame, group_frames, tracked
from polewright.calculation.field_rotation.tracked_axis import TrackedFit, fit_tracked
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.rotation import rotation_matrix
from polewright.calculation.geometry.shared_errors import (
    STANDARD_BEND,
    STANDARD_LEAN,
    STANDARD_NOISE_DOF,
    SharedErrors,
    standard_sag,
)
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.refraction import refraction_constants
from polewright.calculation.sky.site import Atmosphere
from polewright.foundation.angles import ARCSEC, DEG, HOUR, Matrix
from polewright_sim.spec import RigSpec
from polewright_sim.tracked_night import (
    Knock,
    Target,
    TrackedExposure,
    tracked_exposures,
    turned_about,
)

PIXEL_UM = 3.76


def rig(
    rng: np.random.Generator,
    *,
    latitude_deg: float = 44.6,
    focal_mm: float = 400.0,
    error_arcmin: float = 2.0,
    flexure: float = 1.0,
) -> RigSpec:
    """A rig with errors drawn from what the product assumes, times ``flexure``."""
    angle = rng.uniform(0.0, 2.0 * math.pi)
    sag = abs(rng.normal(0.0, standard_sag(focal_mm) / ARCSEC))
    return RigSpec.model_validate(
        {
            "site": {
                "latitude_deg": latitude_deg,
                "longitude_deg": 9.3,
                "temperature_c": rng.uniform(-5.0, 25.0),
            },
            "misalignment": {
                "alt_arcmin": error_arcmin * math.sin(angle),
                "az_arcmin": error_arcmin * math.cos(angle),
            },
            "mount": {
                "cone_arcmin": rng.normal(0.0, 10.0),
                "nonperpendicular_arcmin": rng.normal(0.0, 5.0),
                "sag_arcsec": flexure * sag,
                "roll_flexure_arcsec": flexure * rng.normal(0.0, 10.0),
                "tipping_arcsec_per_hour": flexure * rng.normal(0.0, 0.5),
                "tipping_azimuth_deg": rng.uniform(0.0, 360.0),
            },
            "optics": {"focal_length_mm": focal_mm, "roll_deg": rng.uniform(0.0, 360.0)},
            "sensor": {"width": 3000, "height": 2000, "pixel_um": PIXEL_UM},
            "seed": int(rng.integers(0, 2**31)),
        }
    )


def targets(
    rng: np.random.Generator, latitude_deg: float, hours: float, count: int
) -> list[Target]:
    """Targets an observer might choose: mostly on the pole's side, some near the equator."""
    side, each = math.copysign(1.0, latitude_deg), hours / count
    found = []
    for k in range(count):
        dec = side * (rng.uniform(-10.0, 80.0) if rng.uniform() < 0.8 else rng.uniform(-10, 10))
        found.append(Target(f"t{k}", rng.uniform(-4.5, 4.5 - each) * HOUR, dec * DEG, each))
    return found


@dataclass(frozen=True, eq=False)
class Seen:
    """What the product is told of a night, and the truth."""

    frames: list[SkyFrame]
    exposures: list[TrackedExposure]
    air: Atmosphere
    """As the product believes it."""


def seen(spec: RigSpec, exposures: Iterable[TrackedExposure], rng: np.random.Generator) -> Seen:
    """Solve without pixels: stars' noise by focal length, and air that is not the true one."""
    true_air = spec.site.atmosphere()
    air = replace(
        true_air,
        pressure_hpa=true_air.pressure_hpa * (1.0 + rng.normal(0.0, 0.007)),
        temperature_c=true_air.temperature_c + rng.normal(0.0, 4.0),
    )
    a, b = (
        now - then
        for now, then in zip(refraction_constants(air), refraction_constants(true_air), strict=True)
    )
    focal_mm = spec.optics.focal_length_mm
    scale = PIXEL_UM * 1e-3 / focal_mm
    stars = float(np.clip(300.0 * (400.0 / focal_mm) ** 1.5, 12.0, 600.0))
    each = 0.15 * scale / math.sqrt(stars)
    sigma = np.array([each, each, each / (1500.0 * scale)])
    frames, kept = [], list(exposures)
    for shot in kept:
        tangent = math.hypot(*shot.attitude[:2, 2]) / shot.attitude[2, 2]
        across = np.cross([0.0, 0.0, 1.0], shot.attitude[:, 2])
        across /= np.linalg.norm(across)
        told: Matrix = rotation_matrix(-(a * tangent + b * tangent**3) * across) @ shot.attitude
        told = told @ rotation_matrix(rng.normal(0.0, 1.0, 3) * sigma)
        attitude = Attitude(told, np.diag(sigma**2), shot.utc_s, 1, scale, int(stars), 1.0, 0.2)
        frames.append(
            SkyFrame(
                attitude,
                shot.star_icrs,
                2000.0 * scale,
                pier_side="WEST" if shot.through_pole else "EAST",
            )
        )
    return Seen(frames, kept, air)


def fitted(spec: RigSpec, night: Seen, *, unguided: bool = False) -> TrackedFit:
    """What the product makes of it."""
    site = spec.site.site()
    pole = pole_enu(site, PoleTarget.TRUE, night.air)
    groups = group_frames(night.frames, pole, site)
    a, b = refraction_constants(night.air)
    shared = SharedErrors(
        sag=standard_sag(spec.optics.focal_length_mm),
        refraction=(0.016 * a, 0.016 * b),
        lean=STANDARD_LEAN,
        bend=STANDARD_BEND,
        noise_dof=STANDARD_NOISE_DOF,
    )
    frames = tracked(night.frames, groups, pole, unguided=unguided)
    return fit_tracked(frames, pole, shared=shared, shift_floor=1.0 * ARCSEC)


def knocked(
    start_utc_s: float, after_hours: float, size_arcsec: float, azimuth_deg: float
) -> Knock:
    """A pier that leans over at once."""
    return Knock(start_utc_s + 3600.0 * after_hours, turned_about(azimuth_deg, size_arcsec))


def exposures(spec: RigSpec, chosen: list[Target], start_utc_s: float, **how: Any) -> list[Any]:
    """A night's exposures, one every five minutes."""
    return list(tracked_exposures(spec, chosen, start_utc_s=start_utc_s, every_s=300.0, **how))
