"""What can be wrong with what the adjustment engine is given."""

from __future__ import annotations

from polewright.errors import ConfigError, GeometryError


class AdjusterProfileWrong(ConfigError):
    """The description of the rig's adjusters cannot be used."""

    code = "adjuster_profile_wrong"
    advice = "Correct the adjusters part of the rig profile."

    def __init__(self, field: str, problem: str) -> None:
        super().__init__(field, problem)
        self.field, self.problem = field, problem

    def __str__(self) -> str:
        return f"adjuster profile, {self.field}: {self.problem}"


class FramesOutOfOrder(GeometryError):
    """A frame is older than one that was already used."""

    code = "frames_out_of_order"
    advice = (
        "Check that the computer's clock was not set back; hand over frames in the order taken."
    )

    def __init__(self, utc_s: float, previous_utc_s: float) -> None:
        super().__init__(utc_s, previous_utc_s)
        self.utc_s, self.previous_utc_s = utc_s, previous_utc_s

    def __str__(self) -> str:
        return f"a frame is {self.previous_utc_s - self.utc_s:.1f} s older than the one before it"


class TurnsNotUsable(ConfigError):
    """The number of turns told by the user is no number of turns."""

    code = "turns_not_usable"
    advice = "Give the turns as a number, such as 0.5; minus for the opposite direction."

    def __init__(self, turns: float) -> None:
        super().__init__(turns)
        self.turns = turns

    def __str__(self) -> str:
        return f"{turns_text(self.turns)} cannot be a number of turns of an adjuster"


def turns_text(turns: float) -> str:
    """Short text of a number of turns."""
    return f"{turns:.3g}"
