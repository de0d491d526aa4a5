"""A whole measurement: sweep the points, fit the axis, say what it means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from polewright import __version__
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis import REFUSE_BELOW, AxisFit
from polewright.calculation.geometry.axis_error import AxisError
from polewright.calculation.planning.request import Pointing
from polewright.calculation.tolerance.tolerance import CEILING_ARCMIN, beyond_ceiling
from polewright.devices.alpaca.errors import AlpacaError, is_absent
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, azalt_from_enu, spherical
from polewright.foundation.language import say
from polewright.foundation.rehearsal import in_rehearsal
from polewright.observing.capture.auto_exposure import wanted_sigma
from polewright.observing.plan.frame_noise import frame_noise
from polewright.observing.plan.plan_from_config import planned_sweep, sweep_points
from polewright.observing.rig.rig import Rig
from polewright.observing.rig.timings import SweepTimes
from polewright.observing.safety.keep_clear import keep_clear
from polewright.observing.safety.stopping import motion_stopped_on_trouble, stop_now
from polewright.observing.safety.watchdog_client import watched
from polewright.observing.sweep.axis_as_data import axis_result
from polewright.observing.sweep.axis_from_points import FittedSweep, fit_points
from polewright.observing.sweep.solve_point import SolvedPoint
from polewright.observing.sweep.sweep import AtRest, Swept, further_point, sweep
from polewright.records.events import AxisMeasured, Finished
from polewright.records.result import (
    MeasurementResult,
    PointResult,
    SagResult,
    SiteResult,
    TimeResult,
    WeatherResult,
)

#: Three points that agree as poorly as in less than this share of steady mounts' sweeps may hide a
#: tripod that sank between them: two checks are left over, and how loud the noise is is known to a
#: factor only. One honest sweep in ten at most pays for it with one more point (own choice; 1.4 in
#: 100 of those of tests/bench/sunken_tripod.py).
POOR_BELOW = 0.1
#: A distortion is told when it moves stars by more than this, pixels (own choice).
BENT_PX = 3.0


def utc_text(utc_s: float) -> str:
    """ISO 8601 text of a Unix time."""
    return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="milliseconds")


@dataclass(frozen=True, eq=False)
class Measured:
    """A sweep and what was made of it."""

    solved: tuple[SolvedPoint, ...]
    attitudes: tuple[Attitude, ...]
    """Of the points, as they were fitted."""
    fit: AxisFit
    error: AxisError
    result: MeasurementResult


def measure_axis(rig: Rig, points: Sequence[Pointing] | None = None) -> MeasurementResult:
    """Measure the polar axis error once, on a connected rig.

    Args:
        rig: the rig.
        points: of the sweep; planned when None.

    Raises:
        PolewrightError: any trouble; the mount has been stopped by then.
        SweepNotRigid: the solved points contradict each other.
        MotionUnknown: as `motion_stopped_on_trouble` says.
    """
    plan = planned_sweep(rig) if points is None else None
    points = sweep_points(plan) if plan is not None else points or ()
    with watched(rig), motion_stopped_on_trouble(rig.telescope, rig.clock, rig.emit):
        if plan is not None:
            keep_clear(rig, crosses_meridian=plan.crosses_meridian)
        measured = measure(rig, points)
        if rig.config.run.afterwards == "stop":
            stop_now(rig.telescope, say("the run is over and the mount does not confirm its stop"))
    total = angle_text(measured.error.total)
    rig.emit(Finished(utc_s=rig.clock.utc_s(), text=say("total error {total}", total=total)))
    return measured.result


def measure(rig: Rig, points: Sequence[Pointing], at_rest: AtRest | None = None) -> Measured:
    """Sweep the points and fit the axis; the caller stops the mount when this raises.

    ``at_rest``: see `sweep`.
    """
    started = begin(rig)
    rig.guards.begin()
    ready_mount(rig)
    swept = sweep(rig, points, at_rest)
    return measured_axis(rig, started, swept)


def begin(rig: Rig) -> float:
    """Count times from now on and read the weather; return the time, Unix seconds UTC."""
    rig.times = SweepTimes(rig.clock.monotonic_s())
    started_utc_s = rig.clock.utc_s()
    rig.read_weather()
    return started_utc_s


def measured_axis(
    rig: Rig, started_utc_s: float, swept: Swept, *, most_points: int = 0
) -> Measured:
    """Make the axis, its error and the verdict from a sweep.

    Three points that agree poorly get a fourth where the sweep began: what sank or slipped since
    shows there.

    Args:
        rig: the rig.
        started_utc_s: when the measurement began.
        swept: the sweep.
        most_points: further points are taken up to so many while the axis is less sure than
            wanted, or the fit is not trusted.

    Raises:
        SweepNotRigid: the solved points contradict each other.
        PolewrightError: as a further point says.
    """
    solved, story = list(swept.points), list(swept.story)
    fitted = fit_points(rig, solved)
    while True:
        poor = poor_agreement(fitted.fit)
        doubt = poor or (doubt_about(rig, fitted) if len(solved) < most_points else "")
        if not doubt:
            break
        if poor:
            rig.note(say("Hands off: one more point, as {doubt}.", doubt=poor))
        further = further_point(rig, solved, back=bool(poor))
        if further is None:
            story.append(say("No further point fits ({doubt}).", doubt=doubt))
            break
        story.append(say("One more point taken: {doubt}.", doubt=doubt))
        solved.append(further)
        fitted = fit_points(rig, solved)
        if poor:  # it may be the only good one: the point that stands out is not blamed
            fitted = replace(fitted, fit=replace(fitted.fit, worst=None))
    tell_limits(rig, fitted, solved)
    emit_axis(rig, fitted.fit, fitted.error)
    fitted.fit.verify()
    result = describe(rig, solved, fitted, started_utc_s, tuple(story))
    return Measured(tuple(solved), fitted.attitudes, fitted.fit, fitted.error, result)


def poor_agreement(fit: AxisFit) -> str:
    """Say that three points agree too poorly to be believed and not so poorly as to be refused."""
    if not (len(fit.turns) == 3 and REFUSE_BELOW <= fit.p_value < POOR_BELOW):
        return ""
    return say(
        "three points of a steady mount agree so poorly in only {percent:.1f} of 100 sweeps",
        percent=100.0 * fit.p_value,
    )


def doubt_about(rig: Rig, fitted: FittedSweep) -> str:
    """Say why another point would help; empty where the axis is as sure as it is wanted."""
    fit, sigma = fitted.fit, fitted.error.sigma_total
    if not fit.trusted:
        return say("the points do not agree with one fixed axis")
    return say("1 sigma {sigma}", sigma=angle_text(sigma)) if sigma > wanted_sigma(rig) else ""


def tell_limits(rig: Rig, fitted: FittedSweep, solved: Sequence[SolvedPoint]) -> None:
    """Say what makes a figure worse than it could be: smeared frames, a bent lens."""
    if fitted.smeared:
        rig.note(
            say(
                "{smeared} of {solved} frames are blurred next to the sharpest one (wind, or "
                "the mount was still ringing): they count for less, and the result is less "
                "certain.",
                smeared=fitted.smeared,
                solved=len(solved),
            ),
            warning=True,
        )
    bent_px = rig.plates.lens_bends_px(solved[0].frame.width)
    if rig.config.optics.distortion_k1 is None and bent_px is not None and bent_px > BENT_PX:
        rig.note(
            say(
                "The lens shifts stars by {bent_px:.0f} pixels at half a frame's width from "
                "the centre (k1 {k1:+.4f}). This is corrected for; `polewright profile "
                "--solve` stores it for the next night.",
                bent_px=bent_px,
                k1=rig.plates.k1,
            )
        )


def ready_mount(rig: Rig) -> None:
    """Unpark and start tracking.

    Raises:
        DeviceError: the mount stays parked, does not track, or cannot slew (told before it moves).
    """
    mount = rig.telescope
    mount.way_to_slew()
    if mount.at_park():
        rig.note(say("The mount is parked: unparking."))
        mount.unpark(cancel=rig.cancel)
    if mount.tracking() is not True:
        try:
            mount.set_tracking(True, cancel=rig.cancel)
        except AlpacaError as error:
            if mount.tracking() is not None or not is_absent(error):
                raise
            rig.note(say("The mount neither reports nor sets tracking: assumed to be tracking."))


def emit_axis(rig: Rig, fit: AxisFit, error: AxisError) -> None:
    """Tell the fitted axis to whoever listens."""
    rig.emit(
        AxisMeasured(
            utc_s=rig.clock.utc_s(),
            d_alt_arcmin=error.d_alt / ARCMIN,
            d_az_sky_arcmin=error.d_az_sky / ARCMIN,
            total_arcmin=error.total / ARCMIN,
            sigma_total_arcmin=error.sigma_total / ARCMIN,
            chi2=fit.chi2,
            dof=fit.dof,
            p_value=fit.p_value,
            trusted=fit.trusted,
        )
    )


def describe(
    rig: Rig,
    solved: Sequence[SolvedPoint],
    fitted: FittedSweep,
    started_utc_s: float,
    story: tuple[str, ...] = (),
) -> MeasurementResult:
    """Put a measurement into the document that is shown and stored."""
    fit, error = fitted.fit, fitted.error
    tolerance = rig.tolerance_arcmin
    upper95_arcmin = error.total_upper() / ARCMIN
    return MeasurementResult(
        software=f"polewright {__version__}",
        started_utc=utc_text(started_utc_s),
        finished_utc=utc_text(rig.clock.utc_s()),
        site=SiteResult(
            latitude_deg=rig.site.latitude_deg,
            longitude_deg=rig.site.longitude_deg,
            elevation_m=rig.site.elevation_m,
            source=rig.site_source,
            accepted=rig.site_accepted,
            rehearsal=in_rehearsal(),
        ),
        weather=WeatherResult.of(rig.weather),
        telescope=rig.telescope.name(),
        camera=rig.camera.name(),
        points=tuple(
            _point_result(point, residual)
            for point, residual in zip(solved, fit.residuals, strict=True)
        ),
        axis=axis_result(
            fit, error, frame_noise(rig), SagResult.of(fitted.sag, fitted.sag_response)
        ),
        tolerance_arcmin=tolerance,
        within_tolerance=upper95_arcmin <= tolerance,
        advice=correction_sentences(error, tolerance * ARCMIN),
        notes=tuple(rig.notes),
        time=_time_result(rig),
        story=story,
    )


def correction_sentences(error: AxisError, tolerance: float) -> tuple[str, ...]:
    """Say which way to turn the axis, larger part first; nothing when it is good enough.

    Larger first is common practice, no source.
    """
    upper_arcmin = error.total_upper() / ARCMIN
    if error.total_upper() <= tolerance:
        return (
            say(
                "The axis is where it should be: leave the adjusters alone. If something "
                "still needs tightening, tighten it and measure once more."
            ),
            *((beyond_ceiling(upper_arcmin),) if upper_arcmin > CEILING_ARCMIN else ()),
        )
    altitude = (
        abs(error.d_alt),
        say(
            "Move the axis {d_alt} {up_or_down} with the altitude adjuster.",
            d_alt=angle_text(error.d_alt),
            up_or_down=say("down") if error.d_alt > 0 else say("up"),
        ),
    )
    azimuth = (
        abs(error.d_az_sky),
        say(
            "Move the axis {d_az_sky} {east_or_west} with the azimuth adjuster (turn the base by "
            "{d_az_base}).",
            d_az_sky=angle_text(error.d_az_sky),
            east_or_west=say("west") if error.d_az_sky > 0 else say("east"),
            d_az_base=angle_text(error.d_az_base),
        ),
    )
    ordered = sorted((altitude, azimuth), key=lambda item: -item[0])
    return (
        *(text for _size, text in ordered),
        say(
            "Do not loosen the clutches or push the tube by hand now: the sweep would no "
            "longer hold."
        ),
    )


def _time_result(rig: Rig) -> TimeResult:
    times = rig.times
    total_s = rig.clock.monotonic_s() - times.began_s
    known_s = times.slew + times.settle + times.expose + times.download + times.solve
    return TimeResult(
        total_s=total_s,
        slew_s=times.slew,
        settle_s=times.settle,
        expose_s=times.expose,
        download_s=times.download,
        solve_s=times.solve,
        other_s=max(0.0, total_s - known_s),
        overlap_saved_s=times.hidden,
        settle_saved_s=times.settle_saved,
    )


def _point_result(point: SolvedPoint, residual: Sequence[float]) -> PointResult:
    attitude, solution = point.plate.attitude, point.plate.solution
    ra, dec = spherical(solution.centre_icrs)
    azimuth, altitude = azalt_from_enu(attitude.matrix[:, 2])
    covariance = attitude.covariance
    return PointResult(
        number=point.number,
        utc=utc_text(point.frame.utc_mid_s),
        hour_angle_deg=point.target.hour_angle / DEG,
        ra_deg=float(ra) / DEG,
        dec_deg=float(dec) / DEG,
        azimuth_deg=float(azimuth) / DEG,
        altitude_deg=float(altitude) / DEG,
        exposure_s=point.frame.exposure_s,
        star_count=point.quality.star_count,
        matched=attitude.matched,
        rms_arcsec=attitude.rms_px * attitude.scale / ARCSEC,
        scale_arcsec_per_px=attitude.scale / ARCSEC,
        parity=attitude.parity,
        sigma_pointing_arcsec=math.sqrt((covariance[0, 0] + covariance[1, 1]) / 2.0) / ARCSEC,
        sigma_roll_arcsec=math.sqrt(covariance[2, 2]) / ARCSEC,
        solver=solution.solver,
        solve_s=point.plate.solve_s,
        residual_arcsec=(
            float(residual[0]) / ARCSEC,
            float(residual[1]) / ARCSEC,
            float(residual[2]) / ARCSEC,
        ),
    )
