"""What a night's frames tell of the axis: the document a script reads and a person is shown."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from polewright.records.result import AxisResult, Prose, SiteResult, WeatherResult

Verdict = Literal["measured", "too uncertain", "moved", "contradicted", "too few"]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class GroupResult(_Part):
    """Frames of one target, side of the pier and camera angle."""

    ra_deg: float = Field(description="ICRS, of its first frame")
    dec_deg: float
    frames: int
    minutes: float = Field(description="from its first frame to its last")
    hour_angle_from_hours: float
    hour_angle_to_hours: float
    side: Literal["east", "west"] = Field(description="of the pier, as far as it can be told")
    camera_turned: bool = Field(description="whether it began because the camera had turned")
    rms_arcsec: float = Field(description="what the fit leaves of the camera's roll")


class LeftOut(_Part):
    """Frames that were not used, all for the same reason."""

    frames: int
    reason: Prose


class MovedResult(_Part):
    """What did not stay while the frames were taken."""

    what: Literal["pier", "creep", "camera"]
    size_arcmin: float
    utc: str = Field(description="of a step: halfway between two frames; of a creep: its middle")
    between_targets: bool = Field(
        False,
        description="whether a step is most likely one between the last frame of a target and the "
        "first of the next: its size is known poorly then",
    )
    p_value: float


class PassiveResult(_Part):
    """One night's axis from frames of tracked targets."""

    schema_version: Literal["1"] = "1"
    ok: Literal[True] = True
    software: str
    night: str = Field(description="date of its evening at the site")
    started_utc: str = Field(description="middle of the first frame used")
    finished_utc: str = Field(description="middle of the last one")
    site: SiteResult
    weather: WeatherResult
    telescope: str
    camera: str
    verdict: Verdict
    sentence: Prose
    advice: tuple[Prose, ...] = ()
    axis: AxisResult | None = Field(
        description="None unless the verdict is measured: no figure is given then"
    )
    widest95_arcmin: float | None = Field(
        description="longest half-axis of the 95 % region of the axis; None without a fit"
    )
    asked_arcmin: float = Field(description="a figure is given up to this half-axis")
    frames: int = Field(description="used")
    hours: float = Field(description="tracked, all groups together")
    unguided: bool = Field(description="whether the drift of the frames was used as well")
    groups: tuple[GroupResult, ...]
    left_out: tuple[LeftOut, ...]
    moved: MovedResult | None = None
    doubts: tuple[Prose, ...] = Field((), description="what contradicts clock, site or pointing")
    tolerance_arcmin: float
    within_tolerance: bool = Field(
        description="whether there is a figure whose 95 % upper bound is within the tolerance"
    )
