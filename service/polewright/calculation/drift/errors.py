"""What can go wrong in a drift check.

::

    ConfigError
    ├── PredictionUnreadable  the file is no result of a measurement
    └── DriftSettingsWrong    a setting makes no sense
    GeometryError
    ├── TooFewFrames          not enough solved frames for a drift
    └── TurnTooShort          the mount has not tracked long enough to tell anything
    PlanError
    └── NoFieldFits           no part of the usable sky suits
"""

from __future__ import annotations

from collections.abc import Mapping

from polewright.foundation.errors import ConfigError, GeometryError, PlanError


class PredictionUnreadable(ConfigError):
    """A file given as the predicted axis cannot be used."""

    code = "prediction_unreadable"
    advice = (
        "Give the file that `polewright measure --json > axis.json` wrote for this rig since the "
        "adjusters were last touched, or leave it out to measure the axis by drift alone."
    )

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return f"{self.path} is no usable axis measurement: {self.reason}"


class DriftSettingsWrong(ConfigError):
    """A setting of the drift check makes no sense."""

    code = "drift_settings_wrong"
    advice = "Correct the named option."

    def __init__(self, name: str, value: float, allowed: str) -> None:
        super().__init__(name, value, allowed)
        self.name, self.value, self.allowed = name, value, allowed

    def __str__(self) -> str:
        return f"{self.name} is {self.value:g}; it must be {self.allowed}"


class TooFewFrames(GeometryError):
    """There are not enough solved frames of one field."""

    code = "too_few_drift_frames"
    advice = "Let the check run longer; if frames do not solve, expose longer or wait for cloud."

    def __init__(self, found: int, needed: int) -> None:
        super().__init__(found, needed)
        self.found, self.needed = found, needed

    def __str__(self) -> str:
        return f"{self.found} solved frames of this field, at least {self.needed} are needed"


class TurnTooShort(GeometryError):
    """The mount hardly turned, so a drift says nothing about its axis."""

    code = "drift_turn_too_short"
    advice = "Check that the mount tracks at sidereal rate, and let the check run longer."

    def __init__(self, turn_deg: float, needed_deg: float) -> None:
        super().__init__(turn_deg, needed_deg)
        self.turn_deg, self.needed_deg = turn_deg, needed_deg

    def __str__(self) -> str:
        return (
            f"the mount turned by {self.turn_deg:.3f} degrees during the check; "
            f"at least {self.needed_deg:.2f} are needed"
        )


class NoFieldFits(PlanError):
    """No direction for a drift check keeps all limits long enough."""

    code = "no_drift_field"
    advice = (
        "Lower [sweep] min_altitude_deg, shorten the check, or wait: "
        "what blocks most is named above."
    )

    def __init__(self, blocked: Mapping[str, float]) -> None:
        super().__init__(dict(blocked))
        self.blocked = dict(blocked)

    def __str__(self) -> str:
        worst = sorted(self.blocked.items(), key=lambda item: -item[1])[:3]
        what = ", ".join(f"{name} ({share:.0%} of the sky)" for name, share in worst)
        return f"no field for a drift check fits; blocked by {what or 'everything'}"
