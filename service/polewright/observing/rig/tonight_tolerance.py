"""The tolerance that the exposures planned for the night demand."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.calculation.tolerance.imaging import Imaging, SkyOver, Target
from polewright.calculation.tolerance.tolerance import CEILING_ARCMIN, largest_axis_error
from polewright.devices.alpaca.camera_commands import CameraInfo
from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.angles import ARCMIN, DEG
from polewright.foundation.config import Config, PoleSection, TonightSection
from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say

LEAST_ARCMIN = 0.05
"""A tighter tolerance is not asked for: no sweep shows it."""


class FigureMissing(ConfigError):
    """A figure of tonight's exposures is not known."""

    code = "figure_missing"

    def __init__(self, what: str, keys: str, option: str) -> None:
        super().__init__(what, keys, option)
        self.what, self.keys, self.option = what, keys, option
        self.advice = say(
            "Give {keys} (as an option of `polewright tolerance`: {option}).",
            keys=keys,
            option=option,
        )

    def __str__(self) -> str:
        return say("{figure} is not known", figure=self.what)


@dataclass(frozen=True)
class Known:
    """What the rig or the rest of the configuration tells where [tonight] is silent."""

    focal_length_mm: float | None = None
    pixel_um: float | None = None
    """Unbinned."""
    sensor_diagonal_mm: float | None = None
    tracking: str | None = None
    """The rate that the mount drives at; None when it does not tell."""


def sensor_diagonal_mm(camera: CameraInfo) -> float | None:
    """Return the diagonal of a camera's sensor; None when it does not tell its pixels."""
    if camera.pixel_um is None:
        return None
    return 1e-3 * math.hypot(camera.width * camera.pixel_um[0], camera.height * camera.pixel_um[1])


def imaging_of(tonight: TonightSection, known: Known) -> Imaging:
    """Return the planned exposure.

    The field reaches to the sensor's corners, and the guide star may stand as far from its centre
    unless [tonight] says otherwise. Where the sensor is not known, an exposure without guiding
    counts the field's centre only, which is where it is sharpest.

    Raises:
        FigureMissing: focal length, pixel or, guided, the field is not known.
        ImagingNotUsable: a figure cannot be.
    """
    focal_length_mm = tonight.focal_length_mm or known.focal_length_mm
    pixel_um = tonight.pixel_um or known.pixel_um
    if focal_length_mm is None:
        raise FigureMissing(
            say("the focal length"),
            say("[tonight] or [optics] focal_length_mm"),
            "--focal-length-mm",
        )
    if pixel_um is None:
        raise FigureMissing(
            say("the pixel size"), say("[tonight] or [optics] pixel_um"), "--pixel-um"
        )
    diagonal_mm = tonight.sensor_diagonal_mm
    if diagonal_mm is None and tonight.pixel_um is None:  # else it is another camera
        diagonal_mm = known.sensor_diagonal_mm
    radius_deg = None
    if diagonal_mm is not None:
        radius_deg = math.atan2(0.5 * diagonal_mm, focal_length_mm) / DEG
    guide_deg = radius_deg if tonight.guide_distance_deg is None else tonight.guide_distance_deg
    if tonight.guided and not (radius_deg or guide_deg):
        # Where nothing is away from the guide star nothing turns, and any axis would do.
        raise FigureMissing(
            say("how far the stars of a guided exposure are from its guide star"),
            say(
                "[tonight] sensor_diagonal_mm (and guide_distance_deg "
                "for a guide star outside the frame)"
            ),
            "--sensor-diagonal-mm",
        )
    return Imaging(
        focal_length_mm,
        pixel_um,
        tonight.exposure_s,
        tonight.guided,
        guide_deg or 0.0,
        radius_deg or 0.0,
        known.tracking or "sidereal",
    )


def target_of(tonight: TonightSection) -> Target:
    """Return where the exposures are taken. Raises `ImagingNotUsable`."""
    return Target(
        tonight.declination_deg, tonight.hour_angle_from_hours, tonight.hour_angle_to_hours
    )


def tonights_tolerance(
    config: Config, known: Known, site: Site, atmosphere: Atmosphere
) -> tuple[float, str, str]:
    """Return the axis error that tonight's exposures bear, in place of the fixed tolerance.

    It is never more than `CEILING_ARCMIN`. Where the air alone trails more than allowed, the
    axis's own share counts, which is what aligning can better.

    Returns:
        Arcminutes, what to tell, and what to warn of (empty: nothing).

    Raises:
        FigureMissing, ImagingNotUsable, TargetTooLow: it cannot be computed; says why.
    """
    tonight = config.tonight
    imaging, target = imaging_of(tonight, known), target_of(tonight)
    sky = SkyOver(site.latitude_deg, atmosphere, PoleTarget(config.pole.target))
    found = largest_axis_error(imaging, target, tonight.trail_px, sky)
    share, warned = found.air.sentence, ""
    if found.axis_error == 0.0:
        told = found.air.too_much(tonight.trail_px)
        share, warned = (
            "",
            say("{told} The tolerance counts only what the axis adds.", told=told),
        )
        airless = replace(sky, atmosphere=Atmosphere.none())
        found = largest_axis_error(imaging, target, tonight.trail_px, airless)
    bears = found.axis_error / ARCMIN
    arcmin = min(max(bears, LEAST_ARCMIN), CEILING_ARCMIN)
    sentence = say(
        "Tonight's tolerance is {arcmin}, from {imaging}",
        arcmin=arcmin_text(arcmin),
        imaging=exposures_in_words(imaging, target),
    )
    if bears > CEILING_ARCMIN:
        sentence += say(
            "; trails would allow more, but more than {ceiling_arcmin} is not accepted",
            ceiling_arcmin=arcmin_text(CEILING_ARCMIN),
        )
    return arcmin, f"{sentence}. {share}".strip(), warned


def exposures_in_words(imaging: Imaging, target: Target) -> str:
    """Return what is photographed, as a part of a sentence."""
    return say(
        "exposures of {exposure_s:g} s at {focal_length_mm:g} mm with pixels of "
        "{pixel_um:g} µm, {imaging}, at declination {declination_deg:+.0f}°",
        exposure_s=imaging.exposure_s,
        focal_length_mm=imaging.focal_length_mm,
        pixel_um=imaging.pixel_um,
        imaging=_guiding(imaging),
        declination_deg=target.declination_deg,
    )


def _guiding(imaging: Imaging) -> str:
    if not imaging.guided:
        return say("not guided")
    return say(
        "guided on a star {guide_distance_deg:.2g}° from the centre",
        guide_distance_deg=imaging.guide_distance_deg,
    )


def widest_tolerance_arcmin(pole: PoleSection) -> float:
    """Return the fixed tolerance, or the most that one of tonight can be."""
    return CEILING_ARCMIN if pole.tolerance_from_tonight else pole.tolerance_arcmin
