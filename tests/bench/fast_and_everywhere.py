"""All benchmarks of speed, memory, accuracy and coverage, in one Markdown report.

    python tests/bench/fast_and_everywhere.py --quick            about ten minutes
    python tests/bench/fast_and_everywhere.py --out report.md    hours: the whole grid of fields
    python tests/bench/fast_and_everywhere.py --only stages memory

Each part is a script of this folder with its own options; the command that was run stands above
its table, so that a part can be repeated alone. Parts run one after the other with one thread of
linear algebra, and at a lower priority. `--board` scales times to a slower computer by the ratio
of single-core speeds that you state: the default, 4.5, is an assumption (from memory: a
small single-board computer of 2019, 1.5 GHz, reaches a quarter to a fifth of a server's core in
single-core benchmarks), and memory speed is not in it.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from pathlib import Path

from bench_frames import machine

HERE = Path(__file__).parent
#: Name, what it tells, script, and its options: quick, and full.
PARTS: tuple[tuple[str, str, str, str, str], ...] = (
    (
        "stages",
        "Times of each stage, and of a live frame",
        "stage_times.py",
        "--sizes 16 26 --frames 3 --board {board}",
        "--sizes 16 26 61 --frames 15 --board {board}",
    ),
    (
        "colour",
        "The same on a one-shot colour sensor",
        "stage_times.py",
        "--sizes 26 --frames 2 --colour",
        "--sizes 26 61 --frames 10 --colour",
    ),
    (
        "memory",
        "Peak memory from the body of a download to an attitude",
        "memory_peak.py",
        "--sizes 26",
        "--sizes 16 26 61",
    ),
    (
        "downloads",
        "ImageBytes beside JSON, our client beside `alpyca`",
        "downloads.py",
        "--sizes 4 --times 3",
        "--sizes 4 16 26 61 --times 5 --json-up-to 26",
    ),
    (
        "accuracy",
        "Attitude and axis beside the Cramer-Rao bound",
        "accuracy_bound.py",
        "--sweeps 4 --size 16",
        "--sweeps 30 --size 26",
    ),
    (
        "startup",
        "Start of the command line, cost of an idle service",
        "startup_and_idle.py",
        "--times 3 --idle-s 15 --board {board}",
        "--times 10 --idle-s 120 --board {board}",
    ),
    (
        "peer",
        "Image to attitude beside `solve-field` with the same hint",
        "solve_speed.py",
        "--frames 3",
        "--frames 15",
    ),
    (
        "grid",
        "Solves over field widths, parts of the sky and skies, beside `solve-field`",
        "solver_grid.py",
        "--each 1 --special 0 --width 1.35 --width 4 --width 15 --sky suburban --peer 1",
        "--each 50 --peer 4",
    ),
    (
        "sweep",
        "How long a measurement takes over what it cannot do without",
        "sweep_time.py",
        "--rigs 1 --kinds stiff",
        "--rigs 4",
    ),
    (
        "page",
        "From a frame that is ready to the reading on the page",
        "page_latency.py",
        "6",
        "30",
    ),
)


def run(script: str, words: list[str], out: list[str]) -> bool:
    """Run a part and take down what it prints; return whether it went well."""
    command = [sys.executable, str(HERE / script), *words]
    shown = f"`python tests/bench/{script} {' '.join(words)}`"
    tell(out, shown + "\n")
    began = time.monotonic()
    nice = ["nice", "-n", "10"] if os.name == "posix" else []
    done = subprocess.run(
        [*nice, *command],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )
    tell(out, done.stdout.strip())
    if done.returncode:
        last = "\n".join(done.stderr.strip().splitlines()[-6:])
        tell(out, f"\n**ended with code {done.returncode}**\n\n```\n{last}\n```")
    tell(out, f"\n({time.monotonic() - began:.0f} s)\n")
    return done.returncode == 0


def tell(out: list[str], text: str) -> None:
    """Print, and keep for the file."""
    print(text, flush=True)
    out.append(text)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="smaller and fewer")
    parser.add_argument("--only", nargs="+", choices=[part[0] for part in PARTS])
    parser.add_argument("--without", nargs="+", choices=[part[0] for part in PARTS], default=[])
    parser.add_argument("--board", type=float, default=4.5, help="how many times slower")
    parser.add_argument("--out", type=Path, help="write the report here, too")
    options = parser.parse_args()
    out: list[str] = []
    tell(out, f"# Fast and everywhere\n\n{time.strftime('%Y-%m-%d %H:%M')}, {machine()}\n")
    bad = []
    for name, title, script, quick, full in PARTS:
        if (options.only and name not in options.only) or name in options.without:
            continue
        tell(out, f"## {title}\n")
        words = (quick if options.quick else full).format(board=f"{options.board:g}").split()
        if not run(script, words, out):
            bad.append(name)
        if options.out is not None:
            options.out.write_text("\n".join(out) + "\n", encoding="utf-8")
    tell(out, f"Parts that did not end well: {', '.join(bad)}" if bad else "All parts ended well.")
    if options.out is not None:
        options.out.write_text("\n".join(out) + "\n", encoding="utf-8")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
