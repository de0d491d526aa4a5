"""The tolerance that the planned exposures of a night demand."""

from __future__ import annotations

from polewright.angles import ARCMIN
from polewright.tolerance.imaging import Imaging, Target
from polewright.tolerance.tolerance import largest_axis_error


def demanded_arcmin(
    *,
    focal_length_mm: float,
    pixel_um: float,
    exposure_s: float,
    declination_deg: float,
    hour_angle_from_hours: float,
    hour_angle_to_hours: float,
    guided: bool,
    guide_distance_deg: float,
    field_radius_deg: float,
    trail_px: float,
    latitude_deg: float | None = None,
) -> float:
    """Return the largest axis error in arcmin, whatever its direction.

    Without a latitude the stricter of the two hemispheres counts; they differ in second order
    only.

    Raises:
        ImagingNotUsable: a figure cannot be; says which.
    """
    imaging = Imaging(
        focal_length_mm, pixel_um, exposure_s, guided, guide_distance_deg, field_radius_deg
    )
    target = Target(declination_deg, hour_angle_from_hours, hour_angle_to_hours)
    hemispheres = (False, True) if latitude_deg is None else (latitude_deg < 0.0,)
    return min(
        largest_axis_error(imaging, target, trail_px, southern=southern).axis_error / ARCMIN
        for southern in hemispheres
    )
