"""The drift check on a connected rig: one or two fields, hands off, until it can decide."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from polewright import __version__
from polewright.calculation.drift.check import DriftCheck
from polewright.calculation.drift.decide import Decision, Predicted, StopRule, Verdict
from polewright.calculation.drift.estimator import DriftAxis, DriftNoise
from polewright.calculation.drift.fields import DriftField, choose_fields
from polewright.calculation.drift.model import SkyDrift, predicted_drift, sky_drift
from polewright.calculation.drift.plot import FieldCurves
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis_error import AxisError, axis_error
from polewright.calculation.geometry.learnt_sag import DROOP_TRIED, LearntSag, droop_response
from polewright.calculation.planning.feasibility import crosses_meridian
from polewright.calculation.planning.request import PlanRequest, Pointing
from polewright.calculation.sky.pole import PoleTarget
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, azalt_from_enu
from polewright.foundation.errors import DeviceError, ExitCode, ImageError, SolveError
from polewright.foundation.language import say
from polewright.observing.capture.frame_quality import look_at
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.plan.plan_from_config import plan_request, pointing_now
from polewright.observing.plan.rig_errors import shared_errors_of
from polewright.observing.plan.tube_sag import focal_length_mm, tell_tube_sag, tube_sag
from polewright.observing.rig.plate_solver import FirstSolutionFalse
from polewright.observing.rig.rig import Rig
from polewright.observing.runs.measurement import ready_mount, utc_text
from polewright.observing.safety.keep_clear import keep_clear
from polewright.observing.safety.stopping import motion_stopped_on_trouble, stop_now
from polewright.observing.safety.watchdog_client import watched
from polewright.observing.settling.settle import settle
from polewright.observing.sweep.solve_point import tell_focal_length
from polewright.observing.sweep.visit_point import go_to, solve_here
from polewright.records.events import Event
from polewright.records.result import ComparedSweep, SagResult, WeatherResult

#: So many frames in a row that do not solve end the check (own choice).
FAILED_IN_A_ROW = 6
TELL_EVERY_S = 30.0


class FramesFail(SolveError):
    """Frame after frame of the drift check does not solve."""

    code = "drift_frames_fail"
    advice = say("Wait for clouds to clear, take dew off the optics, or expose longer.")

    def __init__(self, count: int, why: str) -> None:
        super().__init__(count, why)
        self.count, self.why = count, why

    def __str__(self) -> str:
        return say(
            "{count} frames in a row were not solved; the last one: {why}",
            count=self.count,
            why=self.why,
        )


class TrackingEnded(DeviceError):
    """The mount stopped tracking during the check."""

    code = "drift_tracking_ended"
    advice = say(
        "Check whether the mount reached a limit or another program stopped it; then start again."
    )

    def __str__(self) -> str:
        return say("the mount no longer tracks, or is slewing, during the drift check")


@dataclass(frozen=True, kw_only=True)
class DriftReading(Event):
    """How the check stands."""

    kind: ClassVar[str] = "drift_reading"
    field: int
    fields: int
    elapsed_s: float
    frames: int
    verdict: str
    sigma_arcsec: float
    sentence: str


@dataclass(frozen=True)
class DriftSettings:
    """How the check is made."""

    rule: StopRule = field(default_factory=StopRule)
    noise: DriftNoise = field(default_factory=DriftNoise)
    two_fields: bool = True
    pause_s: float = 2.0
    """Between frames."""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class DriftFieldResult(_Part):
    """One field."""

    name: str
    hour_angle_deg: float = Field(description="at the start, about the true pole")
    declination_deg: float
    altitude_deg: float
    azimuth_deg: float
    frames: int
    span_s: float
    seconds: tuple[float, ...] = Field(description="since the first frame")
    declination_arcsec: tuple[float, ...] = Field(
        description="measured drift of the field's centre, north positive"
    )
    roll_arcsec: tuple[float, ...] = Field(description="measured turn of the camera")
    predicted_declination_arcsec: tuple[float, ...] | None
    predicted_roll_arcsec: tuple[float, ...] | None
    declination_rate_arcsec_per_min: float = Field(description="measured, by a straight line")
    predicted_rate_arcsec_per_min: float | None
    noise_factor: float = Field(description="scatter over the stated noise of a frame, at least 1")
    sigma_across_arcsec: float = Field(
        description="1 sigma of the part of the axis that this field's declination drift shows"
    )


class DriftResult(_Part):
    """The whole check."""

    schema_version: Literal["1"] = "1"
    ok: Literal[True] = True
    software: str
    started_utc: str
    finished_utc: str
    verdict: Literal["agrees", "disagrees", "needs longer", "measured"] = Field(
        description="`measured` when there was no prediction to compare with"
    )
    cause: Literal["axis", "fields", "jump", "bend"] | None = Field(
        description="of a disagreement; with `fields`, `jump` and `bend` no one axis explains what "
        "was seen, and the axis given here is none"
    )
    sentence: str
    p_value: float | None
    d_alt_arcmin: float = Field(description="of the axis by drift; positive: too high")
    sigma_alt_arcmin: float
    d_az_sky_arcmin: float = Field(description="on the sky; positive: too far east")
    sigma_az_sky_arcmin: float
    total_arcmin: float
    total_upper95_arcmin: float | None = Field(
        None, description="what the total does not exceed, 95 %; None in documents of old versions"
    )
    tolerance_arcmin: float | None = Field(None, description="None in documents of old versions")
    sigma_best_arcsec: float = Field(description="1 sigma in the direction known best")
    sigma_worst_arcsec: float
    minus_predicted_alt_arcmin: float | None
    minus_predicted_az_sky_arcmin: float | None
    correlation: float | None = Field(
        None,
        description="of the altitude's and azimuth's uncertainties; None in documents of older "
        "versions",
    )
    sag: SagResult | None = Field(
        None, description="the droop of the tube; None in documents of older versions"
    )
    compared: ComparedSweep | None = Field(
        None,
        description="the sweep that gave the prediction; None without one, when its document does "
        "not tell enough, and in documents of older versions, which teach nothing",
    )
    weather: WeatherResult
    flexure_allowance_arcsec_per_hour: float
    fields: tuple[DriftFieldResult, ...]
    notes: tuple[str, ...]

    @property
    def one_axis(self) -> bool:
        """Whether one axis explains what was seen: nothing jumped, bent, or differed by field."""
        return self.cause in (None, "axis")

    @property
    def within_tolerance(self) -> bool | None:
        """Whether the axis by drift surely is (95 %); None where that is not known."""
        upper, tolerance = self.total_upper95_arcmin, self.tolerance_arcmin
        if upper is None or tolerance is None or not self.one_axis:
            return None
        return upper <= tolerance

    @property
    def exit_code(self) -> ExitCode:
        """How the command ends.

        An axis that was measured before is agreed with or not; the tolerance counts where drift
        alone measured it.
        """
        match self.verdict:
            case "disagrees":
                return ExitCode.AXIS_NOT_TRUSTED
            case "needs longer":
                return ExitCode.UNDECIDED
            case "measured" if self.within_tolerance is False:
                return ExitCode.OUT_OF_TOLERANCE
        return ExitCode.OK


@dataclass(frozen=True, eq=False)
class DriftRun:
    """The check and what is drawn of it."""

    result: DriftResult
    curves: tuple[FieldCurves, ...]


def run_drift(
    rig: Rig,
    predicted: Predicted | None,
    settings: DriftSettings,
    compared: ComparedSweep | None = None,
) -> DriftRun:
    """Look at the fields until the check can decide; the mount goes on as the configuration says.

    Args:
        rig: the rig.
        predicted: the axis to compare with.
        settings: how.
        compared: the sweep that measured it, where that is known; kept with the result.

    Raises:
        PolewrightError: any trouble; the mount has been stopped by then.
        MotionUnknown: as `motion_stopped_on_trouble` says.
    """
    with watched(rig), motion_stopped_on_trouble(rig.telescope, rig.clock, rig.emit):
        started_utc_s = rig.clock.utc_s()
        request = plan_request(rig)
        if request.pointing is None:
            rig.note(say("The mount does not say where it points: the first slew was not checked."))
        fields = choose_fields(request, settings.rule.longest_s, both=settings.two_fields)
        if settings.two_fields and len(fields) == 1:
            rig.note(say("Only one field fits: part of the axis error stays uncertain."))
        rig.note(say("Hands off until the end, and guiding off: corrections would hide the drift."))
        noise = replace(settings.noise, shared=shared_errors_of(rig))
        sag = tube_sag(rig, focal_length_mm(rig))
        tell_tube_sag(rig)
        check = DriftCheck(rig.site, rig.atmosphere, predicted, settings.rule, noise, len(fields))
        ready_mount(rig)
        for number, place in enumerate(fields, start=1):
            _step_back(rig, request, place)
            _watch_field(rig, check, place, number, settings)
            if check.is_done:
                break
        if rig.config.run.afterwards == "stop":
            stop_now(rig.telescope, say("the run is over and the mount does not confirm its stop"))
    return _describe(rig, check, fields, settings, started_utc_s, sag, compared)


def _step_back(rig: Rig, request: PlanRequest, place: DriftField) -> None:
    """Warn of a slew to a field that crosses the meridian, and wait before it."""
    here = replace(request, pointing=pointing_now(rig))
    keep_clear(rig, crosses_meridian=crosses_meridian(here, [place.hour_angle]))


def _watch_field(
    rig: Rig, check: DriftCheck, place: DriftField, number: int, settings: DriftSettings
) -> None:
    total = check.n_fields
    rig.note(
        say(
            "Field {number} of {total}, {place}: azimuth {azimuth:.0f}°, altitude "
            "{altitude:.0f}°, at most {longest_s:.0f} minutes.",
            number=number,
            total=total,
            place=place.name,
            azimuth=place.azimuth / DEG,
            altitude=place.altitude / DEG,
            longest_s=settings.rule.longest_s / 60.0,
        )
    )
    point = Pointing(place.hour_angle, place.declination)
    rig.guards.begin()  # the guards' memory is that of one sweep: a field has no others
    go_to(rig, point, number, total, first=True)
    settle(rig, number, total)
    check.begin_field()
    exposure_s = rig.exposure_s
    check.add(solve_here(rig, point, number, total, exposure_s).plate.attitude)
    begun = told = rig.clock.utc_s()
    failed = 0
    while not check.field_is_done:
        rig.clock.sleep(settings.pause_s, rig.cancel)
        if rig.clock.utc_s() - begun > 1.5 * settings.rule.longest_s + 120.0:
            break  # too few frames solved for the rule to end it
        try:
            attitude, why = _next_attitude(rig, number, total)
        except FirstSolutionFalse as false:  # once a run: two frames agree from here on
            rig.note(say("Starting the field again: {false}.", false=false), warning=True)
            check.drop_frames()
            failed = 0
            continue
        if attitude is None:
            failed += 1
            if failed >= FAILED_IN_A_ROW:
                raise FramesFail(failed, why)
            continue
        failed = 0
        check.add(attitude)
        now = rig.clock.utc_s()
        if check.decision is not None and (check.field_is_done or now - told >= TELL_EVERY_S):
            told = now
            rig.emit(_reading(rig, check, number, now - begun))


def _next_attitude(rig: Rig, number: int, total: int) -> tuple[Attitude | None, str]:
    """Take and solve one frame; None and the reason when it does not solve.

    Raises:
        FirstSolutionFalse: the frame that the field began with was solved falsely.
        TrackingEnded: the mount does not follow the sky any more.
    """
    frame = take_frame(rig, rig.exposure_s, number, total)
    state = rig.telescope.state()
    if state.tracking is False or state.slewing is True:
        raise TrackingEnded
    try:
        stars, _quality = look_at(rig, frame, number)
        mount_icrs = rig.mount_icrs(rig.plates.sky_at(frame.utc_mid_s))
        plate = rig.plates.follow(stars, frame, mount_icrs, rig.cancel, tracking=True)
        tell_focal_length(rig)
    except FirstSolutionFalse:
        raise
    except (SolveError, ImageError) as exc:
        return None, str(exc)
    return plate.attitude, ""


def _reading(rig: Rig, check: DriftCheck, number: int, elapsed_s: float) -> DriftReading:
    decision = check.decision
    assert decision is not None  # noqa: S101 - asked only after the first decision
    return DriftReading(
        utc_s=rig.clock.utc_s(),
        field=number,
        fields=check.n_fields,
        elapsed_s=elapsed_s,
        frames=len(check.frames[-1]),
        verdict=decision.verdict.value,
        sigma_arcsec=decision.sigma_best / ARCSEC,
        sentence=decision.sentence,
    )


def _describe(
    rig: Rig,
    check: DriftCheck,
    fields: Sequence[DriftField],
    settings: DriftSettings,
    started_utc_s: float,
    sag: LearntSag,
    sweep: ComparedSweep | None,
) -> DriftRun:
    decision, measured = check.decision, check.measured
    if decision is None or measured is None:
        raise FramesFail(0, say("no field had enough frames"))
    error = axis_error(
        measured.axis, measured.covariance, rig.site, PoleTarget.TRUE, rig.atmosphere
    )
    curves = _curves(rig, check, measured, fields)
    compared = check.predicted is not None
    spread = error.sigma_alt * error.sigma_az_sky
    seen, freed = (check.with_droop_out(droop) for droop in (0.0, DROOP_TRIED))
    response = droop_response(rig.site, seen, freed, DROOP_TRIED)
    unnamed = not compared and decision.verdict is Verdict.AGREES
    result = DriftResult(
        software=f"polewright {__version__}",
        started_utc=utc_text(started_utc_s),
        finished_utc=utc_text(rig.clock.utc_s()),
        verdict="measured" if unnamed else decision.verdict.value,
        cause=None if decision.cause is None else decision.cause.value,
        sentence=_measured_sentence(error) if unnamed else decision.sentence,
        p_value=decision.p_value,
        d_alt_arcmin=error.d_alt / ARCMIN,
        sigma_alt_arcmin=error.sigma_alt / ARCMIN,
        d_az_sky_arcmin=error.d_az_sky / ARCMIN,
        sigma_az_sky_arcmin=error.sigma_az_sky / ARCMIN,
        total_arcmin=error.total / ARCMIN,
        total_upper95_arcmin=error.total_upper() / ARCMIN,
        tolerance_arcmin=rig.tolerance_arcmin,
        sigma_best_arcsec=decision.sigma_best / ARCSEC,
        sigma_worst_arcsec=decision.sigma_worst / ARCSEC,
        minus_predicted_alt_arcmin=decision.up / ARCMIN if compared else None,
        minus_predicted_az_sky_arcmin=decision.east / ARCMIN if compared else None,
        correlation=float(error.covariance[0, 1]) / spread if spread > 0.0 else 0.0,
        sag=SagResult.of(sag, response),
        compared=sweep,
        weather=WeatherResult.of(rig.weather),
        flexure_allowance_arcsec_per_hour=settings.noise.flexure_rate / ARCSEC * 3600.0,
        fields=tuple(
            _field_result(check, number, fields[number], curve)
            for number, curve in enumerate(curves)
        ),
        notes=(*rig.notes, *_hints(decision, len(curves), len(fields))),
    )
    return DriftRun(result, curves)


def _measured_sentence(error: AxisError) -> str:
    return say(
        "Measured by drift alone: the axis is {d_alt} {high_or_low} and {d_az_sky} too far "
        "{east_or_west} on the sky.",
        d_alt=angle_text(abs(error.d_alt), error.sigma_alt),
        high_or_low=say("too high") if error.d_alt > 0 else say("too low"),
        d_az_sky=angle_text(abs(error.d_az_sky), error.sigma_az_sky),
        east_or_west=say("east") if error.d_az_sky > 0 else say("west"),
    )


def _hints(decision: Decision, looked: int, planned: int) -> list[str]:
    out = []
    if looked == 1 and decision.verdict is not Verdict.DISAGREES:
        out.append(
            say(
                "One field shows one part of the axis error well and the other poorly; the "
                "uncertainties say how poorly."
            )
        )
    if decision.verdict is Verdict.DISAGREES and looked < planned:
        out.append(say("Second field skipped: the first one had already decided."))
    return out


def _curves(
    rig: Rig, check: DriftCheck, measured: DriftAxis, fields: Sequence[DriftField]
) -> tuple[FieldCurves, ...]:
    out = []
    for number, fit in enumerate(measured.fields):
        frames = [check.noise.shared.undrooped(item) for item in check.frames[number]]
        times = [item.utc_s for item in frames]
        start = frames[0].matrix
        predicted = None
        if check.predicted is not None:
            predicted = predicted_drift(
                check.predicted.vector, start, times, rig.site, rig.atmosphere
            )
        out.append(
            FieldCurves(
                name=fields[number].name,
                measured=sky_drift(
                    [item.matrix for item in frames], times, rig.site, rig.atmosphere
                ),
                fitted=predicted_drift(measured.axis, start, times, rig.site, rig.atmosphere),
                predicted=predicted,
                sigma_declination=fit.sigmas[:, 0],
            )
        )
    return tuple(out)


def _field_result(
    check: DriftCheck, number: int, place: DriftField, curves: FieldCurves
) -> DriftFieldResult:
    assert check.measured is not None  # noqa: S101 - the caller has looked
    fit = check.measured.fields[number]
    azimuth, altitude = azalt_from_enu(check.frames[number][0].matrix[:, 2])
    predicted = curves.predicted
    return DriftFieldResult(
        name=place.name,
        hour_angle_deg=place.hour_angle / DEG,
        declination_deg=place.declination / DEG,
        altitude_deg=float(altitude) / DEG,
        azimuth_deg=float(azimuth) / DEG,
        frames=len(fit.seconds),
        span_s=fit.span_s,
        seconds=tuple(float(value) for value in fit.seconds),
        declination_arcsec=_arcsec(curves.measured.declination),
        roll_arcsec=_arcsec(curves.measured.roll),
        predicted_declination_arcsec=None if predicted is None else _arcsec(predicted.declination),
        predicted_roll_arcsec=None if predicted is None else _arcsec(predicted.roll),
        declination_rate_arcsec_per_min=_rate(curves.measured, fit.weights),
        predicted_rate_arcsec_per_min=None if predicted is None else _rate(predicted, fit.weights),
        noise_factor=float(fit.noise_factor[0]),
        sigma_across_arcsec=fit.sigma_across / ARCSEC,
    )


def _arcsec(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float, ...]:
    return tuple(round(float(value) / ARCSEC, 3) for value in values)


def _rate(drift: SkyDrift, weights: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    slope = np.polyfit(drift.seconds / 60.0, drift.declination / ARCSEC, 1, w=np.sqrt(weights))[0]
    return float(slope) if math.isfinite(float(slope)) else 0.0
