"""What can be wrong with what the adjustment engine is given."""

from __future__ import annotations

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.errors import ConfigError, ExitCode, GeometryError, GuardError


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


class MotorNotUnderstood(GuardError):
    """A motorised adjuster does not do what an adjuster does."""

    code = "motor_not_understood"
    advice = (
        "Look at the adjuster: does the motor turn, does it slip or stall, is a lock still tight? "
        "Turn it by hand and see whether the axis follows."
    )

    def __init__(self, adjuster: str, asked_arcmin: float, moved_arcmin: float, why: str) -> None:
        super().__init__(adjuster, asked_arcmin, moved_arcmin, why)
        self.adjuster, self.why = adjuster, why
        self.asked_arcmin, self.moved_arcmin = asked_arcmin, moved_arcmin

    def __str__(self) -> str:
        return (
            f"the {self.adjuster} adjuster was told {arcmin_text(self.asked_arcmin, signed=True)} "
            f"and the axis turned {arcmin_text(self.moved_arcmin, signed=True)}: {self.why}"
        )


class TravelAtEnd(GuardError):
    """A motorised adjuster would have to go beyond the travel it is allowed."""

    code = "travel_at_end"
    advice = (
        "Turn the base by hand so that the adjuster stands near its middle, then start again; "
        "[adjuster] altitude_travel_arcmin and azimuth_travel_arcmin say how far it may go."
    )

    def __init__(self, adjuster: str, wanted_arcmin: float, travel_arcmin: float) -> None:
        super().__init__(adjuster, wanted_arcmin, travel_arcmin)
        self.adjuster = adjuster
        self.wanted_arcmin, self.travel_arcmin = wanted_arcmin, travel_arcmin

    def __str__(self) -> str:
        return (
            f"the {self.adjuster} adjuster would have to go to "
            f"{arcmin_text(self.wanted_arcmin, signed=True)} from where it started; "
            f"{arcmin_text(self.travel_arcmin)} are allowed"
        )


class LeftOverRotation(GuardError):
    """The mount turned in a way that the adjusters do not explain, while nobody is there."""

    code = "left_over_rotation"
    advice = (
        "Go and look: a slipped clutch, a caught cable, a sinking foot, somebody at the mount? "
        "Start again when it stands firm."
    )

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence

    def __str__(self) -> str:
        return f"the closed loop stopped, since not everything is explained: {self.sentence}"


class MovesUsedUp(GuardError):
    """The closed loop has turned as often as it may."""

    code = "moves_used_up"
    exit_code = ExitCode.OUT_OF_TOLERANCE
    advice = "Look for play in the base; or raise the tolerance."

    def __init__(self, moves: int, total_arcmin: float) -> None:
        super().__init__(moves, total_arcmin)
        self.moves, self.total_arcmin = moves, total_arcmin

    def __str__(self) -> str:
        return f"after {self.moves} turns the axis is still {arcmin_text(self.total_arcmin)} off"
