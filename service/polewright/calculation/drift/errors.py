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
from polewright.foundation.language import joined, say


class PredictionUnreadable(ConfigError):
    """A file given as the predicted axis cannot be used."""

    code = "prediction_unreadable"
    advice = say(
        "Give the file that `polewright measure --json > axis.json` wrote for this rig "
        "since the adjusters were last touched, or the ID of a run since then (`polewright "
        "history list`), or leave it out to measure the axis by drift alone."
    )

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return say(
            "{path} is no usable axis measurement: {reason}", path=self.path, reason=self.reason
        )


class DriftSettingsWrong(ConfigError):
    """A setting of the drift check makes no sense."""

    code = "drift_settings_wrong"
    advice = say("Correct the named option.")

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


class TooFewFrames(GeometryError):
    """There are not enough solved frames of one field."""

    code = "too_few_drift_frames"
    advice = say(
        "Let the check run longer; if frames do not solve, expose longer or wait for cloud."
    )

    def __init__(self, found: int, needed: int) -> None:
        super().__init__(found, needed)
        self.found, self.needed = found, needed

    def __str__(self) -> str:
        return say(
            "{found} solved frames of this field, at least {needed} are needed",
            found=self.found,
            needed=self.needed,
        )


class TurnTooShort(GeometryError):
    """The mount hardly turned, so a drift says nothing about its axis."""

    code = "drift_turn_too_short"
    advice = say("Check that the mount tracks at sidereal rate, and let the check run longer.")

    def __init__(self, turn_deg: float, needed_deg: float) -> None:
        super().__init__(turn_deg, needed_deg)
        self.turn_deg, self.needed_deg = turn_deg, needed_deg

    def __str__(self) -> str:
        return say(
            "the mount turned by {turn_deg:.3f} degrees during the check; at least "
            "{needed_deg:.2f} are needed",
            turn_deg=self.turn_deg,
            needed_deg=self.needed_deg,
        )


class TargetNotUp(PlanError):
    """A target is below 10 degrees all through the span."""

    code = "target_not_up"
    advice = say("Choose another time with --at, a longer span with --hours, or another target.")

    def __str__(self) -> str:
        return say("the target does not rise above 10° in the time asked for")


class NoFieldFits(PlanError):
    """No direction for a drift check keeps all limits long enough."""

    code = "no_drift_field"
    advice = say(
        "Lower [sweep] min_altitude_deg, shorten the check, or wait: what blocks most is "
        "named above."
    )

    def __init__(self, blocked: Mapping[str, float]) -> None:
        super().__init__(dict(blocked))
        self.blocked = dict(blocked)

    def __str__(self) -> str:
        worst = sorted(self.blocked.items(), key=lambda item: -item[1])[:3]
        what = joined(
            ", ",
            (
                say("{name} ({share:.0%} of the sky)", name=name, share=share)
                for name, share in worst
            ),
        )
        return say(
            "no field for a drift check fits; blocked by {reasons}",
            reasons=what or say("everything"),
        )
