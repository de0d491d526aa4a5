"""The documents of the API that are not a session's snapshot."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from polewright.records.result import Prose


class _Document(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Problem(_Document):
    """Every answer that is not a success."""

    code: str = Field(description="what went wrong, for programs")
    message: Prose = Field(description="what went wrong, for people")
    advice: Prose = Field("", description="what to do")


class _Request(_Document):
    # No "1" for 1 and no 0 for false: what moves a mount is said plainly.
    model_config = ConfigDict(strict=True)


class StartRequest(_Request):
    """How to start a session."""

    config: dict[str, Any] = Field(
        default_factory=dict,
        description="settings by dotted key, such as pole.tolerance_arcmin; they win over the file",
    )
    by: str = Field("", max_length=60, description="who asks, shown to whoever comes second")
    resume: bool = Field(False, description="take up the interrupted session instead")
    accept_site: bool = Field(
        False,
        description="go on although site or clock of the mount contradict ours, which are used; "
        "for this session only, and recorded",
    )


class TurnsRequest(_Request):
    """Turns of an adjuster that were just made, from which its rate is learned."""

    axis: Literal["altitude", "azimuth"]
    turns: float = Field(
        ge=-200, le=200, description="number of turns; + raises the axis or moves it east"
    )


class StopAnswer(_Document):
    """What a hard stop came to."""

    motion: Literal["stopped", "moving", "unknown"]
    message: Prose
    advice: Prose = ""
    session_ended: bool = Field(description="False while the session's thread has not yet ended")
    took_s: float = Field(description="real seconds from the request to this answer")


class SessionItem(_Document):
    """A journal."""

    session_id: str
    started_utc_s: float
    last_utc_s: float
    last_step: str
    outcome: int | None = Field(None, description="exit code; None where it came to no end")
    interrupted: bool = Field(
        description="whether it came to no end, and is what `resume` takes up"
    )
    file: str


class Health(_Document):
    """A sign of life."""

    ok: bool = True
    software: str
    running: bool
