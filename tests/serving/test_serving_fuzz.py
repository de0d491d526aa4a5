"""The service holds to its own description, whatever it is sent."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "bench" / "fuzz_service.py"


@pytest.mark.e2e
def test_requests_made_from_the_description_find_no_fault() -> None:
    """A few at random for each operation: no fault, no status or document that is not described."""
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--examples", "4", "--quick", "--limit", "100"],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )

    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
