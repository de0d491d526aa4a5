"""The steps of a session, as data: what may follow what, and in which steps the mount may move."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum

from polewright.foundation.errors import PolewrightError
from polewright.foundation.language import say


class Step(Enum):
    """Where a session is."""

    IDLE = "idle"
    CHECKING = "checking"
    """Connecting, comparing site and clock, looking at one frame."""
    PLANNING = "planning"
    SWEEPING = "sweeping"
    ADJUSTING = "adjusting"
    """The person turns the adjusters; frames are read one after another."""
    FINISHED = "finished"
    """A sweep confirmed that the axis is within tolerance."""
    STOPPED = "stopped"
    """Ended by the person; motion was stopped."""
    FAILED = "failed"
    """Ended by an error; motion was stopped, or is reported as unknown."""


class Happening(Enum):
    """What moves a session on."""

    START = "start"
    CHECKED = "checked"
    TAKEN_UP = say("resumed")
    """An interrupted session goes on adjusting."""
    PLANNED = "planned"
    MEASURED_OUTSIDE = say("measured outside tolerance")
    MEASURED_WITHIN = say("measured within tolerance")
    SWEEP_WANTED = say("new sweep wanted")
    STOP = "stop"
    TROUBLE = "trouble"


class NotNow(PolewrightError):
    """What was asked for does not fit the step the session is in."""

    code = "not_now"
    advice = say("Wait for the present step to end, or stop the session.")

    def __init__(self, step: Step, happening: str) -> None:
        super().__init__(step, happening)
        self.step, self.happening = step, happening

    def __str__(self) -> str:
        return say(
            "'{happening}' is not possible while the session is {step}",
            happening=self.happening,
            step=self.step.value,
        )


_RUNNING = (Step.CHECKING, Step.PLANNING, Step.SWEEPING, Step.ADJUSTING)

NEXT: Mapping[tuple[Step, Happening], Step] = {
    (Step.IDLE, Happening.START): Step.CHECKING,
    (Step.CHECKING, Happening.CHECKED): Step.PLANNING,
    (Step.CHECKING, Happening.TAKEN_UP): Step.ADJUSTING,
    (Step.PLANNING, Happening.PLANNED): Step.SWEEPING,
    (Step.SWEEPING, Happening.MEASURED_OUTSIDE): Step.ADJUSTING,
    (Step.SWEEPING, Happening.MEASURED_WITHIN): Step.FINISHED,
    (Step.ADJUSTING, Happening.SWEEP_WANTED): Step.PLANNING,
    **{(step, Happening.STOP): Step.STOPPED for step in _RUNNING},
    **{(step, Happening.TROUBLE): Step.FAILED for step in _RUNNING},
}
"""A pair that is not listed raises `NotNow`: an error, not a silent no-op."""

MAY_MOVE = frozenset({Step.SWEEPING})
"""Steps in which the session itself may slew the mount."""

ENDED = frozenset({Step.FINISHED, Step.STOPPED, Step.FAILED})


def follow(step: Step, happening: Happening) -> Step:
    """Return the step that follows.

    Raises:
        NotNow: nothing follows ``happening`` in ``step``.
    """
    try:
        return NEXT[step, happening]
    except KeyError:
        raise NotNow(step, happening.value) from None
