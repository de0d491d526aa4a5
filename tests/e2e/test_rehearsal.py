"""A rehearsal between programs, whose rig leads the time: computing costs what it costs."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from support.printed import printed

from polewright.foundation.errors import ExitCode
from polewright.foundation.rehearsal import REHEARSAL_VARIABLE

pytestmark = pytest.mark.e2e

DEMO = Path(__file__).parents[2] / "demo"
RIG = (
    (DEMO / "rig.toml").read_text("utf-8").replace("3124", "1100").replace("2088", "740")
).replace("7.52", "15.04")
RATE = 30.0
SOLVE_S = 0.5
#: The program on a slow computer; writes how many real seconds each solve took.
SLOW = f"""
import json, os, runpy, sys, time
from polewright.solving.embedded.solver import EmbeddedSolver

solve = EmbeddedSolver.solve

def slow(*args, **more):
    began_s = time.monotonic()
    time.sleep({SOLVE_S})
    try:
        return solve(*args, **more)
    finally:
        with open(os.environ["TOOK"], "a") as took:
            took.write(f"{{time.monotonic() - began_s}}\\n")

EmbeddedSolver.solve = slow
sys.argv[0] = "polewright"
runpy.run_module("polewright", run_name="__main__")
"""


def test_a_slow_computer_solves_as_slowly_in_a_fast_night(tmp_path) -> None:
    """At 30 times the speed a solve of half a second is one, not of 15 s."""
    (tmp_path / "rig.toml").write_text(RIG, "utf-8")
    took = tmp_path / "took"
    rig = subprocess.Popen(
        [
            *(sys.executable, "-m", "polewright", "simulate", "--spec", str(tmp_path / "rig.toml")),
            *("--port", "0", "--discovery-port", "0", "--night", "2026-11-20"),
            *("--rate", f"{RATE:g}"),
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    with rig:
        try:
            assert rig.stdout is not None
            found = re.search(r"on ([\d.]+):(\d+)", rig.stdout.readline())
            assert found
            host, port = found.groups()
            done = subprocess.run(
                [
                    *(sys.executable, "-c", SLOW, "measure", "--json"),
                    *("-c", str(DEMO / "polewright.toml")),
                    *("--telescope-host", host, "--telescope-port", port),
                    *("--camera-host", host, "--camera-port", port),
                    *("--run-journal-folder", str(tmp_path)),
                ],
                env={
                    **os.environ,
                    REHEARSAL_VARIABLE: f"http://{host}:{port}",
                    "TOOK": str(took),
                },
                capture_output=True,
                text=True,
                timeout=300,
                check=False,
            )
        finally:
            rig.kill()

    assert done.returncode == ExitCode.OUT_OF_TOLERANCE, done.stderr
    assert "Rehearsal clock" in done.stderr
    measured = printed("measure", done.stdout)
    assert measured["axis"]["total_arcmin"] == pytest.approx(80.87, abs=0.5)
    real_s = [float(line) for line in took.read_text().split()]
    solves_s = [point["solve_s"] for point in measured["points"]]
    assert len(solves_s) == 3
    assert min(solves_s) >= SOLVE_S
    # The night spent on frames what the computer did, finding the stars included: not 30 times.
    spent_s = measured["time"]["solve_s"] + measured["time"]["overlap_saved_s"]
    assert SOLVE_S <= spent_s < 0.2 * RATE * sum(real_s)
