"""A handful of the runs of `tests/bench/soak.py`, so that the soak itself cannot rot."""

from __future__ import annotations

import pytest
import soak

from polewright.foundation.clock import REHEARSAL_VARIABLE

pytestmark = pytest.mark.e2e

#: Few enough to be quick, of different kinds: stuck camera, limit, full disk, no members, a camera
#: that restarts, dropped answers.
SEEDS = (2, 4, 5, 10, 14)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_run_with_random_faults_ends_at_rest_honestly_and_on_record(seed, monkeypatch) -> None:
    """Nothing moves afterwards, nothing hangs, the journal is there, no figure is a lie."""
    for name in ("XDG_STATE_HOME", "XDG_DATA_HOME", REHEARSAL_VARIABLE):
        monkeypatch.setenv(name, "")

    outcome = soak.one_run(seed)

    assert not outcome.moving, outcome
    assert not outcome.tracking, outcome
    assert not outcome.hung, outcome
    assert outcome.journal, outcome
    # Five in a hundred are outside 95 %: a lie is what is far outside.
    assert all(squared < 4.0 * soak.CHI2_95_2D for squared, _arcmin in outcome.figures), outcome
    assert outcome.struck
