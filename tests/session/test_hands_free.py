"""Motors of an unattended session: what is said when a session ends while one turns."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from polewright.foundation.config import AdjusterSection
from polewright.foundation.errors import Cancelled
from polewright.session.hands_free import HandsFree


def hands_free(notes: list[tuple[str, bool]], **members) -> HandsFree:
    rig: Any = SimpleNamespace(
        config=SimpleNamespace(adjuster=AdjusterSection()),
        note=lambda text, warning=False: notes.append((text, warning)),
    )
    return HandsFree(rig, cast("Any", SimpleNamespace(**members)), lambda _kind, _data: None)


def test_a_motor_that_may_not_have_stopped_is_told_after_the_mounts_stop() -> None:
    """The session's own end comes through; the warning says why the motor's stop is not sure."""
    notes: list[tuple[str, bool]] = []
    motors = hands_free(notes, stop_trouble=lambda: "its stop command failed: exit code 3")

    with pytest.raises(Cancelled), motors.told_when_stopped():
        raise Cancelled("stopped by the user")

    assert notes == [
        (
            "An adjuster's motor may still be turning: its stop command failed: exit code 3. "
            "Go and look.",
            True,
        )
    ]


@pytest.mark.parametrize("members", [{}, {"stop_trouble": lambda: None}])
def test_a_motor_at_rest_is_not_mentioned(members) -> None:
    """Neither one that stopped, nor one of a kind that always stops before it lets go."""
    notes: list[tuple[str, bool]] = []

    with pytest.raises(Cancelled), hands_free(notes, **members).told_when_stopped():
        raise Cancelled("stopped by the user")

    assert notes == []
