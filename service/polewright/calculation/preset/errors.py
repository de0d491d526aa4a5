"""What can go wrong with presets.

::

    ConfigError
    ├── PresetNotUsable    a figure given is out of range
    ├── MagneticModelOld   the date is outside the magnetic model's years
    └── NightsUnreadable   the file of past nights cannot be read or written
"""

from __future__ import annotations

import math

from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say


class PresetNotUsable(ConfigError):
    """A figure given for a preset is out of range."""

    code = "preset_not_usable"
    advice = say("Correct the named option; angles are degrees unless the name says otherwise.")

    def __init__(self, name: str, value: float, allowed: str) -> None:
        super().__init__(name, value, allowed)
        self.name, self.value, self.allowed = name, value, allowed

    def __str__(self) -> str:
        return say(
            "{name} is {given:g}; it must be {allowed}",
            name=self.name,
            given=self.value,
            allowed=self.allowed,
        )


class MagneticModelOld(ConfigError):
    """The date is outside the years the magnetic model holds for."""

    code = "magnetic_model_old"
    advice = say(
        "Check the computer's clock; if it is right, update the package wmm-calculator, "
        "which brings a new model every five years, or give --magnetic-declination by "
        "hand from a map."
    )

    def __init__(self, year: float, first: float, last: float) -> None:
        super().__init__(year, first, last)
        self.year, self.first, self.last = year, first, last

    def __str__(self) -> str:
        return say(
            "the magnetic model holds from {first:.0f} until {last:.0f}, not for {year:.2f}",
            first=self.first,
            last=self.last,
            year=math.floor(100.0 * self.year) / 100.0,
        )


class NightsUnreadable(ConfigError):
    """The file of past nights cannot be read or written."""

    code = "nights_unreadable"
    advice = say("Correct or move the file; every line is one night as JSON.")

    def __init__(self, path: str, line: int | None, reason: str) -> None:
        super().__init__(path, line, reason)
        self.path, self.line, self.reason = path, line, reason

    def __str__(self) -> str:
        where = (
            self.path
            if self.line is None
            else say("{path}, line {line}", path=self.path, line=self.line)
        )
        return say("{where}: {reason}", where=where, reason=self.reason)
