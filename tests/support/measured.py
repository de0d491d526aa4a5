"""A finished measurement, for tests of what becomes of it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from polewright.foundation.clock import Clock
from polewright.foundation.config import Config
from polewright.records.history.run_recorder import RunRecorder
from polewright.records.result import MeasurementResult

#: 2026-11-20 21:30 UTC.
NIGHT_S = 1795210200.0

#: A measurement, invented.
RESULT: dict[str, Any] = {
    "software": "test",
    "started_utc": "2026-11-20T21:25:00+00:00",
    "finished_utc": datetime.fromtimestamp(NIGHT_S, UTC).isoformat(),
    "site": {"latitude_deg": 44.0, "longitude_deg": 9.0, "elevation_m": 400.0, "source": "test"},
    "telescope": "t",
    "camera": "c",
    "points": [],
    "axis": {
        "azimuth_deg": 0.0,
        "altitude_deg": 44.0,
        "pole": "true",
        "d_alt_arcmin": -0.3,
        "sigma_alt_arcmin": 0.05,
        "d_az_sky_arcmin": 0.4,
        "sigma_az_sky_arcmin": 0.06,
        "d_az_base_arcmin": 0.56,
        "correlation": 0.0,
        "total_arcmin": 0.5,
        "sigma_total_arcmin": 0.055,
        "total_upper95_arcmin": 0.6,
        "chi2": 3.0,
        "dof": 3,
        "p_value": 0.39,
        "trusted": True,
    },
    "tolerance_arcmin": 1.0,
    "within_tolerance": True,
    "advice": [],
    "notes": [],
}


def record_measurement(result: MeasurementResult, config: Config, clock: Clock) -> str | None:
    """Record one finished measurement; return a sentence when that did not go as it should."""
    recorder = RunRecorder(config, clock, "measure")
    recorder.measured(result)
    return recorder.finish(recorder.verdict)
