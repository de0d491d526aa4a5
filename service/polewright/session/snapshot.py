"""All that a page, a terminal or a script needs to show a session, as one document."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from polewright.records.result import MeasurementResult, Prose
from polewright.session.states import Step


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class ErrorNow(_Part):
    """The latest reading of the axis error. Signs: + too high, + too far east."""

    d_alt_arcmin: float
    d_az_sky_arcmin: float
    d_az_base_arcmin: float
    total_arcmin: float
    sigma_alt_arcmin: float
    sigma_az_sky_arcmin: float
    sigma_total_arcmin: float
    upper95_arcmin: float
    correlation: float = 0.0
    state: str = Field(description="settled, settling, moving, lost ...")
    utc_s: float = Field(description="when the reading was taken, Unix seconds")


class MovingNow(ErrorNow):
    """A glance: where the axis is while it is being turned.

    It steers the hand and counts for nothing else; its sigmas are its own.
    """

    turning: bool = Field(
        description="whether the axis has left the place of the last full frame at rest"
    )
    resting: bool = Field(
        False, description="whether it has come to rest again: a full frame is taken next"
    )
    hidden: tuple[Literal["altitude", "azimuth"], ...] = Field(
        (), description="adjusters that a glance hardly shows where the telescope points"
    )
    caution: Prose = ""


class AdviceNow(_Part):
    """What the person at the mount should do."""

    action: str
    sentence: Prose
    axis: Literal["altitude", "azimuth"] | None = None
    heading: str | None = Field(
        None, description="raise, lower, east or west: what the adjuster in hand has yet to do"
    )
    passed: bool = Field(False, description="the adjuster in hand has gone past the mark")
    amount_arcmin: float = 0.0
    begin_arcmin: float = Field(
        0.0, description="what that adjuster had to do when it was taken in hand, or more since"
    )
    zone_arcmin: float = Field(0.0, description="below this the adjuster in hand is finished")
    doing: Prose = Field("", description="what to do to it, in its owner's words")
    turns: float | None = None
    turns_text: Prose = ""
    brief: Prose = Field("", description="the most pressing caution in a few words")
    cautions: tuple[Prose, ...] = ()
    spoken: Prose = ""
    tone_hz: float | None = None
    beat_period_s: float | None = None


class TrailPoint(_Part):
    """One past reading."""

    d_az_sky_arcmin: float
    d_alt_arcmin: float
    settled: bool


class ProgressNow(_Part):
    """A slow step under way."""

    step: str
    point: int
    points: int
    done_s: float
    total_s: float | None = None
    text: Prose = ""


class PlanNow(_Part):
    """The sweep, by point."""

    azimuths_deg: tuple[float, ...]
    altitudes_deg: tuple[float, ...]
    predicted_sigma_arcsec: float | None = None
    solved: int = 0


class FrameNow(_Part):
    """The last frame; its picture is fetched apart, by number."""

    number: int
    star_count: int
    hfd_px: float | None = None
    elongation: float | None = None
    exposure_s: float
    solved: bool = False


FailureKind = Literal["unsafe", "sun", "limit", "cloud", "refused", "failed"]


class NoteNow(_Part):
    """The last note of the run."""

    text: Prose
    warning: bool
    utc_s: float
    passing: bool = Field(False, description="of a motion to come; gone once the mount is there")


class Failure(_Part):
    """Why a session ended early."""

    code: str
    kind: FailureKind = Field(
        "failed",
        description="what sort of thing ended it; refused: before the session asked for a motion",
    )
    brief: Prose = Field("", description="the cause in one line, where it has one")
    message: Prose
    likely: Prose = ""
    advice: Prose
    details: tuple[Prose, ...] = ()
    exit_code: int


class SessionSnapshot(_Part):
    """A session at one moment. ``version`` grows with every change."""

    schema_version: Literal["1"] = "1"
    session_id: str
    version: int
    version_but_moving: int = Field(
        0, description="version of the last change of anything but `moving` and `advice`"
    )
    step: Step
    paused: bool = False
    utc_s: float
    southern: bool | None = Field(
        None, description="whether the mount stands south of the equator; None before connecting"
    )
    motors: bool = Field(
        False, description="whether motors turn the adjusters, and nobody is asked to"
    )
    pass_kind: Literal["coarse", "final"] | None = None
    tolerance_arcmin: float
    goal_arcmin: float | None = None
    error: ErrorNow | None = Field(
        None, description="from the last full frame or sweep; a verdict counts for this one only"
    )
    moving: MovingNow | None = Field(
        None, description="from a glance, where there is one that is newer than `error`"
    )
    advice: AdviceNow | None = None
    trail: tuple[TrailPoint, ...] = ()
    progress: ProgressNow | None = None
    plan: PlanNow | None = None
    frame: FrameNow | None = None
    motion: Literal["unasked", "still", "tracking", "slewing", "unknown"] = "unasked"
    began_utc_s: float | None = Field(None, description="when the session began, Unix seconds")
    ended_utc_s: float | None = None
    before_arcmin: float | None = Field(
        None, description="total error by the first sweep that this session knows of"
    )
    sweep_ends_utc_s: float | None = Field(
        None, description="when the sweep under way is expected to be measured"
    )
    offer: Prose = Field(
        "", description="a sweep that begins only if it is asked for once more, and why"
    )
    unread: int = Field(
        0,
        description="frames in a row that gave no reading, or did not solve at a point",
    )
    unread_why: Prose = ""
    sweeps: int = 0
    moves: int = Field(0, description="settled moves of the adjusters so far")
    notes: tuple[Prose, ...] = ()
    noted: NoteNow | None = Field(None, description="the last note, as long as it is about now")
    result: MeasurementResult | None = None
    failure: Failure | None = None


class MovingUpdate(_Part):
    """What a glance changes in a snapshot: the rest of it stays as it was."""

    session_id: str
    version: int
    utc_s: float
    moving: MovingNow | None
    advice: AdviceNow | None

    @classmethod
    def of(cls, snapshot: SessionSnapshot) -> MovingUpdate:
        """Take it out of a snapshot."""
        return cls(**{name: getattr(snapshot, name) for name in cls.model_fields})
