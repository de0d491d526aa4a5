"""Whole nights with random faults: does anything move afterwards, lie, hang, or vanish?

``python tests/bench/soak.py NIGHTS [--first SEED] [--out FILE]`` runs and prints the tables;
``python tests/bench/soak.py --report FILE...`` prints them for what was run before. A night that
breaks what must hold is told with the command that has it again.

Each is a run against a small simulated rig of its own, under simulated time: a measurement, an
alignment by a hand that does what the advice says, one by motors, an observatory's start, a drift
check. One to three faults come at random moments, and in half of the nights threads go on late, by
random times, as on a busy computer. All follows from the seed. With ``--kill`` one in twenty is a
process of its own that is killed, in real time.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import soak_night
from soak_night import CHI2_9999_2D, Outcome, child, one_night

from polewright.foundation.errors import ExitCode
from polewright.observing.settling import expose_on_arrival as at_once

CHI2_95_2D = 5.991
"""95 % of two normal variables, squared radius."""

OutcomeT = TypeVar("OutcomeT", bound=Any)


def replay(outcome: Outcome) -> str:
    """Return the command that has a night again."""
    kill = " --kill" if outcome.kind == "kill" else ""
    return f".venv/bin/python tests/bench/soak.py 1 --first {outcome.seed}{kill}"


def how_it_ended(outcome: Outcome) -> str:
    """Return a word or two for the table."""
    code = outcome.exit_code
    if code is None:
        return "no end"
    if code < 0:
        return "killed"
    if outcome.said_within or (outcome.kind in ("measure", "drift") and code == int(ExitCode.OK)):
        return "done"
    return ExitCode(code).name.lower().replace("_", " ")


# -- the report ------------------------------------------------------------------------------


def _table(head: Iterable[str], rows: Iterable[Iterable[object]]) -> list[str]:
    names = list(head)
    lines = ["", "| " + " | ".join(names) + " |", "|" + "---|" * len(names)]
    return [*lines, *("| " + " | ".join(str(cell) for cell in row) + " |" for row in rows)]


def report(outcomes: list[Outcome]) -> str:
    """Return the tables."""
    cost = sum(o.processor_s for o in outcomes) / len(outcomes)
    lines = [
        f"nights: {len(outcomes)}, threads shaken in {sum(o.shaken for o in outcomes)}",
        f"processor: {cost:.2f} s a night, {3600.0 / max(cost, 1e-9):.0f} nights an hour and core",
    ]
    kinds = sorted({o.kind for o in outcomes})
    ends = Counter(how_it_ended(o) for o in outcomes)
    rows = []
    for end, total in ends.most_common():
        counts = Counter(o.kind for o in outcomes if how_it_ended(o) == end)
        rows.append([end, total, *(counts[kind] for kind in kinds)])
    lines += _table(["ended", "all", *kinds], rows)
    lines += _within(outcomes, kinds)
    lines += _figures(outcomes)
    lines += _table(["fault", "drawn", "struck", "how nights it struck ended"], _faults(outcomes))
    broken = [o for o in outcomes if o.broken]
    lines += ["", f"nights that broke what must always hold: {len(broken)}"]
    for o in broken:
        lines += [f"seed {o.seed}, {o.kind}, {', '.join(o.faults)}; again: {replay(o)}"]
        lines += [f"  {told}" for told in o.broken]
    return "\n".join(lines)


def _within(outcomes: list[Outcome], kinds: list[str]) -> list[str]:
    """How often the axis was called within its tolerance, and how true that was."""
    rows: list[list[object]] = []
    untrue: list[Outcome] = []
    for kind in [kind for kind in kinds if kind not in ("measure", "kill")]:
        here = [o for o in outcomes if o.kind == kind]
        said = [o for o in here if o.said_within]
        wrong = [o for o in said if not o.truly]
        untrue += wrong
        refusals = (int(ExitCode.AXIS_NOT_TRUSTED), int(ExitCode.OUT_OF_TOLERANCE))
        refused = [o for o in here if o.truly and o.exit_code in refusals]
        share = f"{100.0 * len(wrong) / len(said):.1f} %" if said else ""
        well = [o for o in refused if o.after_arcmin <= 0.5 * o.tolerance_arcmin]
        rows.append([kind, len(here), len(said), len(wrong), share, len(refused), len(well)])
    head = ["kind", "nights", "said within", "untrue", "share", "good axis refused"]
    head.append("of these within half the tolerance")
    lines = _table(head, rows)
    lines += [
        f"said within, truly {o.after_arcmin:.2f} arcmin: seed {o.seed}, {', '.join(o.faults)}"
        for o in untrue
    ]
    return lines


def _figures(outcomes: list[Outcome]) -> list[str]:
    figures = [(squared, off) for o in outcomes for squared, off in o.figures]
    slipped = sum(o.readings_after_slip for o in outcomes)
    told = f"live readings held against the truth: {sum(o.readings for o in outcomes)}"
    lines = ["", f"{told}; off after a slip that looks like a turn: {slipped}"]
    if not figures:
        return lines
    inside = sum(squared <= CHI2_95_2D for squared, _off in figures)
    far = sum(squared > CHI2_9999_2D for squared, _off in figures)
    offs = sorted(off for _squared, off in figures)
    lines.append(
        f"figures: {len(figures)}, in their 95 % region: {100.0 * inside / len(figures):.1f} %, "
        f"outside that of 99.99 %: {far}; true error: median {offs[len(offs) // 2]:.3f}, "
        f"largest {offs[-1]:.3f} arcmin"
    )
    return lines


def _faults(outcomes: list[Outcome]) -> Iterable[list[object]]:
    for fault in sorted({fault for o in outcomes for fault in o.faults}):
        drawn = sum(fault in o.faults for o in outcomes)
        hit = [o for o in outcomes if fault in o.struck]
        ends = Counter(how_it_ended(o) for o in hit)
        yield [fault, drawn, len(hit), ", ".join(f"{end} {n}" for end, n in ends.most_common())]


def add_run_options(parser: argparse.ArgumentParser) -> None:
    """Let the command line say which runs, or the files of earlier ones."""
    parser.add_argument("runs", type=int, nargs="?", default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--step", type=int, default=1, help="take every so-many-th seed")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--report", type=Path, nargs="+")


def gathered(
    given: argparse.Namespace, kind: Callable[..., OutcomeT], one_run: Callable[[int], OutcomeT]
) -> list[OutcomeT]:
    """Make the runs that were asked for, each told and written down at once, or read old ones."""
    if given.report:
        lines = [line for file in given.report for line in file.read_text().splitlines()]
        return [kind(**json.loads(line)) for line in lines]
    outcomes = []
    for seed in range(given.first, given.first + given.runs * given.step, given.step):
        outcomes.append(one_run(seed))
        line = json.dumps(asdict(outcomes[-1])) + "\n"
        sys.stderr.write(line)
        if given.out:
            with given.out.open("a", encoding="utf-8") as file:
                file.write(line)
    return outcomes


def main() -> int:
    """Run or report."""
    parser = argparse.ArgumentParser(description=__doc__)
    add_run_options(parser)
    parser.add_argument("--at-once", action="store_true", help="expose before the mount is still")
    parser.add_argument("--kill", action="store_true", help="kill the process of one in twenty")
    parser.add_argument("--child", type=Path, nargs=2)
    given = parser.parse_args()
    if given.child:
        return child(*given.child)
    if given.at_once:
        soak_night.AT_ONCE, at_once.QUICK_FETCH_S = True, math.inf
    outcomes = gathered(given, Outcome, partial(one_night, kills=given.kill))
    sys.stdout.write(report(outcomes) + "\n")
    return 1 if any(outcome.broken for outcome in outcomes) else 0


if __name__ == "__main__":
    raise SystemExit(main())
