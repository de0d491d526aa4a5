"""The session's steps, walked as data."""

from __future__ import annotations

import pytest

from polewright.session.states import ENDED, MAY_MOVE, NEXT, Happening, NotNow, Step, follow


def test_every_step_is_reachable_from_idle() -> None:
    """No step stands apart from the rest."""
    reached = {Step.IDLE}
    while True:
        more = {after for (before, _), after in NEXT.items() if before in reached} - reached
        if not more:
            break
        reached |= more

    assert reached == set(Step)


@pytest.mark.parametrize("step", sorted(set(Step) - ENDED - {Step.IDLE}, key=str))
def test_every_running_step_can_be_stopped_and_can_fail(step: Step) -> None:
    """A stop or an error is possible in each step that runs, so also wherever the mount moves."""
    assert follow(step, Happening.STOP) is Step.STOPPED
    assert follow(step, Happening.TROUBLE) is Step.FAILED


def test_the_end_is_the_end() -> None:
    """Nothing follows an ended session, and the mount is never moved by one."""
    assert not any(before in ENDED for before, _ in NEXT)
    assert not (MAY_MOVE & ENDED)


def test_what_does_not_fit_is_an_error_and_not_silence() -> None:
    """An unlisted pair raises and says step and happening."""
    with pytest.raises(NotNow, match=r"'measured within tolerance' is not possible .* adjusting"):
        follow(Step.ADJUSTING, Happening.MEASURED_WITHIN)
