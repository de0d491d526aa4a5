"""Planning without any device: tonight's sweep from the configuration alone."""

from __future__ import annotations

from polewright.calculation.planning.planner import judge_sweep, plan_sweep
from polewright.calculation.planning.request import PlanRequest, SweepPlan, SweepWish
from polewright.foundation.config import Config
from polewright.foundation.language import joined, say
from polewright.observing.plan.plan_from_config import noise_of, request_for
from polewright.observing.plan.rig_errors import shared_errors
from polewright.observing.plan.star_coverage import doubts, judged, plans_for, with_stars
from polewright.observing.rig.mount_site import own_zone_s, zone_against_site
from polewright.observing.rig.rig import nominal_scale
from polewright.observing.rig.site_and_weather import site_given, weather_of
from polewright.observing.runs.connect import configured_solver
from polewright.solving.base import Solver
from polewright.solving.errors import FieldTooNarrow

#: Frame assumed while no camera is asked: plausible, invented.
FRAME_PX = (4000, 3000)
PIXEL_UM = 4.0


def offline_request(config: Config, utc_s: float) -> tuple[PlanRequest, tuple[str, ...]]:
    """Return what decides where a sweep fits, and what had to be assumed for it.

    Raises:
        SiteUnknown: the configuration has no site.
        ConfigError: the horizon file or a limit is wrong.
    """
    site = site_given(config)
    weather = weather_of(config, site, utc_s)
    binning = config.camera.binning
    width, height = (side // binning for side in FRAME_PX)
    pixel_um = (config.optics.pixel_um or PIXEL_UM) * binning
    scale = nominal_scale(config.optics.focal_length_mm, pixel_um)
    missing = [say("a frame of {width} x {height} pixels", width=width, height=height)]
    if config.optics.pixel_um is None:
        missing.append(say("pixels of {pixel_um:g} micrometres", pixel_um=PIXEL_UM))
    if config.optics.focal_length_mm is None:
        missing[1:] = [say("2 arcsec per pixel")]
    notes = (
        say(
            "Assumed, since no camera was asked: {missing}. The predicted uncertainty "
            "depends on it; `--connect` asks the devices.",
            missing=joined(say(" and "), missing),
        ),
        say("Air, for refraction: {source}.", source=weather.source),
        *weather.warnings,
        *filter(None, (zone_against_site(site, own_zone_s()),)),
        *config.notes,
    )
    noise = noise_of(config.sweep.frame_floor_arcsec, scale, width, height)
    shared = shared_errors(config, weather, config.optics.focal_length_mm)
    return request_for(config, site, weather, utc_s, noise, shared), notes


def offline_solver(config: Config) -> Solver | None:
    """Return the configured solver if its catalogue can be asked about fields of known size.

    Raises:
        ConfigError: its options or its add-on catalogue are not usable.
    """
    if config.solver.name != "embedded" or config.optics.focal_length_mm is None:
        return None
    return configured_solver(config)


def offline_plans(
    request: PlanRequest, wish: SweepWish | None, solver: Solver | None, *, assumed: bool = True
) -> tuple[list[SweepPlan], tuple[str, ...]]:
    """Return plans, and what is to be told about the stars in a frame.

    Args:
        request: where a sweep fits.
        wish: a person's own sweep, or None to have it planned.
        solver: whose catalogue counts; None: the stars are not counted.
        assumed: whether the frame's size is only assumed. Then it is no reason to refuse: too
            few stars are told beside the plan.

    Raises:
        FieldTooNarrow: the catalogue has too few stars for the camera's frame.
        PlanError: nothing fits, or the wish breaks a limit.
    """
    counted = with_stars(request, solver)
    try:
        plans = plans_for(counted, solver) if wish is None else [judged(counted, wish, solver)]
    except FieldTooNarrow as narrow:
        if not assumed:
            raise
        plans = plan_sweep(request) if wish is None else [judge_sweep(request, wish)]
        return plans, (
            say("With these assumptions, {narrow}. {advice}", narrow=narrow, advice=narrow.advice),
        )
    return plans, doubts(counted, plans)
