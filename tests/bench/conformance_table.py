"""Checks the simulated rig against the official device API description; prints a table.

    python tests/bench/conformance_table.py

Every operation of the description (tests/support/alpaca_members.tsv) is tried over HTTP on loopback
with the same checks as in tests/sim/test_api_description.py.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import sim.test_api_description as checks
from sim.rig_bench import RigBench

Check = Callable[[RigBench, checks.Operation], None]
CHECKS: dict[str, Check] = {
    "right request": checks.test_the_right_request_is_answered,
    "wrong case": checks.test_wrong_casing_is_refused,
    "other method": checks.test_the_other_method_is_refused,
    "parameters": checks.test_parameters_are_required_and_cased,
    "disconnected": checks.test_a_disconnected_device_says_so,
}


def applies(name: str, operation: checks.Operation) -> bool:
    """Whether a check says anything about an operation."""
    if name == "parameters":
        return bool(operation.parameters)
    return name != "disconnected" or operation.member not in checks.CONNECTION


def ready(bench: RigBench) -> None:
    """Connect every device, as before each test."""
    for device in bench.running.devices:
        bench.until(lambda device=device: device._connecting is None)  # type: ignore[misc]
        device.put_connected(True)


def main() -> None:
    """Run everything and print Markdown; the exit code tells whether all passed."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    passed: Counter[tuple[str, str]] = Counter()
    failed: Counter[tuple[str, str]] = Counter()
    failures = []
    bench = RigBench()
    try:
        for operation in checks.OPERATIONS:
            for name, check in CHECKS.items():
                if not applies(name, operation):
                    continue
                ready(bench)
                try:
                    check(bench, operation)
                    passed[operation.device, name] += 1
                except AssertionError as error:
                    failed[operation.device, name] += 1
                    failures.append(f"- {operation}, {name}: {str(error).splitlines()[:1]}")
    finally:
        bench.close()
    kinds = list(dict.fromkeys(operation.device for operation in checks.OPERATIONS))
    print("| device | operations | " + " | ".join(CHECKS) + " | checks | passed | failed |")
    print("|---|" + "---:|" * (len(CHECKS) + 4))
    for kind in [*kinds, "all"]:
        these = kinds if kind == "all" else [kind]
        count = sum(operation.device in these for operation in checks.OPERATIONS)
        good = {n: sum(passed[k, n] for k in these) for n in CHECKS}
        bad = {n: sum(failed[k, n] for k in these) for n in CHECKS}
        cells = [f"{good[n]}/{good[n] + bad[n]}" for n in CHECKS]
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
