"""The live reading against the truth of rendered rigs; the bench beside has the statistics."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

pytestmark = pytest.mark.e2e

BENCH = Path(__file__).parent.parent / "bench" / "live_truth.py"


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    spec = importlib.util.spec_from_file_location("live_truth", BENCH)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["live_truth"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("seed", [2, 3])
def test_readings_agree_with_the_truth_off_level_with_slack_and_no_tracking(
    bench: ModuleType, seed: int
) -> None:
    """Tripod tilted by 3 degrees, backlash, tracking off: each reading within 4 of its sigmas."""
    compared, trouble = bench.run_rig(seed, "all together")

    assert trouble == ""
    assert len(compared) >= 2
    for item in compared:
        # `sigma` is both components together; the axis itself may be up to so far off.
        assert item.off < 4.0 * item.sigma
        assert item.sigma < 30.0
