"""The policy table: every row says how it ends, the code goes by it (the handbook shows it)."""

from __future__ import annotations

import pytest

from polewright.devices.alpaca import errors as alpaca
from polewright.devices.alpaca.errors import Where
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import Cancelled, PolewrightError
from polewright.observing.safety.retry_policy import RULES, patience, repeating


class Clock:
    """Notes how long it was asked to sleep."""

    def __init__(self) -> None:
        self.slept: list[float] = []

    def utc_s(self) -> float:
        return 0.0

    def monotonic_s(self) -> float:
        return 0.0

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        if cancel is not None:
            cancel.check()
        self.slept.append(seconds)


def failing(*errors: PolewrightError):
    """An action that fails with each error in turn and succeeds then."""
    left = list(errors)

    def action() -> str:
        if left:
            raise left.pop(0)
        return "done"

    return action


def silent() -> alpaca.AlpacaError:
    return alpaca.DeviceSilent(Where("h", 1, "camera", 0), "x", "nothing")


def gone() -> alpaca.AlpacaError:
    return alpaca.NotConnected(Where("h", 1, "camera", 0), "x", "no", 0x407)


@pytest.mark.parametrize("name", RULES)
def test_an_error_that_ends_a_run_ends_it_with_the_code_of_its_row(name: str) -> None:
    """The exit code in the table is that of the errors; PolewrightErrors cannot contradict it."""
    rule = RULES[name]
    for error in rule.errors:
        # What only some leaves of a kind say otherwise (such as unsafe) is more precise.
        assert rule.exit_code is error.exit_code or name in ("unsolved", "reference")
    assert rule.trouble
    assert rule.again
    assert rule.then


def test_repeating_waits_as_the_row_says_and_gives_up_after_it() -> None:
    """Each further try is told and waited for; one more failure comes through."""
    rule = RULES["exposure"]
    clock, told = Clock(), []

    def tell(name: str, error: PolewrightError) -> None:
        told.append(name)

    tries = [silent() for _ in range(rule.times)]
    result = repeating(("exposure",), failing(*tries), clock=clock, cancel=None, tell=tell)

    assert result == "done"
    assert tuple(clock.slept) == rule.waits_s
    assert told == ["exposure"] * rule.times
    with pytest.raises(alpaca.DeviceSilent):
        repeating(("exposure",), failing(*tries, silent()), clock=Clock(), cancel=None, tell=tell)


def test_each_row_keeps_its_own_count_and_others_come_through() -> None:
    """A restart does not use up the tries of an exposure; a refusal is not repeated at all."""
    names = ("camera_restarted", "exposure")
    errors = [gone(), silent(), gone(), silent()]
    clock = Clock()

    assert (
        repeating(names, failing(*errors), clock=clock, cancel=None, tell=lambda *_: None) == "done"
    )

    parked = alpaca.Parked(Where("h", 1, "telescope", 0), "x", "parked", 0x408)
    with pytest.raises(alpaca.Parked):
        repeating(names, failing(parked), clock=clock, cancel=None, tell=lambda *_: None)


def test_a_stop_ends_the_repeating() -> None:
    """Nobody waits for a further try after Ctrl-C."""
    cancel = CancelToken()
    cancel.cancel("stop")
    with pytest.raises(Cancelled):
        repeating(
            ("exposure",), failing(silent()), clock=Clock(), cancel=cancel, tell=lambda *_: None
        )


def test_the_connection_is_as_patient_as_the_table() -> None:
    """The rows of questions are what the client gets."""
    given = patience()
    assert given[alpaca.DeviceSilent] == RULES["read_silent"].waits_s
    assert given[alpaca.ServerUnreachable] == RULES["read_unreachable"].waits_s
    assert len(given) == 6
