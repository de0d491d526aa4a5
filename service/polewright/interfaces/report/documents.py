"""What the commands print with ``--json``, as models: only their schemas are made from them."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from polewright.calculation.drift.bestpole import TargetSpan
from polewright.calculation.preset.nights import PresetNight
from polewright.calculation.preset.proposal import Preset
from polewright.calculation.tolerance.imaging import Imaging, Target
from polewright.interfaces.rig_setup.optics import FoundOptics
from polewright.observing.runs.startup import StartupStep
from polewright.records.passive_result import PassiveResult
from polewright.records.result import MeasurementResult
from polewright.session.snapshot import Failure, SessionSnapshot
from polewright.solving.catalogue.addon import AddOnHeader


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class _Document(_Part):
    schema_version: Literal["1"]
    ok: Literal[True]


class ErrorTold(_Part):
    """What went wrong."""

    code: str = Field(description="never changes for one kind of trouble")
    message: str
    likely: str = Field("", description="why, most likely; empty where nothing is known")
    advice: str
    details: tuple[str, ...] = ()
    exit_code: int
    fields: dict[str, Any] = Field({}, description="the figures of the message, by name")


class ErrorDocument(_Part):
    """What every command prints instead of its own document when it fails."""

    schema_version: Literal["1"]
    ok: Literal[False]
    error: ErrorTold


class DeviceFound(_Part):
    """A device on the network."""

    host: str
    port: int
    type: str
    number: int
    name: str
    unique_id: str


class DevicesDocument(_Document):
    """`polewright devices --json`."""

    devices: tuple[DeviceFound, ...]


class AlignDocument(_Part):
    """`polewright align --json`, and `adjust --json` without --attach."""

    schema_version: Literal["1"]
    ok: bool
    exit_code: int
    confirmed: bool = Field(description="whether a sweep confirmed the axis")
    journal: str
    session: SessionSnapshot
    error: Failure | None = None


class AttachedDocument(_Document):
    """`polewright adjust --attach --json`."""

    session: SessionSnapshot


class StartupDocument(_Part):
    """`polewright startup --json`; ``error`` where it failed."""

    schema_version: Literal["1"]
    ok: bool
    exit_code: int
    afterwards: Literal["park", "track", "stop", "stopped", "untouched", "unknown"] = Field(
        description="how the mount was left"
    )
    steps: tuple[StartupStep, ...]
    measurement: MeasurementResult | None
    error: ErrorTold | None = None


class ServeDocument(_Document):
    """`polewright serve --json`, printed when it listens."""

    url: str
    links: tuple[str, ...]
    alpaca_port: int | None


class HorizonLine(_Part):
    """A line that was not understood."""

    line: int
    reason: str
    text: str


class HorizonDocument(_Part):
    """`polewright horizon --json`."""

    schema_version: Literal["1"]
    ok: bool
    azimuth_deg: tuple[float, ...]
    altitude_deg: tuple[float, ...]
    overhang_deg: tuple[float, ...] | None
    clearance_deg: float
    minimum_altitude_deg: float
    open_fraction: float
    open_square_deg: float
    highest_obstacle_deg: float
    highest_obstacle_azimuth_deg: float
    widest_open_from_deg: float | None
    widest_open_deg: float | None
    rejected: tuple[HorizonLine, ...]
    file: str | None


class PlanSite(_Part):
    """Where."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float


class PlanPoint(_Part):
    """One point of a sweep."""

    hour_angle_deg: float
    right_ascension_of_date_hours: float
    azimuth_deg: float
    altitude_deg: float
    arrive_utc: str
    leave_utc: str
    sigma_boresight_arcsec: float
    sigma_roll_arcsec: float
    stars: float | None = Field(description="expected in a frame; null: not counted")


class Plan(_Part):
    """One sweep that fits."""

    side: str
    direction: Literal["east", "west"]
    step_deg: float
    declination_deg: float
    points: tuple[PlanPoint, ...]
    sigma_arcsec: float
    sigma_altitude_arcsec: float
    sigma_azimuth_on_sky_arcsec: float
    cost_arcsec: float
    cost: str
    duration_s: float
    start_utc: str
    clearance_left_deg: float | None
    sun_counts: bool
    sun_separation_deg: float
    moon_up: bool
    moon_illuminated: float
    moon_separation_deg: float
    adjusting_time_s: float | None
    warnings: tuple[str, ...]


class PlanDocument(_Document):
    """`polewright plan --json`, best first."""

    at_utc: str
    at_local: str
    site: PlanSite
    open_sky_fraction: float
    plans: tuple[Plan, ...]
    notes: tuple[str, ...]


class ToleranceAir(_Part):
    """What refraction alone does."""

    weather: str
    trail_px: float
    hour_angle_hours: float
    best_axis_alt_arcmin: float
    best_axis_az_sky_arcmin: float
    best_axis_trail_px: float


class ToleranceCost(_Part):
    """What the axis error that was given costs."""

    alt_arcmin: float
    az_sky_arcmin: float
    worst_trail_px: float
    good_enough: bool
    hour_angles_hours: tuple[float, ...]
    trails_px: tuple[float, ...]
    air_px: tuple[float, ...]


