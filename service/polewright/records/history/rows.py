"""A run's document taken apart into the rows of the tables."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from polewright.records.history.run_record import RunRecord
from polewright.records.result import AxisResult


def utc_s_of(text: str) -> float:
    """Unix seconds of an ISO 8601 text with its zone."""
    return datetime.fromisoformat(text).timestamp()


def run_row(record: RunRecord) -> dict[str, Any]:
    """Return the row of ``runs``."""
    result = record.sweeps[-1].result if record.sweeps else record.passive
    named = {item.device: item.name for item in record.devices}
    return {
        "run_id": record.run_id,
        "pier": record.pier,
        "kind": record.kind,
        "rehearsal": record.rehearsal,
        "started_utc_s": record.started_utc_s,
        "finished_utc_s": record.finished_utc_s,
        "outcome": record.outcome,
        "adjusted_after": record.adjusted_after,
        "telescope": (result.telescope if result else named.get("telescope", ""))[:200],
        "camera": (result.camera if result else named.get("camera", ""))[:200],
        "latitude_deg": result.site.latitude_deg if result else None,
        "longitude_deg": result.site.longitude_deg if result else None,
        "software": record.versions.get("polewright", "")[:100],
        "document": record.model_dump(mode="json"),
    }


def measurement_rows(record: RunRecord) -> list[dict[str, Any]]:
    """Return the rows of ``measurements``: of each sweep, or of a night's frames."""
    rows = [
        {
            "run_id": record.run_id,
            "number": number,
            "utc_s": utc_s_of(sweep.result.finished_utc),
            **_axis_columns(sweep.result.axis),
            "points": len(sweep.result.points),
            "tolerance_arcmin": sweep.result.tolerance_arcmin,
            "within_tolerance": sweep.result.within_tolerance,
            "predicted_sigma_arcsec": sweep.plan.predicted_sigma_arcsec if sweep.plan else None,
        }
        for number, sweep in enumerate(record.sweeps, start=1)
    ]
    passive = record.passive
    if passive is not None and passive.axis is not None:
        # The frames tell the axis as it was in the middle of them.
        times = (utc_s_of(passive.started_utc), utc_s_of(passive.finished_utc))
        rows.append(
            {
                "run_id": record.run_id,
                "number": 1,
                "utc_s": 0.5 * sum(times),
                **_axis_columns(passive.axis),
                "points": passive.frames,
                "tolerance_arcmin": passive.tolerance_arcmin,
                "within_tolerance": passive.within_tolerance,
                "predicted_sigma_arcsec": None,
            }
        )
    return rows


def _axis_columns(axis: AxisResult) -> dict[str, Any]:
    return {
        "pole": axis.pole,
        "axis_azimuth_deg": axis.azimuth_deg,
        "axis_altitude_deg": axis.altitude_deg,
        "d_alt_arcmin": axis.d_alt_arcmin,
        "d_az_sky_arcmin": axis.d_az_sky_arcmin,
        "total_arcmin": axis.total_arcmin,
        "upper95_arcmin": axis.total_upper95_arcmin,
        "var_alt_arcmin2": axis.sigma_alt_arcmin**2,
        "var_az_sky_arcmin2": axis.sigma_az_sky_arcmin**2,
        "cov_az_alt_arcmin2": (axis.correlation * axis.sigma_alt_arcmin * axis.sigma_az_sky_arcmin),
        "chi2": axis.chi2,
        "dof": axis.dof,
        "p_value": axis.p_value,
    }


def solve_rows(record: RunRecord) -> list[dict[str, Any]]:
    """Return the rows of ``solves``."""
    same = (
        "number", "ra_deg", "dec_deg", "azimuth_deg", "altitude_deg", "exposure_s", "star_count",
        "matched", "rms_arcsec", "scale_arcsec_per_px", "sigma_pointing_arcsec",
        "sigma_roll_arcsec", "solver", "solve_s",
    )  # fmt: skip
    return [
        {
            "run_id": record.run_id,
            "sweep": sweep_number,
            "utc_s": utc_s_of(point.utc),
            **{name: getattr(point, name) for name in same},
        }
        for sweep_number, sweep in enumerate(record.sweeps, start=1)
        for point in sweep.result.points
    ]


def reading_rows(record: RunRecord) -> list[dict[str, Any]]:
    """Return the rows of ``readings``."""
    return [
        {
            "run_id": record.run_id,
            "number": number,
            "utc_s": reading.utc_s,
            "state": reading.state[:20],
            "d_alt_arcmin": reading.d_alt_arcmin,
            "d_az_sky_arcmin": reading.d_az_sky_arcmin,
            "action": reading.action[:40],
        }
        for number, reading in enumerate(record.readings, start=1)
    ]
