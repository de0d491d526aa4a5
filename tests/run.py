"""Run every test on a fresh machine: ``python3 tests/run.py [pytest arguments]``.

Makes ``.venv``, installs the project with its test extras and runs pytest. Arguments go to
pytest: ``python3 tests/run.py -m "not e2e"`` runs the fast tests only.
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
    return subprocess.run(
        [str(python), "-m", "pytest", *sys.argv[1:]], cwd=ROOT, env=env, check=False
    ).returncode


if __name__ == "__main__":
    raise SystemExit(main())
