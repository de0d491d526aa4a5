"""Run every test on a fresh machine: ``python3 tests/run.py [pytest arguments]``.

Makes ``.venv``, installs the project with its test extras and runs pytest, three processes a core
(six at most: many tests wait for a clock or a device, not for the processor).

Arguments go to pytest: ``python3 tests/run.py -m "not e2e"`` runs the fast tests
only, ``-n 0`` runs them in one process.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "demo"))

import environment  # noqa: E402 - found in demo/, which is no package


def main() -> int:
    python = environment.prepare(("peers", "test"))
    environment.say("running the tests")
    # One thread a process: the machines this runs on are small and the arrays are not.
    env = {"OMP_NUM_THREADS": "1", **os.environ}
    env["POLEWRIGHT_CATALOGUE"] = "none"  # the user's own star catalogues are no part of a test
    # Some hundred programs are started; without compiled files each compiles the product (1 s).
    env.pop("PYTHONDONTWRITEBYTECODE", None)
    # Whole files to a worker: their fixtures start servers that the tests of a file share. In the
    # order of conftest.py, which has the long ones early.
    count = min(6, 3 * (os.cpu_count() or 1))
    workers = ["-n", str(count), "--dist", "loadfile", "--no-loadscope-reorder"]
    return subprocess.run(
        [str(python), "-m", "pytest", *workers, *sys.argv[1:]], cwd=ROOT, env=env, check=False
    ).returncode


if __name__ == "__main__":
    raise SystemExit(main())
