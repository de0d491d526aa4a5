"""What can be wrong with what the adjustment engine is given."""

from __future__ import annotations

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.errors import ConfigError, ExitCode, GeometryError, GuardError
from polewright.foundation.language import say


class FramesOutOfOrder(GeometryError):
    """A frame is older than one that was already used."""

    code = "frames_out_of_order"
    advice = say(
        "Check that the computer's clock was not set back; hand over frames in the order taken."
    )

    def __init__(self, utc_s: float, previous_utc_s: float) -> None:
        super().__init__(utc_s, previous_utc_s)
        self.utc_s, self.previous_utc_s = utc_s, previous_utc_s

    def __str__(self) -> str:
        return say(
            "a frame is {previous_utc_s:.1f} s older than the one before it",
            previous_utc_s=self.previous_utc_s - self.utc_s,
        )


class TurnsNotUsable(ConfigError):
    """The number of turns told by the user is no number of turns."""

    code = "turns_not_usable"
    advice = say("Give the turns as a number, such as 0.5; minus for the other direction.")

    def __init__(self, turns: float) -> None:
        super().__init__(turns)
        self.turns = turns

    def __str__(self) -> str:
        return say("{turns} is no usable number of turns", turns=turns_text(self.turns))


def turns_text(turns: float) -> str:
    """Short text of a number of turns."""
    return f"{turns:.3g}"


class MotorNotUnderstood(GuardError):
    """A motorised adjuster does not do what an adjuster does."""

    code = "motor_not_understood"
    advice = say(
        "Look at the adjuster: does the motor turn, does it slip or stall, is a lock "
        "still tight? Run it with its own program and see whether the axis follows."
    )

    def __init__(self, adjuster: str, asked_arcmin: float, moved_arcmin: float, why: str) -> None:
        super().__init__(adjuster, asked_arcmin, moved_arcmin, why)
        self.adjuster, self.why = adjuster, why
        self.asked_arcmin, self.moved_arcmin = asked_arcmin, moved_arcmin

    def __str__(self) -> str:
        return say(
            "the {adjuster} adjuster was told {asked_arcmin} and the axis turned "
            "{moved_arcmin}: {why}",
            adjuster=self.adjuster,
            asked_arcmin=arcmin_text(self.asked_arcmin, signed=True),
            moved_arcmin=arcmin_text(self.moved_arcmin, signed=True),
            why=self.why,
        )


class TravelAtEnd(GuardError):
    """A motorised adjuster would have to go beyond the travel it is allowed."""

    code = "travel_at_end"
    advice = say(
        "Bring the adjuster back to mid-travel, move the base instead, and start again; "
        "[adjuster] altitude_travel_arcmin and azimuth_travel_arcmin say how far it may go."
    )

    def __init__(self, adjuster: str, wanted_arcmin: float, travel_arcmin: float) -> None:
        super().__init__(adjuster, wanted_arcmin, travel_arcmin)
        self.adjuster = adjuster
        self.wanted_arcmin, self.travel_arcmin = wanted_arcmin, travel_arcmin

    def __str__(self) -> str:
        return say(
            "the {adjuster} adjuster would have to go {wanted_arcmin} from where it started; "
            "{travel_arcmin} are allowed",
            adjuster=self.adjuster,
            wanted_arcmin=arcmin_text(self.wanted_arcmin, signed=True),
            travel_arcmin=arcmin_text(self.travel_arcmin),
        )


class LeftOverRotation(GuardError):
    """The mount turned in a way that the adjusters do not explain, while nobody is there."""

    code = "left_over_rotation"
    advice = say(
        "Go and look: a slipped clutch, a caught cable, a sinking foot, somebody at the "
        "mount? Start again when it stands firm."
    )

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence

    def __str__(self) -> str:
        return say(
            "the closed loop stopped, because not everything is explained: {sentence}",
            sentence=self.sentence,
        )


class MovesUsedUp(GuardError):
    """The closed loop has turned as often as it may."""

    code = "moves_used_up"
    exit_code = ExitCode.OUT_OF_TOLERANCE
    advice = say("Look for play in the base; or raise the tolerance.")

    def __init__(self, moves: int, total_arcmin: float) -> None:
        super().__init__(moves, total_arcmin)
        self.moves, self.total_arcmin = moves, total_arcmin

    def __str__(self) -> str:
        return say(
            "after {moves} moves the axis is still {total_arcmin} off",
            moves=self.moves,
            total_arcmin=arcmin_text(self.total_arcmin),
        )
