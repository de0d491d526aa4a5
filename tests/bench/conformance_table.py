"""Checks the simulated rig against the official device API description; prints a table.

    python tests/bench/conformance_table.py

Every operation of the description (tests/support/alpaca_members.tsv) is tried over HTTP on loopback
with the same checks as in tests/sim/test_api_description.py.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import sim.test_api_description as checks
from sim.rig_bench import RigBench


def main() -> None:
    """Run everything and print Markdown; the exit code tells whether all passed."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    passed: Counter[tuple[str, str]] = Counter()
    failed: Counter[tuple[str, str]] = Counter()
    failures = []
    bench = RigBench()
    try:
        for operation in checks.OPERATIONS:
            for name, check in checks.CHECKS.items():
                if not checks.applies(name, operation):
                    continue
                checks.ready(bench)
                try:
                    check(bench, operation)
                    passed[operation.device, name] += 1
                except AssertionError as error:
                    failed[operation.device, name] += 1
                    failures.append(f"- {operation}, {name}: {str(error).splitlines()[:1]}")
    finally:
        bench.close()
    kinds = list(dict.fromkeys(operation.device for operation in checks.OPERATIONS))
    print("| device | operations | " + " | ".join(checks.CHECKS) + " | checks | passed | failed |")
    print("|---|" + "---:|" * (len(checks.CHECKS) + 4))
    for kind in [*kinds, "all"]:
        these = kinds if kind == "all" else [kind]
        count = sum(operation.device in these for operation in checks.OPERATIONS)
        good = {n: sum(passed[k, n] for k in these) for n in checks.CHECKS}
        bad = {n: sum(failed[k, n] for k in these) for n in checks.CHECKS}
        cells = [f"{good[n]}/{good[n] + bad[n]}" for n in checks.CHECKS]
        sums = sum(good.values()), sum(bad.values())
        print(
            f"| {kind} | {count} | "
            + " | ".join(cells)
            + f" | {sum(sums)} | {sums[0]} | {sums[1]} |"
        )
    print("\n".join(failures))
    sys.exit(1 if failures else 0)


if __name__ == "__main__":
    main()
