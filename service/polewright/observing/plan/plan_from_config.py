"""From a configuration to the points of a sweep: planned here, or the user's own, judged."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from polewright.calculation.geometry.shared_errors import SharedErrors
from polewright.calculation.planning.errors import NoSweepFits
from polewright.calculation.planning.feasibility import CROSSES, Outlook, evaluate
from polewright.calculation.planning.horizon import Horizon
from polewright.calculation.planning.horizon_text import parse_horizon
from polewright.calculation.planning.limits import MountLimits, SkyLimits
from polewright.calculation.planning.planner import ADJUSTING_LEAST_S
from polewright.calculation.planning.pointing import pointing_from_mount
from polewright.calculation.planning.request import PlanRequest, Pointing, SweepPlan, SweepWish
from polewright.calculation.planning.slew_paths import AxisMotion, Timing
from polewright.calculation.planning.uncertainty import AttitudeNoise
from polewright.calculation.sky.mount_coordinates import mount_from_of_date, of_date_at
from polewright.calculation.sky.site import Site
from polewright.calculation.sky.weather import Weather
from polewright.devices.alpaca.errors import AlpacaError
from polewright.foundation.angles import ARCSEC, DEG, fold_pi
from polewright.foundation.config import Config
from polewright.foundation.errors import ConfigError, in_words
from polewright.foundation.language import say
from polewright.observing.plan.frame_noise import frame_noise
from polewright.observing.plan.rig_errors import shared_errors_of
from polewright.observing.plan.star_coverage import (
    doubts,
    judged,
    plans_for,
    stars_wanted,
    with_stars,
)
from polewright.observing.rig.rig import Rig
from polewright.records.events import SweepPlanned
from polewright.solving.errors import FieldTooNarrow

#: Pixel scale and frame assumed for planning when nothing is known of the optics.
UNKNOWN_SCALE = 2.0 * DEG / 3600.0
#: A sweep may be so many times less sure than the best if the mount need not cross the meridian
#: for it between sweeps (own choice).
WORTH_STAYING = 3.0
#: A sweep may be so many times less sure than the one that was searched for if it begins where the
#: mount stands, which saves the slew back to a start (own choice).
WORTH_STANDING = 1.25
#: The declination axis has not moved while the mount's word for it differs by less, rad (own
#: choice: some roundings of a mount).
SAME_DECLINATION = 5.0 * ARCSEC


class HorizonFileMissing(ConfigError):
    """The horizon file cannot be read."""

    code = "horizon_file_missing"
    advice = say("Correct [horizon] file, or make one with `polewright horizon`.")

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return say(
            "the horizon file {path} cannot be read: {reason}", path=self.path, reason=self.reason
        )


class HalfAStart(ConfigError):
    """A sweep's start is given by one angle only."""

    code = "half_a_start"
    advice = say(
        "Give both [sweep] start_azimuth_deg and start_altitude_deg, or none to have it planned."
    )

    def __init__(self, missing: str) -> None:
        super().__init__(missing)
        self.missing = missing

    def __str__(self) -> str:
        return say(
            "the start of the sweep is half given: [sweep] {missing} is missing",
            missing=self.missing,
        )


def horizon_of(config: Config) -> Horizon:
    """Read the horizon that the configuration names; an open one when it names none.

    Raises:
        HorizonFileMissing: there is no such file.
        HorizonUnreadable: lines are wrong; says which and why.
    """
    section = config.horizon
    if section.file is None:
        return parse_horizon(["0 0"], clearance_deg=section.clearance_deg)
    try:
        lines = Path(section.file).expanduser().read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as exc:
        raise HorizonFileMissing(section.file, in_words(exc)) from exc
    return parse_horizon(lines, clearance_deg=section.clearance_deg, source=str(section.file))


def limits_of(config: Config) -> tuple[MountLimits, SkyLimits]:
    """Return the limits that the configuration sets."""
    limits, sweep = config.limits, config.sweep
    return (
        MountLimits(
            altitude_min_deg=limits.mount_altitude_min_deg,
            altitude_max_deg=limits.mount_altitude_max_deg,
            hour_angle_min_deg=limits.hour_angle_min_deg,
            hour_angle_max_deg=limits.hour_angle_max_deg,
            meridian_buffer_deg=sweep.meridian_buffer_deg,
        ),
        SkyLimits(
            altitude_min_deg=sweep.min_altitude_deg,
            sun_avoid_deg=limits.sun_avoid_deg,
        ),
    )


