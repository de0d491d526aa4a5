"""The focal length, found by solving one frame with no idea of the scale."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from polewright.angles import ARCSEC, DEG
from polewright.errors import SolveError
from polewright.images.frame import Frame, StarList
from polewright.measuring.measurement import ready_mount
from polewright.measuring.plate import Plate
from polewright.measuring.rig import Rig
from polewright.measuring.sweep import look_at, take_frame
from polewright.profile.errors import PixelUnknown

#: Each guess of the scale reaches to its neighbours.
RUNG, REACH = 1.25, 0.14
GUESS_S = 15.0
#: Fields looked for when nothing at all is known, degrees wide.
NARROWEST_DEG, WIDEST_DEG = 0.6, 30.0


@dataclass(frozen=True)
class FoundOptics:
    """What one solved frame tells of the optics."""

    focal_length_mm: float
    pixel_um: float
    """Unbinned."""
    scale_arcsec_per_px: float
    """Of the frame as it was taken."""
    field_deg: tuple[float, float]
    mirrored: bool
    matched: int
    distortion_k1: float | None
    """Radial distortion, see `polewright.solving.base.Distortion`; 0 when it is too small to
    matter, None when there were too few stars to tell."""


def find_optics(rig: Rig) -> FoundOptics:
    """Expose where the mount points and solve without a scale. The mount tracks, never slews.

    Raises:
        PixelUnknown: neither camera nor configuration tells the pixel.
        polewright.errors.DeviceError, ImageError, SolveError: as camera, detection and solver say.
    """
    told = rig.camera.info().pixel_um
    pixel_um = rig.config.optics.pixel_um or (told[0] if told else None)
    if not pixel_um:
        raise PixelUnknown
    ready_mount(rig)
    rig.plates.k1 = 0.0  # another lens may be on
    frame = take_frame(rig, rig.config.sweep.exposure_s)
    stars, _quality = look_at(rig, frame)
    plate = _solve_without_scale(rig, frame, stars)
    _prepare(rig, frame)
    scale = plate.solution.scale
    degrees = scale / ARCSEC / 3600.0
    return FoundOptics(
        focal_length_mm=pixel_um * rig.config.camera.binning * 1e-3 / scale,
        pixel_um=pixel_um,
        scale_arcsec_per_px=scale / ARCSEC,
        field_deg=(frame.width * degrees, frame.height * degrees),
        mirrored=plate.solution.parity < 0,
        matched=plate.solution.matched,
        distortion_k1=_bend(rig, frame),
    )


def _prepare(rig: Rig, frame: Frame) -> None:
    """Have the solver do now what it needs once for a set-up, not in a night's first hard solve."""
    try:
        rig.plates.prepare(frame.width, frame.height, frame.utc_mid_s)
    except SolveError as exc:
        rig.note(f"Frames far from where the mount says it points will not be solved: {exc}.")


def _bend(rig: Rig, frame: Frame) -> float | None:
    return None if rig.plates.lens_bends_px(frame.width) is None else rig.plates.k1


def _solve_without_scale(rig: Rig, frame: Frame, stars: StarList) -> Plate:
    """Try scale after scale near where the mount says it points, then the whole sky.

    The whole sky at every scale needs a database that takes minutes to build the first time.
    """
    plates = rig.plates
    mount_icrs = rig.mount_icrs(plates.sky_at(frame.utc_mid_s))
    blind, timeout_s, tolerance = plates.blind, plates.timeout_s, plates.scale_tolerance
    known = plates.scale
    plates.blind, plates.timeout_s, plates.scale_tolerance = False, GUESS_S, REACH
    try:
        for guess in _scales(known, frame.width):
            plates.scale = guess
            try:
                return plates.solve(stars, frame, mount_icrs, rig.cancel)
            except SolveError:
                continue
    finally:
        plates.blind, plates.timeout_s = blind, timeout_s
    plates.scale, plates.scale_tolerance = None, tolerance
    return plates.solve(stars, frame, mount_icrs, rig.cancel)


def _scales(known: float | None, columns: int) -> Iterator[float]:
    """Guesses in rad per pixel: from what is known outwards, or from wide fields to narrow."""
    if known is not None:
        yield known
        for step in range(1, 7):
            yield known / RUNG**step
            yield known * RUNG**step
        return
    width_deg = WIDEST_DEG
    while width_deg > NARROWEST_DEG:
        yield width_deg * DEG / columns
        width_deg /= RUNG
