"""Solvers are found by entry point; their errors say what to do and survive pickling."""

from __future__ import annotations

import pickle
from importlib.metadata import EntryPoint

import pytest

from polewright.foundation import plug_ins
from polewright.foundation.errors import ConfigError, ExitCode, SolveError
from polewright.solving import registry
from polewright.solving.embedded.solver import EmbeddedSolver
from polewright.solving.errors import (
    NoMatch,
    SolutionRejected,
    SolverFailed,
    SolverMissing,
    SolverTimedOut,
    TooFewStars,
)
from polewright.solving.external.command import CommandSolver


def test_both_solvers_are_registered() -> None:
    assert isinstance(registry.load_solver("command", {"command": "true"}), CommandSolver)
    assert isinstance(registry.load_solver("embedded"), EmbeddedSolver)


def test_an_unknown_name_lists_what_there_is() -> None:
    with pytest.raises(ConfigError, match=r"no solver named 'nosuch'.*command, .*embedded"):
        registry.load_solver("nosuch")


def test_a_solver_whose_code_is_missing_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    broken = EntryPoint("broken", "polewright_no_such_module:create", registry.ENTRY_POINT_GROUP)
    monkeypatch.setattr(plug_ins, "entry_points", lambda group: [broken])

    with pytest.raises(SolverMissing, match="polewright_no_such_module") as caught:
        registry.load_solver("broken")
    assert "Install" in caught.value.advice


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (TooFewStars(3, 4), "3 stars found in the frame, 4 needed"),
        (NoMatch("near the pole", (5.4, 3.6), 20, "why"), "20 stars found match no place near"),
        (NoMatch("anywhere in the sky"), "a field of unknown size"),
        (SolutionRejected("x", "mirrored"), "mirrored"),
        (SolverMissing("x", "not there", "Install it."), "not there"),
        (SolverTimedOut("x", 2.5), "within 2.5 s"),
        (SolverFailed("x", 3, "crashed", ["a", "b"]), r"exit status 3\): crashed.*a \| b"),
    ],
    ids=lambda v: type(v).__name__ if isinstance(v, SolveError) else "",
)
def test_errors_speak_and_survive_pickling(error: SolveError, says: str) -> None:
    again = pickle.loads(pickle.dumps(error))

    with pytest.raises(SolveError, match=says):
        raise again
    assert again.advice == error.advice != ""
    assert again.exit_code is ExitCode.SOLVE
    assert vars(again) == vars(error)