def request_for(
    config: Config,
    site: Site,
    weather: Weather,
    utc_s: float,
    noise: AttitudeNoise,
    shared: SharedErrors,
) -> PlanRequest:
    """Put together what the configuration says about where a sweep fits.

    Raises:
        ConfigError: the horizon file or a limit is wrong.
    """
    limits, sweep = config.limits, config.sweep
    mount, sky = limits_of(config)
    return PlanRequest(
        site=site,
        utc_s=utc_s,
        atmosphere=weather.air,
        noise=noise,
        shared=shared,
        horizon=horizon_of(config),
        mount=mount,
        sky=sky,
        timing=Timing(
            slew=AxisMotion(rate_deg_s=limits.slew_deg_per_s),
            settle_s=sweep.settle_s,
            exposure_s=sweep.exposure_s,
        ),
        n_points=sweep.points,
        max_points=max(sweep.points, 6),
        step=sweep.step_deg * DEG,
        pointing_margin_deg=limits.pointing_margin_deg,
    )


def noise_of(
    floor_arcsec: float, scale: float | None, width_px: int, height_px: int
) -> AttitudeNoise:
    """Return the expected noise of a solve; ``scale`` in rad per pixel, None if unknown."""
    return AttitudeNoise(
        pixel_scale=scale or UNKNOWN_SCALE,
        width_px=width_px,
        height_px=height_px,
        boresight_floor_arcsec=floor_arcsec,
        roll_floor_arcsec=floor_arcsec,
    )


