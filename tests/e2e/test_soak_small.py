"""A handful of the nights of `tests/bench/soak.py`, so that the soak itself cannot rot."""

from __future__ import annotations

import pytest
import soak

from polewright.foundation.rehearsal import REHEARSAL_VARIABLE

pytestmark = pytest.mark.e2e

#: Few enough to be quick, one of each kind.
SEEDS = (16, 57, 58, 175, 290)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_night_with_random_faults_ends_at_rest_honestly_and_on_record(seed, monkeypatch) -> None:
    """Nothing moves afterwards, nothing hangs, the journal is there, no figure is a lie."""
    for name in ("XDG_STATE_HOME", "XDG_DATA_HOME", REHEARSAL_VARIABLE):
        monkeypatch.setenv(name, "")

    outcome = soak.one_night(seed)

    assert not outcome.broken, f"{outcome}; again: {soak.replay(outcome)}"
    assert outcome.struck