class ToleranceDocument(_Document):
    """`polewright tolerance --json`."""

    imaging: Imaging
    target: Target
    assumed: tuple[str, ...]
    latitude_deg: float
    pole: str
    trail_limit_px: float
    largest_axis_error_arcmin: float
    unlimited: bool
    air: ToleranceAir
    cost: ToleranceCost | None = None
    picture: str | None = None


class PoleFound(_Part):
    """An axis, and the motion it leaves."""

    name: str
    d_alt_arcmin: float
    d_az_sky_arcmin: float
    rms_arcsec: float
    worst_arcsec: float
    worst_px: float | None


class BestpoleDocument(_Document):
    """`polewright bestpole --json`."""

    criterion: str
    visible_share: float
    visible_from_utc_s: float | None
    visible_until_utc_s: float | None
    weather: str
    gain_arcsec: float
    gain_px: float | None
    poles: tuple[PoleFound, ...]
    target: TargetSpan


class PresetDocument(_Document):
    """`polewright preset --json`."""

    recorded: PresetNight | None
    file: str
    preset: Preset


class ProfileDocument(_Document):
    """`polewright profile --json`."""

    config: str
    changed: bool
    written: bool
    difference: str
    optics: FoundOptics | None


class ReportDocument(_Document):
    """`polewright report --json`."""

    report: str
    bytes: int


class HistoryRow(_Part):
    """One run, with its last measurement."""

    run_id: str
    pier: str
    kind: str
    rehearsal: bool
    started_utc_s: float
    finished_utc_s: float
    outcome: int
    adjusted_after: bool
    telescope: str
    camera: str
    latitude_deg: float | None
    longitude_deg: float | None
    software: str
    sweeps: int | None
    utc_s: float | None
    d_alt_arcmin: float | None
    d_az_sky_arcmin: float | None
    total_arcmin: float | None
    upper95_arcmin: float | None
    within_tolerance: bool | None


class HistoryListDocument(_Document):
    """`polewright history list --json`, newest first."""

    runs: tuple[HistoryRow, ...]


class HistoryTrendDocument(_Document):
    """`polewright history trend --json`."""

    pier: str
    model: str
    measurements: int
    span_days: float
    d_az_sky_arcmin: float
    d_alt_arcmin: float
    total_arcmin: float
    sigma_total_arcmin: float
    rate_az_sky_arcmin_per_30_days: float
    rate_alt_arcmin_per_30_days: float
    sigma_rate_arcmin_per_30_days: tuple[float, float]
    moving: bool
    scatter: float
    stepped_utc_s: float | None
    time_constant_days: float | None
    limit_arcmin: float | None
    alarm: bool
    reaches_limit_in_days: float | None
    moving_since_utc_s: float | None = Field(
        description="since when a motion is outside the noise; null unless it keeps moving"
    )
    tolerance_arcmin: float
    reaches_tolerance_in_days: float | None


class PassiveDocument(_Document):
    """`polewright passive --json`, oldest night first."""

    nights: tuple[PassiveResult, ...]


class HistoryImportDocument(_Document):
    """`polewright history import --json`."""

    added: int
    known: int
    differing: tuple[str, ...]


class FieldWidths(_Part):
    """Narrowest widths of a 3:2 frame with stars enough; null: none."""

    richest_tenth_width_deg: float | None
    median_width_deg: float | None
    poorest_hundredth_width_deg: float | None


class CatalogueFound(AddOnHeader):
    """An add-on catalogue."""

    path: str


class CatalogueBuilt(CatalogueFound):
    """An add-on catalogue that was built."""

    blank_rows: int
    duplicates: int
    columns: tuple[str, ...]
    warnings: tuple[str, ...]


class CatalogueBuildDocument(_Document):
    """`polewright catalogue build --json`."""

    catalogue: CatalogueBuilt
    serves: FieldWidths


class BundledCatalogue(_Part):
    """What comes with the program."""

    name: str
    stars: int
    faintest: float
    serves: FieldWidths


class CatalogueDamaged(_Part):
    """A catalogue that cannot be read."""

    name: str
    path: str
    reason: str


class CatalogueShowDocument(_Document):
    """`polewright catalogue show --json`."""

    folder: str
    bundled: BundledCatalogue
    catalogues: tuple[CatalogueFound, ...]
    damaged: tuple[CatalogueDamaged, ...]
    serves: FieldWidths


class CatalogueRemoveDocument(_Document):
    """`polewright catalogue remove --json`."""

    removed: str


class ServiceInstallDocument(_Document):
    """`polewright service install --json`."""

    written: tuple[str, ...]
    trouble: str


class ServiceUninstallDocument(_Document):
    """`polewright service uninstall --json`."""

    removed: tuple[str, ...]
    trouble: str


class UnitText(_Part):
    """A unit."""

    path: str
    text: str


class ServiceShowDocument(_Document):
    """`polewright service show --json`."""

    units: tuple[UnitText, ...]
