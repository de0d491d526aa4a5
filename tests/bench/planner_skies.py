"""Plan 1,000 random skies and check every plan by brute force; prints a Markdown table.

nice -n 5 env OMP_NUM_THREADS=1 .venv/bin/python tests/bench/planner_skies.py [count] [seed] [first]
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from planning import brute
from planning.random_skies import random_request

from polewright.calculation.planning.errors import NoSweepFits
from polewright.calculation.planning.planner import plan_sweep


def main(count: int = 1000, seed: int = 1, first: int = 0) -> None:
    edges = (0.2, 0.35, 0.5, 0.65, 0.8, 0.96)
    rows: dict[int, list[Any]] = {i: [] for i in range(len(edges) - 1)}
    disputes = []
    for k in range(first, first + count):
        rng = np.random.default_rng([seed, k])
        request, share = random_request(rng)
        begin = time.process_time()
        try:
            plans = plan_sweep(request)
        except NoSweepFits:
            plans = []
        took = time.process_time() - begin
        faults = [f"sky {k}: {f}" for plan in plans for f in brute.faults_of(request, plan, rng)]
        agreed = None
        if not plans:
            # The first slew depends on where the mount stands, not on the sky: leave it out.
            free = replace(request, pointing=None)
            none_fits = True
            if request.pointing is not None:
                try:
                    plan_sweep(free)
                    none_fits = False
                except NoSweepFits:
                    pass
            if none_fits:
                found = brute.exhaustive(free)
                agreed = found is None
                if found:
                    disputes.append(f"sky {k}: exhaustive found {found}")
        row = min(int(np.searchsorted(edges, share, side="right")) - 1, len(edges) - 2)
        rows[max(row, 0)].append((len(plans), faults, took, agreed))
    everything = [x for row in rows.values() for x in row]
    print(
        "| sky blocked | skies | with a plan | plans | violations | none fits | exhaustive agrees"
        " | median s | worst s |"
    )
    print("| --- " * 9 + "|")
    for name, part in [
        *((f"{100 * edges[i]:.0f} to {min(95, 100 * edges[i + 1]):.0f} %", rows[i]) for i in rows),
        ("all", everything),
    ]:
        if not part:
            continue
        times = [x[2] for x in part]
        judged = [x[3] for x in part if x[3] is not None]
        print(
            f"| {name} | {len(part)} | {sum(x[0] > 0 for x in part)} | {sum(x[0] for x in part)} "
            f"| {sum(len(x[1]) for x in part)} | {len(judged)} | {sum(judged)} "
            f"| {np.median(times):.2f} | {max(times):.2f} |"
        )
    for line in [f for x in everything for f in x[1]] + disputes:
        print(line)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
