"""Looks through the telescope as it stands: focus, sky, exposure, and whether a solve works."""

from __future__ import annotations

from polewright.alpaca.errors import AlpacaError
from polewright.angles import DEG, Vector, spherical
from polewright.errors import SolveError
from polewright.images.exposure import (
    ExposureChoice,
    ExposureLimits,
    next_exposure,
    what_to_change,
)
from polewright.images.frame import Frame
from polewright.images.quality import FrameQuality
from polewright.measuring.check_result import CheckResult
from polewright.measuring.coverage import advice_here
from polewright.measuring.planned import noise_of
from polewright.measuring.rig import Rig
from polewright.measuring.sweep import look_at, take_frame

#: Frames taken at most to find an exposure.
SEARCH_FRAMES = 5


def limits_of(rig: Rig) -> ExposureLimits:
    """Return the limits that the configuration sets."""
    section = rig.config.sweep
    low_s, high_s = sorted((section.exposure_min_s, section.exposure_max_s))
    return ExposureLimits(min_s=low_s, max_s=high_s)


def judged(rig: Rig, frame: Frame, quality: FrameQuality) -> ExposureChoice:
    """Say what to expose after this frame."""
    return next_exposure(frame.exposure_s, quality, frame.saturation_adu, limits_of(rig))


def find_exposure(rig: Rig) -> float:
    """Expose where the telescope points until sky and stars are right; return the exposure, s.

    Raises:
        DeviceError, ImageError: as camera and detection say.
    """
    exposure_s = rig.config.sweep.exposure_s
    for _ in range(SEARCH_FRAMES):
        frame = take_frame(rig, exposure_s)
        choice = judged(rig, frame, look_at(rig, frame)[1])
        if choice.good:
            break
        rig.note(f"Exposing {choice.exposure_s:g} s instead of {exposure_s:g} s: {choice.why}.")
        exposure_s = choice.exposure_s
    return exposure_s


def choose_exposure(rig: Rig) -> None:
    """Let the rest of the run expose as sky and stars ask for, where [sweep] exposure_auto."""
    if rig.config.sweep.exposure_auto:
        keep_exposure(rig, find_exposure(rig))


def keep_exposure(rig: Rig, exposure_s: float) -> None:
    """Let the rest of the run expose so long; it is not looked for any more."""
    update = {"exposure_s": exposure_s, "exposure_auto": False}
    section = rig.config.sweep.model_copy(update=update)
    rig.config = rig.config.model_copy(update={"sweep": section})


def check(rig: Rig, exposure_s: float, *, solve: bool = True) -> CheckResult:
    """Take one frame where the telescope points, without moving anything, and judge it.

    Raises:
        DeviceError, ImageError: as camera and detection say. A frame that is not solved is told
            in the result.
    """
    frame = take_frame(rig, exposure_s)
    stars, quality = look_at(rig, frame)
    tracking = rig.telescope.tracking()
    trouble, plate = "", None
    mount_icrs: Vector | None = None
    if solve:
        try:
            mount_icrs = rig.mount_icrs(rig.plates.sky_at(frame.utc_mid_s))
        except AlpacaError as error:
            rig.note(f"The mount does not tell where it points ({error}).", warning=True)
        try:
            plate = rig.plates.solve(stars, frame, mount_icrs, rig.cancel)
        except SolveError as error:
            trouble = str(error)
    choice = judged(rig, frame, quality)
    here = None if plate is None else plate.solution.centre_icrs
    few: tuple[str, ...] = ()
    if rig.plates.scale is not None:
        noise = noise_of(rig.config, rig.plates.scale, frame.width, frame.height)
        few = advice_here(noise, rig.plates.solver, here if here is not None else mount_icrs)
    full = frame.saturation_adu
    ra_deg = dec_deg = None
    if plate is not None:
        ra, dec = spherical(plate.solution.centre_icrs)
        ra_deg, dec_deg = float(ra) / DEG, float(dec) / DEG
    return CheckResult(
        exposure_s=frame.exposure_s,
        star_count=quality.star_count,
        hfd_px=quality.hfd_px,
        fwhm_px=quality.fwhm_px,
        elongation=quality.elongation,
        sky_adu=quality.background_adu,
        sky_noise_adu=quality.noise_adu,
        sky_share=None if not full else quality.background_adu / full,
        saturated_stars=quality.saturated_stars,
        tracking=tracking,
        solved=None if not solve else plate is not None,
        solve_s=None if plate is None else plate.solution.elapsed_s,
        matched=None if plate is None else plate.attitude.matched,
        trouble=trouble,
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        suggested_exposure_s=choice.exposure_s,
        advice=(
            *what_to_change(quality, choice=choice, tracking=tracking, solved=not trouble),
            *few,
        ),
    )
