"""The parts of a sweep: slew, settle, expose and solve at a point."""

from __future__ import annotations

import math
from dataclasses import dataclass

from polewright.alpaca.errors import AlpacaError
from polewright.alpaca.exposing import ExposureProgress
from polewright.angles import ARCMIN, ARCSEC, DEG, azalt_from_enu, separation, spherical
from polewright.errors import PolewrightError
from polewright.images.detect import detect_stars
from polewright.images.frame import Frame, StarList
from polewright.images.quality import FrameQuality, frame_quality
from polewright.measuring.camera_setup import ready_camera
from polewright.measuring.events import FrameMeasured, PointSolved
from polewright.measuring.keeping import keep_frame
from polewright.measuring.plate import Plate
from polewright.measuring.pointing import icrs_from_mount, pointing_from_mount
from polewright.measuring.policy import repeating
from polewright.measuring.rig import Rig
from polewright.planning.request import Pointing

SETTLE_TICK_S = 0.5
#: The mount's own deadline is this much later than the guard's, s: the guard tells more.
GUARD_FIRST_S = 10.0


@dataclass(frozen=True)
class SweepPoint:
    """A point fixed to the mount: hour angle and declination of date about the nominal pole."""

    hour_angle: float
    """Rad, in (-pi, pi); negative east of the meridian."""
    declination: float
    """Rad."""


@dataclass(frozen=True)
class SolvedPoint:
    """What one point of the sweep came to."""

    number: int
    target: SweepPoint
    frame: Frame
    quality: FrameQuality
    plate: Plate


def go_to(rig: Rig, point: SweepPoint, number: int, total: int, *, first: bool) -> None:
    """Slew to a point, watched by the guards, and check that the mount says it arrived.

    The caller stops the mount when this raises (`stopping.motion_stopped_on_trouble`).

    Args:
        rig: the rig.
        point: where to.
        number: of the point, from 1.
        total: how many there are.
        first: whether this slew brings the mount to the sweep.

    Raises:
        DeviceError: the slew was refused or ignored.
        GuardError: a guard did not let it begin, go on, or end like this.
    """
    goal = Pointing(point.hour_angle, point.declination)

    def slew() -> None:
        move = rig.guards.before_slew(number, goal, first=first)
        arrived = rig.telescope.slew_and_wait(
            move.right_ascension_hours,
            move.declination_deg,
            timeout_s=rig.config.sweep.slew_timeout_s + GUARD_FIRST_S,
            clock=rig.clock,
            cancel=rig.cancel,
            watch=rig.guards.watch(
                move, lambda elapsed_s: rig.progress("slew", number, total, elapsed_s, None)
            ),
        )
        rig.guards.arrived(move, arrived)

    def tell(_rule: str, error: PolewrightError) -> None:
        _only_of("telescope", error)
        rig.note(
            f"The slew to point {number} failed ({error}); the mount stands still, once more.",
            warning=True,
        )

    repeating(("slew",), slew, clock=rig.clock, cancel=rig.cancel, tell=tell)


def _only_of(device_type: str, error: PolewrightError) -> None:
    """Raise an error that another device than this type is to blame for."""
    if isinstance(error, AlpacaError) and error.where.device_type != device_type:
        raise error


def settle(rig: Rig, number: int, total: int) -> None:
    """Wait until the mount has rung out."""
    wait_s = rig.config.sweep.settle_s
    started = rig.clock.monotonic_s()
    while (elapsed := rig.clock.monotonic_s() - started) < wait_s:
        rig.guards.while_tracking()
        rig.progress("settle", number, total, elapsed, wait_s)
        rig.clock.sleep(min(SETTLE_TICK_S, wait_s - elapsed), rig.cancel)


