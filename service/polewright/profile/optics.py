"""The focal length, found by solving one frame with no idea of the scale."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from polewright.angles import ARCSEC, DEG
from polewright.config import Config
from polewright.errors import SolveError, in_words
from polewright.images.frame import Frame, StarList
from polewright.measuring.connect import configured_solver
from polewright.measuring.measurement import ready_mount
from polewright.measuring.plate import NOMINAL_SCALE_TOLERANCE, Plate
from polewright.measuring.rig import Rig, nominal_scale
from polewright.measuring.sweep import look_at, take_frame
from polewright.profile.errors import PixelUnknown
from polewright.solving.base import SolveHint

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
    frame_px: tuple[int, int]
    """Width and height of the frame as it was taken."""
    julian_year: float
    """When it was taken."""
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
    scale = plate.solution.scale
    degrees = scale / ARCSEC / 3600.0
    return FoundOptics(
        focal_length_mm=pixel_um * rig.config.camera.binning * 1e-3 / scale,
        pixel_um=pixel_um,
        scale_arcsec_per_px=scale / ARCSEC,
        field_deg=(frame.width * degrees, frame.height * degrees),
        frame_px=(frame.width, frame.height),
        julian_year=plate.sky.julian_year,
        mirrored=plate.solution.parity < 0,
        matched=plate.solution.matched,
        distortion_k1=_bend(rig, frame),
    )


def prepare_solver(config: Config, found: FoundOptics, tell: Callable[[str], None]) -> None:
    """Have the solver do now what it needs once for a set-up, not in a night's first hard solve.

    Trouble is told and ends nothing: frames near where the mount says it points need none of it.

    Args:
        config: as it is from now on; with its own focal length what is made will be met again.
        found: what a frame has told of the optics.
        tell: who hears of slow work and of trouble.
    """
    if not config.solver.blind:  # nothing is solved without a hint then
        return
    binned_um = found.pixel_um * config.camera.binning
    scale = nominal_scale(config.optics.focal_length_mm or found.focal_length_mm, binned_um)
    hint = SolveHint(
        scale=scale,
        scale_tolerance=NOMINAL_SCALE_TOLERANCE,
        epoch_year=found.julian_year,
    )
    try:
        configured_solver(config, tell).prepare(hint, *found.frame_px)
    except (SolveError, OSError, MemoryError) as exc:
        tell(f"Frames far from where the mount says it points will not be solved: {in_words(exc)}.")


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