def plan_request(rig: Rig) -> PlanRequest:
    """Put together what decides where a sweep fits, for this rig and this moment."""
    config = rig.config
    info = rig.camera.info()
    binning = config.camera.binning
    floor_arcsec = frame_noise(rig).floor / ARCSEC
    noise = noise_of(floor_arcsec, rig.plates.scale, info.width // binning, info.height // binning)
    request = request_for(
        config, rig.site, rig.weather, rig.clock.utc_s(), noise, shared_errors_of(rig)
    )
    if rig.plates.scale is not None:
        request = with_stars(request, rig.plates.solver)
    if rig.plates.driver_alone_tells:  # no reason to refuse a field: few stars are told as a doubt
        request = replace(request, min_stars=0)
    return replace(
        request,
        timing=replace(request.timing, exposure_s=rig.exposure_s),
        pointing=pointing_now(rig),
        destination_side=lambda ha, dec: destination_side(rig, ha, dec),
    )


def pointing_now(rig: Rig) -> Pointing | None:
    """Return where the mount says it points; None when it does not tell."""
    try:
        pointing = pointing_from_mount(
            rig.sky_now(),
            rig.equatorial_system,
            rig.telescope.right_ascension_hours(),
            rig.telescope.declination_deg(),
        )
        return rig.sides.told(pointing, rig.telescope.side_of_pier())
    except AlpacaError:
        return None


def destination_side(rig: Rig, hour_angle: float, declination: float) -> object | None:
    """Ask the mount which pointing state a slew would end in; None when it does not tell."""
    sky = rig.sky_now()
    of_date = of_date_at(sky, hour_angle, declination)
    try:
        return rig.telescope.destination_side_of_pier(
            *mount_from_of_date(sky, rig.equatorial_system, of_date)
        )
    except AlpacaError:
        return None


def own_wish(config: Config, site: Site) -> SweepWish | None:
    """Return the sweep the configuration asks for; None when it leaves that to the planner.

    Raises:
        HalfAStart: only one of azimuth and altitude is given.
    """
    section = config.sweep
    azimuth, altitude = section.start_azimuth_deg, section.start_altitude_deg
    if azimuth is None and altitude is None:
        return None
    if azimuth is None or altitude is None:
        raise HalfAStart("start_azimuth_deg" if azimuth is None else "start_altitude_deg")
    return SweepWish.from_azalt(
        site,
        azimuth * DEG,
        altitude * DEG,
        section.step_deg * DEG,
        section.points,
        {"east": -1, "west": 1, "away": None}[section.direction],
    )


@dataclass(frozen=True)
class Circle:
    """The declination circle on which a sweep has ended and the mount still stands, at rest."""

    searched: SweepPlan
    """The last sweep that was searched for in the whole sky."""
    declination: float
    """What the mount was told, of date, rad."""
    told_declination: float
    """What the mount said there, of date, rad."""


def planned_sweep(
    rig: Rig,
    *,
    again: bool = False,
    quiet: bool = False,
    circle: Circle | None = None,
    at_utc_s: float | None = None,
) -> SweepPlan:
    """Judge the user's own sweep, or find the best one; tell it to whoever listens.

    Args:
        rig: the rig.
        again: whether this follows another sweep of the session: then the mount stays on its
            side of the meridian where a sweep fits that is worth it, since hands may be near.
        quiet: tell nobody.
        circle: where the mount stands after the sweep before; a sweep that begins there is taken
            if it is nearly as good.
        at_utc_s: when it would begin, Unix seconds UTC; None: now. The first slew is checked for
            now only: where the mount will point then is not known.

    Raises:
        PlanRefused: the user's sweep breaks a limit; says which one, where, and what would not.
        NoSweepFits: nothing fits.
        FieldTooNarrow: the catalogue has too few stars for the field.
    """
    wish = own_wish(rig.config, rig.site)
    request = plan_request(rig)
    if at_utc_s is not None:
        request = replace(request, utc_s=at_utc_s, pointing=None, destination_side=None)
    solver = rig.plates.solver
    if wish is not None:
        plan = judged(request, wish, solver)
    elif circle is not None and (here := sweep_from_here(request, circle)) is not None:
        plan = here
    else:
        plan = _stays(request, solver) if again else plans_for(request, solver)[0]
    if quiet:
        return plan
    for sentence in doubts(request, [plan]):
        rig.note(sentence, warning=True)
    tell_plan(rig, request, plan)
    return plan


def sweep_from_here(request: PlanRequest, circle: Circle) -> SweepPlan | None:
    """Return a sweep whose first point is where the mount stands, back or onward on its circle.

    Of two the one that ends where both adjusters are seen, else the surer one. None where none
    keeps all limits on this side of the meridian, none is nearly as sure as the sweep that was
    searched for, or the declination axis has moved since.
    """
    stands, searched = request.pointing, circle.searched
    if stands is None or abs(stands.declination - circle.told_declination) > SAME_DECLINATION:
        return None
    outlook = Outlook(replace(request, min_stars=stars_wanted(request, searched)))
    steps, found = len(searched.points), []
    for direction in (-1, 1):
        _, plan = evaluate(
            outlook,
            fold_pi(stands.hour_angle),
            circle.declination,
            direction * searched.step,
            steps,
            searched.best_open_sigma,
            all_reasons=False,
        )
        if (
            plan is not None
            and not plan.crosses_meridian
            and plan.adjusting_time_s >= ADJUSTING_LEAST_S
            and plan.moonlit_sigma <= WORTH_STANDING * searched.moonlit_sigma
        ):
            duration_s = request.timing.sweep_seconds(plan.step, steps)
            found.append(replace(plan, begins_here=True, duration_s=duration_s))
    return min(found, key=lambda plan: (plan.hides_adjuster, plan.moonlit_sigma), default=None)


def _stays(request: PlanRequest, solver: object) -> SweepPlan:
    """Return the best sweep on this side of the meridian, or the best of all if that is far better.

    Raises as `plans_for`.
    """
    try:
        plan = plans_for(replace(request, stay=True), solver)[0]
    except (NoSweepFits, FieldTooNarrow):
        return plans_for(request, solver)[0]
    if plan.sigma <= WORTH_STAYING * plan.best_open_sigma:
        return plan
    free = plans_for(request, solver)[0]
    return plan if plan.sigma <= WORTH_STAYING * free.sigma else free


def tell_plan(rig: Rig, request: PlanRequest, plan: SweepPlan) -> None:
    """Tell a sweep that is about to be made to whoever listens."""
    for sentence in plan.warnings:
        if sentence != CROSSES:  # told as it is about to happen
            rig.note(sentence, warning=True)
    if rig.on_plan is not None:
        rig.on_plan(request, plan)
    rig.emit(
        SweepPlanned(
            utc_s=rig.clock.utc_s(),
            hour_angles_deg=tuple(point.hour_angle / DEG for point in plan.points),
            declination_deg=plan.declination / DEG,
            altitudes_deg=tuple(point.altitude / DEG for point in plan.points),
            azimuths_deg=tuple(point.azimuth / DEG for point in plan.points),
            predicted_sigma_arcsec=plan.sigma / DEG * 3600.0,
            crosses_meridian=plan.crosses_meridian,
        )
    )


def planned_points(rig: Rig) -> list[Pointing]:
    """Return the points of `planned_sweep`."""
    return sweep_points(planned_sweep(rig))


def sweep_points(plan: SweepPlan) -> list[Pointing]:
    """Return what a run needs of a plan."""
    return [Pointing(item.hour_angle, item.declination) for item in plan.points]
