"""One run as one document: what is stored, exported and carried between machines."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from polewright.records.passive_result import PassiveResult
from polewright.records.result import MeasurementResult

Kind = Literal["measure", "align", "startup", "drift", "passive"]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class DeviceUsed(_Part):
    """A device of the run."""

    device: str
    name: str
    address: str
    interface_version: int


class PlannedSweep(_Part):
    """A sweep as it was planned."""

    hour_angles_deg: tuple[float, ...]
    declination_deg: float
    altitudes_deg: tuple[float, ...]
    azimuths_deg: tuple[float, ...]
    predicted_sigma_arcsec: float | None = None


class Sweep(_Part):
    """A sweep that came to a result, and its plan."""

    plan: PlannedSweep | None = None
    result: MeasurementResult


class AxisReading(_Part):
    """Where the axis was while it was adjusted. Signs: + too high, + too far east."""

    utc_s: float
    state: str
    d_alt_arcmin: float
    d_az_sky_arcmin: float
    sigma_alt_arcmin: float
    sigma_az_sky_arcmin: float
    action: str
    sentence: str
    after_sweep: int = Field(description="how many sweeps had been measured by then")


class FrameKept(_Part):
    """A frame of the last sweep, small and stretched, to look at."""

    jpeg_base64: str
    exposure_s: float
    star_count: int


class RunFailure(_Part):
    """Why a run ended early."""

    code: str
    message: str
    advice: str


class RunRecord(_Part):
    """A whole run."""

    schema_version: Literal["1"] = "1"
    run_id: str = Field(min_length=8, max_length=64, pattern=r"^[0-9A-Za-z_-]+$")
    pier: str
    kind: Kind
    rehearsal: bool = Field(False, description="whether the run's clock was a simulated one")
    session_id: str | None = None
    started_utc_s: float
    finished_utc_s: float
    outcome: int = Field(description="exit code of the run")
    sweeps: tuple[Sweep, ...] = ()
    readings: tuple[AxisReading, ...] = ()
    drifts: tuple[dict[str, Any], ...] = Field((), description="results of drift checks")
    passive: PassiveResult | None = Field(
        None, description="what a night's frames of tracked targets tell; kind passive only"
    )
    devices: tuple[DeviceUsed, ...] = ()
    notes: tuple[str, ...] = ()
    frame: FrameKept | None = Field(None, description="the first frame of the last sweep")
    failure: RunFailure | None = None
    versions: dict[str, str] = Field(default_factory=dict)
    config: dict[str, Any] = Field(default_factory=dict)

    @property
    def adjusted_after(self) -> bool:
        """Whether the axis was followed, and so perhaps moved, after the last measurement."""
        return any(reading.after_sweep >= len(self.sweeps) for reading in self.readings)
