"""One look at a mount."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class PierSide(IntEnum):
    """Pointing state, not the physical side."""

    UNKNOWN = -1
    NORMAL = 0
    """Alpaca's pierEast."""
    THROUGH_POLE = 1
    """Alpaca's pierWest."""


@dataclass(frozen=True)
class MountState:
    """One look at the mount; None where it does not tell."""

    utc_s: float
    """Own clock when asked."""
    right_ascension_hours: float
    declination_deg: float
    slewing: bool
    tracking: bool | None = None
    altitude_deg: float | None = None
    azimuth_deg: float | None = None
    side_of_pier: PierSide | None = None
    at_park: bool | None = None
    sidereal_time_hours: float | None = None
