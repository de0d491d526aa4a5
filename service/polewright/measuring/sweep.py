"""The sweep: slew, settle, expose and solve at each point."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from polewright.alpaca.exposing import ExposureProgress
from polewright.alpaca.telescope import MountState
from polewright.angles import ARCMIN, ARCSEC, DEG, azalt_from_enu, spherical
from polewright.errors import DeviceError
from polewright.images.detect import detect_stars
from polewright.images.frame import Frame, StarList
from polewright.images.quality import FrameQuality, frame_quality
from polewright.measuring.events import FrameMeasured, PointSolved
from polewright.measuring.plate import Plate
from polewright.measuring.pointing import mount_from_of_date, of_date_at
from polewright.measuring.rig import Rig

SETTLE_TICK_S = 0.5


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


class StoppedElsewhere(DeviceError):
    """The mount ended a slew away from its target."""

    code = "stopped_elsewhere"
    advice = (
        "Look for a limit, an obstacle or a stalled motor before trying again; widen "
        "[sweep] arrival_tolerance_deg only if this mount is known to stop so far off."
    )

    def __init__(self, off_deg: float, tolerance_deg: float) -> None:
        super().__init__(off_deg, tolerance_deg)
        self.off_deg, self.tolerance_deg = off_deg, tolerance_deg

    def __str__(self) -> str:
        return (
            f"the mount says it stopped {self.off_deg:.2f} degrees from its target "
            f"(tolerance {self.tolerance_deg:.2f})"
        )


def sweep(rig: Rig, points: Sequence[SweepPoint]) -> list[SolvedPoint]:
    """Visit every point in order and return them solved.

    The caller stops the mount when this raises (`stopping.motion_stopped_on_trouble`).
    """
    solved = []
    for number, point in enumerate(points, start=1):
        go_to(rig, point, number, len(points))
        settle(rig, number, len(points))
        solved.append(solve_here(rig, point, number, len(points)))
    return solved


def go_to(rig: Rig, point: SweepPoint, number: int, total: int) -> None:
    """Slew to a point and check that the mount says it arrived.

    Raises:
        DeviceError: the slew was refused, did not end in time, or ended elsewhere.
    """
    settings = rig.config.sweep
    sky = rig.sky_now()
    of_date = of_date_at(sky, point.hour_angle, point.declination)
    right_ascension, declination = mount_from_of_date(sky, rig.equatorial_system, of_date)
    started = rig.clock.monotonic_s()

    def watch(_state: MountState) -> None:
        elapsed = rig.clock.monotonic_s() - started
        rig.progress("slew", number, total, elapsed, None)

    arrived = rig.telescope.slew_and_wait(
        right_ascension,
        declination,
        timeout_s=settings.slew_timeout_s,
        clock=rig.clock,
        cancel=rig.cancel,
        watch=watch,
    )
    if arrived.miss_deg > settings.arrival_tolerance_deg:
        raise StoppedElsewhere(arrived.miss_deg, settings.arrival_tolerance_deg)


def settle(rig: Rig, number: int, total: int) -> None:
    """Wait until the mount has rung out."""
    wait_s = rig.config.sweep.settle_s
    started = rig.clock.monotonic_s()
    while (elapsed := rig.clock.monotonic_s() - started) < wait_s:
        rig.progress("settle", number, total, elapsed, wait_s)
        rig.clock.sleep(min(SETTLE_TICK_S, wait_s - elapsed), rig.cancel)


def solve_here(rig: Rig, point: SweepPoint, number: int, total: int) -> SolvedPoint:
    """Expose where the mount stands and solve the frame.

    Raises:
        DeviceError, ImageError, SolveError: as camera, detection and solver say.
    """
    frame = take_frame(rig, rig.config.sweep.exposure_s, number, total)
    rig.progress("solve", number, total, 0.0, None)
    stars, quality = look_at(rig, frame, number)
    mount_icrs = rig.mount_icrs(rig.plates.sky_at(frame.utc_mid_s))
    plate = rig.plates.solve(stars, frame, mount_icrs, rig.cancel)
    report_plate(rig, plate, number, total)
    return SolvedPoint(number, point, frame, quality, plate)


def take_frame(rig: Rig, exposure_s: float, number: int = 0, total: int = 0) -> Frame:
    """Expose and download, telling progress."""

    def watch(now: ExposureProgress) -> None:
        step = "download" if now.phase == "downloading" else "exposure"
        rig.progress(step, number, total, now.elapsed_s, now.duration_s)

    return rig.camera.expose(exposure_s, clock=rig.clock, cancel=rig.cancel, on_progress=watch)


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
