"""The sky chart of a finished measurement, drawn by the planner's own chart."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import numpy as np

from polewright.calculation.figures import with_themes
from polewright.calculation.planning.chart import sky_chart
from polewright.calculation.planning.horizon import Horizon
from polewright.calculation.planning.request import PlanPoint, PlanRequest, SweepPlan
from polewright.calculation.planning.uncertainty import AttitudeNoise, predict
from polewright.calculation.sky.frame import hour_angle_dec
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, enu_from_azalt
from polewright.foundation.config import Config
from polewright.foundation.errors import PolewrightError
from polewright.observing.plan.plan_from_config import horizon_of, limits_of
from polewright.records.history.rows import utc_s_of
from polewright.records.result import MeasurementResult

#: Of the chart's 720 points.
CHART_HEIGHT = 622


def config_of(recorded: dict[str, Any]) -> Config:
    """Read a run's configuration as far as this version understands it; else the defaults."""
    try:
        return Config.model_validate(recorded)
    except ValueError:
        return Config()


def sky_chart_svg(result: MeasurementResult, config: Config) -> str:
    """Draw where the points stood, with the skyline that the configuration names if it is there."""
    site = Site(result.site.latitude_deg, result.site.longitude_deg, result.site.elevation_m)
    try:
        horizon = horizon_of(config)
    except PolewrightError:
        horizon = Horizon()
    mount, sky = limits_of(config)
    request = PlanRequest(
        site=site,
        utc_s=utc_s_of(result.started_utc),
        noise=AttitudeNoise(
            pixel_scale=result.points[0].scale_arcsec_per_px * ARCSEC, width_px=2000, height_px=1500
        ),
        horizon=horizon,
        mount=mount,
        sky=sky,
        pointing_margin_deg=config.limits.pointing_margin_deg,
    )
    data = with_themes(sky_chart(request, [_plan_of(result, site)]).decode())
    data = re.sub(r"^.*?(?=<svg)", "", data, count=1, flags=re.DOTALL)
    # What stands below the legend compares plans; here there is one sweep, and it was made.
    return re.sub(
        r'(<svg [^>]*?)width="[^"]*" height="[^"]*" viewBox="0 0 576 720"',
        rf'\1viewBox="0 0 576 {CHART_HEIGHT}"',
        data,
        count=1,
        flags=re.DOTALL,
    )


def _plan_of(result: MeasurementResult, site: Site) -> SweepPlan:
    """The sweep as it was made, in the shape that the chart draws."""
    enu = enu_from_azalt(
        np.array([point.azimuth_deg for point in result.points]) * DEG,
        np.array([point.altitude_deg for point in result.points]) * DEG,
    )
    hours, declinations = hour_angle_dec(site, enu)
    hours = np.unwrap(hours)
    declination = float(np.mean(declinations))
    times = [utc_s_of(point.utc) for point in result.points]
    sigmas = (
        np.array([[p.sigma_pointing_arcsec, p.sigma_roll_arcsec] for p in result.points]) * ARCSEC
    )
    started, ended = utc_s_of(result.started_utc), utc_s_of(result.finished_utc)
    axis = result.axis
    prediction = replace(  # what was measured, as the report's other figures tell it
        predict(site, hours, declination, sigmas),
        sigma=math.hypot(axis.sigma_alt_arcmin, axis.sigma_az_sky_arcmin) * ARCMIN,
        sigma_altitude=axis.sigma_alt_arcmin * ARCMIN,
        sigma_azimuth_sky=axis.sigma_az_sky_arcmin * ARCMIN,
    )
    return SweepPlan(
        points=tuple(
            PlanPoint(
                hour_angle=float(hours[i]),
                declination=declination,
                enu=enu[i],
                arrive_utc_s=times[i],
                leave_utc_s=times[i],
                right_ascension=result.points[i].ra_deg * DEG,
                sigma_boresight=float(sigmas[i, 0]),
                sigma_roll=float(sigmas[i, 1]),
                stars=float(result.points[i].star_count),
            )
            for i in range(len(times))
        ),
        step=float(round(abs(hours[-1] - hours[0]) / (len(hours) - 1) / DEG, 1)) * DEG,
        direction=1 if hours[-1] > hours[0] else -1,
        prediction=prediction,
        best_open_sigma=prediction.sigma,
        duration_s=ended - started,
        start_utc_s=started,
        clearance=0.0,
        sun_separation=0.0,
        sun_counts=False,
        moon_separation=0.0,
        moon_fraction=0.0,
        moon_up=False,
        moon_weight=0.0,
        adjusting_time_s=0.0,
    )
