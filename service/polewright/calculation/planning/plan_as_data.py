"""A plan as plain data, for JSON and tables. Degrees, arcseconds, seconds and UTC."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

from polewright.calculation.planning.request import SweepPlan
from polewright.foundation.angles import ARCSEC, DEG, HOUR


def plan_data(plan: SweepPlan) -> dict[str, Any]:
    """Return numbers and texts only; what is unknown is None, never NaN."""
    return {
        "side": plan.side,
        "direction": "west" if plan.direction > 0 else "east",
        "step_deg": round(plan.step / DEG, 6),
        "declination_deg": round(plan.declination / DEG, 6),
        "points": [
            {
                "hour_angle_deg": round(point.hour_angle / DEG, 6),
                "right_ascension_of_date_hours": round(point.right_ascension / HOUR, 6),
                "azimuth_deg": round(point.azimuth / DEG, 3),
                "altitude_deg": round(point.altitude / DEG, 3),
                "arrive_utc": utc_text(point.arrive_utc_s),
                "leave_utc": utc_text(point.leave_utc_s),
                "sigma_boresight_arcsec": round(point.sigma_boresight / ARCSEC, 3),
                "sigma_roll_arcsec": round(point.sigma_roll / ARCSEC, 3),
                "stars": point.stars,
            }
            for point in plan.points
        ],
        "sigma_arcsec": round(plan.sigma / ARCSEC, 3),
        "sigma_altitude_arcsec": round(plan.prediction.sigma_altitude / ARCSEC, 3),
        "sigma_azimuth_on_sky_arcsec": round(plan.prediction.sigma_azimuth_sky / ARCSEC, 3),
        "cost_arcsec": round(plan.cost / ARCSEC, 3),
        "cost": plan.cost_sentence,
        "duration_s": round(plan.duration_s, 1),
        "start_utc": utc_text(plan.start_utc_s),
        "clearance_left_deg": round(plan.clearance / DEG, 2)
        if math.isfinite(plan.clearance)
        else None,
        "sun_counts": plan.sun_counts,
        "sun_separation_deg": round(plan.sun_separation / DEG, 2),
        "moon_up": plan.moon_up,
        "moon_illuminated": round(plan.moon_fraction, 3),
        "moon_separation_deg": round(plan.moon_separation / DEG, 2),
        "adjusting_time_s": plan.adjusting_time_s,
        "warnings": list(plan.warnings),
    }


def utc_text(utc_s: float) -> str:
    """ISO 8601 with a Z, whole seconds."""
    return datetime.fromtimestamp(round(utc_s), tz=UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
