"""What is known of the alignment: last verified error, latest figures, and what runs."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Protocol

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.language import say


class RunState(IntEnum):
    """What the running session is doing, else the newest. The numbers are a promise to scripts."""

    IDLE = 0
    """No session yet."""
    CHECKING = 1
    PLANNING = 2
    SWEEPING = 3
    """The mount moves by itself."""
    ADJUSTING = 4
    FINISHED = 5
    """Ended; the axis was confirmed within tolerance."""
    STOPPED = 6
    """Ended by a person."""
    FAILED = 7
    """Ended by an error."""
    INTERRUPTED = 8
    """The program died before the session ended."""
    UNKNOWN = 9


@dataclass(frozen=True)
class Figures:
    """A reading of the axis error, arcmin. Signs: + too high, + too far east."""

    total_arcmin: float
    d_alt_arcmin: float
    d_az_sky_arcmin: float
    sigma_total_arcmin: float
    """1 sigma along the direction of the error (of a live reading: the larger component's)."""
    utc_s: float


@dataclass(frozen=True)
class Verified:
    """What the last finished sweep came to."""

    upper95_arcmin: float
    """The total error is below this with 95 % confidence."""
    tolerance_arcmin: float
    """That counted then."""
    pole: str
    trusted: bool
    utc_s: float


@dataclass(frozen=True)
class PassiveWord:
    """What the newest night's frames told (`polewright passive`)."""

    verdict: str
    """As in `PassiveResult`: a figure is there only if it is "measured"."""
    sentence: str
    utc_s: float
    """Of the last frame."""
    figures: Figures | None = None
    verified: Verified | None = None

    @property
    def contradicts(self) -> bool:
        """Whether the frames speak against one axis."""
        return self.verdict in ("moved", "contradicted")


@dataclass(frozen=True)
class AlignmentStatus:
    """All that is published."""

    run_state: RunState
    figures: Figures | None = None
    """The latest, by sweep or live; None when there is none."""
    verified: Verified | None = None
    doubt: str = ""
    """Why ``verified`` does not hold any more, a sentence; empty when nothing is against it."""
    passive: PassiveWord | None = None
    """What frames of tracked targets told; counts only where `Rules` say so."""


class StatusSource(Protocol):
    """Where the status comes from."""

    def status(self) -> AlignmentStatus:
        """Return what is known now; never raises."""


@dataclass(frozen=True)
class Rules:
    """When the alignment counts as safe."""

    tolerance_arcmin: float
    pole: str
    fresh_s: float
    """Oldest verification that still counts."""
    passive_counts: bool = False
    """Whether frames of tracked targets verify the axis as a sweep does."""


#: A verification from so far in the future is told from a clock that was set a little.
FUTURE_S = 5.0
CLOCK_SET_BACK = say(
    "the last verification was recorded by a clock that has been set back since: measure again"
)


def why_unsafe(status: AlignmentStatus, rules: Rules, utc_s: float) -> str:
    """Return why the alignment must not be relied on, a sentence; empty when it may be.

    Args:
        status: what is known.
        rules: what counts.
        utc_s: now.
    """
    verified, passive = status.verified, status.passive
    if status.doubt:
        return status.doubt
    newer = passive is not None and (verified is None or passive.utc_s > verified.utc_s)
    if rules.passive_counts and passive is not None and newer:
        if passive.contradicts:
            return passive.sentence
        verified = passive.verified or verified
    if verified is None:
        return say("no sweep has verified the axis yet")
    if not verified.trusted:
        return say("the last sweep's points contradict each other")
    if verified.pole != rules.pole:
        return say(
            "the axis was verified against the {verified} pole, not the {wanted} one",
            verified=verified.pole,
            wanted=rules.pole,
        )
    limit = min(verified.tolerance_arcmin, rules.tolerance_arcmin)
    if not verified.upper95_arcmin <= limit:
        return say(
            "the last verified error may be {upper95_arcmin} (95 %), the tolerance is {limit}",
            upper95_arcmin=arcmin_text(verified.upper95_arcmin),
            limit=arcmin_text(limit),
        )
    age_s = utc_s - verified.utc_s
    if not age_s >= -FUTURE_S:
        return CLOCK_SET_BACK
    if not age_s <= rules.fresh_s:
        return say(
            "the last verification is {age_s:.0f} min old, at most {fresh_s:g} min count",
            age_s=age_s / 60.0,
            fresh_s=rules.fresh_s / 60.0,
        )
    return ""
