"""The live reading against the truth of rendered rigs; the bench beside has the statistics."""

from __future__ import annotations

import live_truth
import pytest

pytestmark = pytest.mark.e2e


@pytest.mark.parametrize("seed", [2, 3])
def test_readings_agree_with_the_truth_off_level_with_slack_and_no_tracking(seed: int) -> None:
    """Tripod tilted by 3 degrees, backlash, tracking off: each reading within 4 of its sigmas."""
    compared, trouble = live_truth.run_rig(seed, "all together")

    assert trouble == ""
    assert len(compared) >= 2
    for item in compared:
        # `sigma` is both components together; the axis itself may be up to so far off.
        assert item.off < 4.0 * item.sigma
        assert item.sigma < 30.0
