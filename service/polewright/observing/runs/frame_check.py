"""Looks through the telescope as it stands: focus, sky, exposure, and whether a solve works."""

from __future__ import annotations

from polewright.calculation.images.next_exposure import (
    what_to_change,
)
from polewright.devices.alpaca.errors import AlpacaError
from polewright.foundation.angles import ARCSEC, DEG, Vector, spherical
from polewright.foundation.errors import SolveError
from polewright.foundation.language import say
from polewright.observing.capture.auto_exposure import judged
from polewright.observing.capture.frame_quality import look_at
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.plan.frame_noise import frame_noise
from polewright.observing.plan.plan_from_config import noise_of
from polewright.observing.plan.star_coverage import advice_here
from polewright.observing.rig.rig import Rig
from polewright.observing.runs.check_result import CheckResult
from polewright.observing.sweep.solve_point import tell_focal_length


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
            rig.note(
                say("The mount does not say where it points ({error}).", error=error), warning=True
            )
        try:
            plate = rig.plates.solve(stars, frame, mount_icrs, rig.cancel)
        except SolveError as error:
            trouble = str(error)
        tell_focal_length(rig)
    choice = judged(rig, frame, quality)
    here = None if plate is None else plate.solution.centre_icrs
    few: tuple[str, ...] = ()
    if rig.plates.scale is not None:
        noise = noise_of(
            frame_noise(rig).floor / ARCSEC, rig.plates.scale, frame.width, frame.height
        )
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
        solve_s=None if plate is None else plate.solve_s,
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
