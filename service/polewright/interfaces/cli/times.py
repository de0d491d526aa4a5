"""Times as people give and read them: ISO 8601, UTC, and this computer's own time beside it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say

At = Annotated[
    str | None, typer.Option(help="time, ISO 8601, UTC if no offset is given [default: now]")
]


class BadTime(ConfigError):
    """A time cannot be read."""

    code = "bad_time"
    advice = say("Write it as 2026-11-20T21:30 (UTC), or with an offset as 2026-11-20T22:30+01:00.")

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.text = text

    def __str__(self) -> str:
        return say("'{text}' is no time", text=self.text)


def utc_from_text(text: str) -> float:
    """Unix seconds of an ISO 8601 text; UTC when it names no offset. Raises `BadTime`."""
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise BadTime(text) from None
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def moment(utc_s: float) -> str:
    """Say a time to the minute: UTC, and this computer's own where that is another."""
    utc = datetime.fromtimestamp(utc_s, UTC)
    told = utc.strftime("%Y-%m-%d %H:%M UTC")
    here = utc.astimezone()
    if not here.utcoffset():
        return told
    shape = "%H:%M %Z" if here.date() == utc.date() else "%Y-%m-%d %H:%M %Z"
    return say("{utc} ({here})", utc=told, here=here.strftime(shape))
