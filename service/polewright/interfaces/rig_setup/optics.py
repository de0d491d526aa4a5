"""The focal length, found by solving one frame whatever is known of the scale."""

from __future__ import annotations

from dataclasses import dataclass

from polewright.calculation.images.frame import Frame
from polewright.foundation.angles import ARCSEC
from polewright.interfaces.rig_setup.errors import PixelUnknown
from polewright.observing.capture.frame_quality import look_at
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.rig.rig import Rig
from polewright.observing.runs.measurement import ready_mount


@dataclass(frozen=True)
class FoundOptics:
    """What one solved frame tells of the optics."""

    focal_length_mm: float
    pixel_um: float
    """Unbinned."""
    scale_arcsec_per_px: float
    """Of the frame as it was taken."""
    field_deg: tuple[float, float]
    julian_year: float
    """When it was taken."""
    mirrored: bool
    matched: int
    distortion_k1: float | None
    """Radial distortion, see `calculation.geometry.solution.Distortion`; 0 when it is too small to
    matter, None when there were too few stars to tell."""


def find_optics(rig: Rig) -> FoundOptics:
    """Expose where the mount points and solve, whatever the scale. The mount tracks, never slews.

    Raises:
        PixelUnknown: neither camera nor configuration tells the pixel.
        foundation.errors.DeviceError, ImageError, SolveError: as camera, detection and solver say.
    """
    told = rig.camera.info().pixel_um
    pixel_um = rig.config.optics.pixel_um or (told[0] if told else None)
    if not pixel_um:
        raise PixelUnknown
    ready_mount(rig)
    rig.plates.k1 = 0.0  # another lens may be on
    frame = take_frame(rig, rig.exposure_s)
    stars, _quality = look_at(rig, frame)
    mount_icrs = rig.mount_icrs(rig.plates.sky_at(frame.utc_mid_s))
    plate = rig.plates.solve(stars, frame, mount_icrs, rig.cancel)
    scale = plate.solution.scale
    degrees = scale / ARCSEC / 3600.0
    return FoundOptics(
        focal_length_mm=pixel_um * rig.config.camera.binning * 1e-3 / scale,
        pixel_um=pixel_um,
        scale_arcsec_per_px=scale / ARCSEC,
        field_deg=(frame.width * degrees, frame.height * degrees),
        julian_year=plate.sky.julian_year,
        mirrored=plate.solution.parity < 0,
        matched=plate.solution.matched,
        distortion_k1=_bend(rig, frame),
    )


def _bend(rig: Rig, frame: Frame) -> float | None:
    return None if rig.plates.lens_bends_px(frame.width) is None else rig.plates.k1