def solve_here(
    rig: Rig, point: SweepPoint, number: int, total: int, exposure_s: float
) -> SolvedPoint:
    """Expose where the mount stands and solve the frame.

    Raises:
        DeviceError, ImageError, SolveError: as camera, detection and solver say.
        GuardError: the stars say that the mount is not where it should be.
    """
    frame = take_frame(rig, exposure_s, number, total)
    rig.progress("solve", number, total, 0.0, None)
    stars, quality = look_at(rig, frame, number)
    sky = rig.plates.sky_at(frame.utc_mid_s)
    told = rig.telescope.right_ascension_hours(), rig.telescope.declination_deg()
    mount_icrs = icrs_from_mount(sky, rig.equatorial_system, *told)
    expected = rig.plates.expected_centre(mount_icrs)
    plate = rig.plates.solve(stars, frame, mount_icrs, rig.cancel)
    report_plate(rig, plate, number, total)
    if rig.config.run.keep_frames is not None:
        keep_frame(rig, frame, plate, number)
    miss = None if expected is None else float(separation(expected, plate.solution.centre_icrs))
    rig.guards.solved(number, plate, pointing_from_mount(sky, rig.equatorial_system, *told), miss)
    return SolvedPoint(number, point, frame, quality, plate)


def take_frame(rig: Rig, exposure_s: float, number: int = 0, total: int = 0) -> Frame:
    """Expose and download, telling progress; again as the policy allows."""

    def watch(now: ExposureProgress) -> None:
        if now.phase != "downloading":
            rig.guards.while_tracking()
        step = "download" if now.phase == "downloading" else "exposure"
        rig.progress(step, number, total, now.elapsed_s, now.duration_s)

    restarted = False

    def expose() -> Frame:
        nonlocal restarted
        if restarted:
            rig.camera.connect(cancel=rig.cancel)
            ready_camera(rig.camera, rig.config.camera)
            restarted = False
        return rig.camera.expose(exposure_s, clock=rig.clock, cancel=rig.cancel, on_progress=watch)

    def tell(rule: str, error: PolewrightError) -> None:
        nonlocal restarted
        _only_of("camera", error)
        restarted = restarted or rule == "camera_restarted"
        rig.note(f"The exposure failed ({error}); trying again.", warning=True)

    return repeating(
        ("camera_restarted", "exposure"), expose, clock=rig.clock, cancel=rig.cancel, tell=tell
    )


def look_at(rig: Rig, frame: Frame, number: int = 0) -> tuple[StarList, FrameQuality]:
    """Find the stars of a frame and tell how good it is."""
    stars = detect_stars(frame)
    quality = frame_quality(stars, frame)
    rig.emit(
        FrameMeasured(
            utc_s=rig.clock.utc_s(),
            point=number,
            star_count=quality.star_count,
            hfd_px=quality.hfd_px,
            elongation=quality.elongation,
            background_adu=quality.background_adu,
            exposure_s=frame.exposure_s,
        )
    )
    if rig.on_frame is not None:
        rig.on_frame(frame, stars)
    return stars, quality


def report_plate(rig: Rig, plate: Plate, number: int, total: int) -> None:
    """Tell that a point is solved, in the units people use."""
    ra, dec = spherical(plate.solution.centre_icrs)
    azimuth, altitude = azalt_from_enu(plate.attitude.matrix[:, 2])
    covariance = plate.attitude.covariance
    rig.emit(
        PointSolved(
            utc_s=rig.clock.utc_s(),
            point=number,
            points=total,
            ra_deg=float(ra) / DEG,
            dec_deg=float(dec) / DEG,
            azimuth_deg=float(azimuth) / DEG,
            altitude_deg=float(altitude) / DEG,
            scale_arcsec_per_px=plate.attitude.scale / ARCSEC,
            parity=plate.attitude.parity,
            matched=plate.attitude.matched,
            rms_arcsec=plate.attitude.rms_px * plate.attitude.scale / ARCSEC,
            sigma_pointing_arcsec=math.sqrt((covariance[0, 0] + covariance[1, 1]) / 2.0) / ARCSEC,
            sigma_roll_arcsec=math.sqrt(covariance[2, 2]) / ARCSEC,
            solve_s=plate.solution.elapsed_s,
            mount_offset_arcmin=plate.mount_offset / ARCMIN,
        )
    )
