"""Why a direction or a sweep is not allowed."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

from polewright.foundation.language import say


class Reason(IntFlag):
    """Why a direction is not allowed; several can hold at once."""

    NONE = 0
    SKYLINE = 1
    OVERHANG = 2
    WINDOW = 4
    LOW = 8
    """Under the minimum altitude for good frames."""
    MOUNT_ALTITUDE = 16
    HOUR_ANGLE = 32
    MERIDIAN = 64
    DECLINATION = 128
    SUN = 256
    STARS = 512
    PIER_SIDE = 1024
    FIRST_SLEW = 2048


@dataclass(frozen=True)
class Violation:
    """One limit broken by a wanted sweep, and what would keep it. Angles in rad."""

    reason: Reason
    where: str
    """Such as 'point 2' or 'slew from point 1 to 2'."""
    azimuth: float
    altitude: float
    hour_angle: float
    utc_s: float
    amount: float
    """By how much the limit is broken at the worst place."""
    sentence: str
    fix: str

    def __str__(self) -> str:
        return say(
            "{where}: {sentence} ({fix})", where=self.where, sentence=self.sentence, fix=self.fix
        )
