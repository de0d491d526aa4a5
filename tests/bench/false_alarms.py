"""Lists of detections that must not be solved: random ones, and real skies far from the hint.

``python tests/bench/false_alarms.py --each 1000`` prints a Markdown table of false alarms and of
misses (right hints that were not solved) with bounds: with none seen in n, the rate is below 3 / n
with 95 % confidence (the rule of three: -ln 0.05 / n). The star lists are made in
tests/solving/synthetic.py from the catalogue by a projection of its own.

``--narrow`` does the same with fields of 0.5 and 0.9 degrees, an add-on catalogue built from
Debian's Tycho-2 indexes (as ``solver_grid.py`` does), and hints of up to 10 degrees.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import math
import os
import sys
import tempfile
import time
from collections import Counter
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from solver_grid import make_addon
from solving.synthetic import (  # found beside the solver's tests
    COLUMNS,
    EPOCH,
    Truth,
    attitude_of,
    hint_for,
    observe,
    random_direction,
    random_list,
)

from polewright.foundation.angles import DEG, separation
from polewright.foundation.errors import SolveError
from polewright.solving.base import SolveHint, Solver
from polewright.solving.catalogue.addon import AddOn
from polewright.solving.catalogue.catalogue import Layered, bundled_catalogue
from polewright.solving.embedded.solver import create
from polewright.solving.errors import SolverTimedOut

WIDTHS_DEG = (1.35, 2.0, 3.4, 5.4, 10.0, 20.0, 30.0)
SHARES = (0.05, 0.10, 0.17, 0.17, 0.17, 0.17, 0.17)
NARROW_DEG = (0.5, 0.9)
ADDON = "FALSE_ALARMS_ADDON"
BATCH = 25
NOTHING_KNOWN = "random, nothing known"
"""Neither scale nor direction: the whole sky at every scale."""
TIMEOUT_S = 60.0


@cache
def _solver(catalogue: str) -> Solver:
    return create({"blind": False, "catalogue": catalogue})


def run_batch(mode: str, seed: int) -> Counter[str]:
    """Solve one batch (one hint, many lists) and count how it ended."""
    rng = np.random.default_rng([59, seed, len(mode)])
    addon = os.environ.get(ADDON, "")
    solver = _solver(addon or "none")
    source = Layered((bundled_catalogue(), AddOn(Path(addon)))) if addon else None
    width = float(rng.choice(NARROW_DEG) if addon else rng.choice(WIDTHS_DEG, p=SHARES))
    ra, dec = random_direction(rng)
    scale = 2.0 * math.tan(0.5 * width * DEG) / COLUMNS
    truth = Truth(attitude_of(ra, dec, 0.0), int(rng.choice([-1, 1])), scale, 0)
    hint = hint_for(
        rng,
        truth,
        off_deg=float(rng.choice([1.0, 10.0] if addon else [1.0, 3.0])),
        scale_error=float(rng.choice([0.002, 0.02])),
        parity_known=bool(rng.random() < 0.5),
    )
    if mode == NOTHING_KNOWN:
        hint = SolveHint(epoch_year=EPOCH)
    outcome: Counter[str] = Counter()
    while outcome["tried"] < BATCH:
        own = truth
        if mode in {"random", NOTHING_KNOWN}:
            stars = random_list(rng, int(rng.choice([4, 6, 8, 12, 20, 40, 100, 300])))
        else:
            there = (ra, dec) if mode == "right" else random_direction(rng)
            apart = float(separation(attitude_of(*there, 0.0)[:, 2], truth.attitude[:, 2]))
            if mode == "wrong sky" and apart < (15.0 + width) * DEG:
                continue
            limit = float(rng.choice([12.0, 13.0] if addon else [10.0, 11.0, 12.0]))
            stars, own = observe(
                rng, width, *there, parity=truth.parity, sky_limit=limit, source=source
            )
            if len(stars) < 4:
                continue
        outcome["tried"] += 1
        try:
            solution = solver.solve(stars, hint, timeout_s=TIMEOUT_S)
        except SolverTimedOut:
            outcome["timed out"] += 1
        except SolveError:
            outcome["refused"] += 1
        else:
            # a list of a wrong sky may be found where it is, beyond what its hint asked for
            off = float(separation(solution.centre_icrs, own.attitude[:, 2])) / scale
            right = mode in {"wrong sky", "right"} and off < 10.0
            outcome["solved right" if right else "SOLVED WRONG"] += 1
    return outcome


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--narrow", action="store_true", help="half a degree, with an add-on")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="false-alarms-") as folder:
        if options.narrow:
            os.environ[ADDON] = make_addon(Path(folder))
            if not os.environ[ADDON]:
                print("No index of Debian's is there to build an add-on from.")
                return 2
        return report(options)


def report(options: argparse.Namespace) -> int:
    """Try all kinds of lists, and print; 1 if one was solved wrong."""
    batches = math.ceil(options.each / BATCH)
    print("| lists | tried | solved wrong | solved right | refused | timed out | minutes |")
    print("|---|---|---|---|---|---|---|")
    wrong = 0
    for mode in ("random", NOTHING_KNOWN, "wrong sky", "right"):
        started = time.monotonic()
        total: Counter[str] = Counter()
        with concurrent.futures.ProcessPoolExecutor(options.jobs) as pool:
            for part in pool.map(run_batch, [mode] * batches, range(batches)):
                total += part
        wrong += total["SOLVED WRONG"]
        print(
            f"| {mode} | {total['tried']} | {total['SOLVED WRONG']} | {total['solved right']} | "
            f"{total['refused']} | {total['timed out']} | "
            f"{(time.monotonic() - started) / 60.0:.1f} |",
            flush=True,
        )
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
