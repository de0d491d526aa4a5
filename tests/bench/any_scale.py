"""Frames whose scale and direction are known, wrong or unknown: solved, wrong, processor time.

``python tests/bench/any_scale.py --frames 1000`` solves star lists made in
tests/solving/synthetic.py (``any_frame``, ``any_hint``: see there for what varies) as a run does,
with the whole sky as the last resort, and prints Markdown tables. Times are of the processor, in a
process that has met the whole sky before; ``--cold N`` tells how long N frames of nothing known
take in fresh processes, the whole sky's shapes included. Rendered images with such hints:
``solver_grid.py --special``.

A solve is wrong when its boresight is off the truth by more than 10 pixels.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_frames import machine, table
from solving.synthetic import (  # beside the solver's tests
    COLUMNS,
    DIRECTIONS,
    SCALES,
    any_frame,
    any_hint,
)

from polewright.foundation.angles import DEG, separation
from polewright.foundation.errors import SolveError
from polewright.solving.embedded.solver import EmbeddedSolver, create

WRONG_PX = 10.0
BANDS_DEG = (1.3, 2.0, 4.0, 8.0, 15.0, 30.0)
COLD = """
import sys; sys.path[:0] = {path!r}
import time, numpy as np
from any_scale import cold
cold({seed})
"""


@dataclass(frozen=True)
class Outcome:
    """How a frame went."""

    seed: int
    width_deg: float
    stars: int
    real: int
    scale: str
    direction: str
    solved: bool
    off_px: float
    took_s: float
    again_s: float
    """The same frame with what the first solve told."""
    why: str = ""

    @property
    def wrong(self) -> bool:
        return self.solved and self.off_px > WRONG_PX


@cache
def _solver() -> EmbeddedSolver:
    made = create({"blind": True, "catalogue": "none"})
    assert isinstance(made, EmbeddedSolver)
    return made


def run(seed: int) -> Outcome:
    """Make and solve one frame."""
    rng = np.random.default_rng([83, seed])
    stars, truth = any_frame(rng)
    hint, scale, direction = any_hint(rng, truth)
    about = (seed, truth.scale * COLUMNS / DEG, len(stars), truth.real, scale, direction)
    solver = _solver()
    started = time.process_time()
    try:
        found = solver.solve(stars, hint, timeout_s=120.0)
    except SolveError as error:
        return Outcome(*about, False, 0.0, time.process_time() - started, 0.0, str(error))
    took_s = time.process_time() - started
    off_px = float(separation(found.centre_icrs, truth.attitude[:, 2])) / truth.scale
    started = time.process_time()
    learned = type(hint)(found.centre_icrs, DEG, found.scale, 0.01, found.parity, hint.epoch_year)
    solver.solve(stars, learned)
    return Outcome(*about, True, off_px, took_s, time.process_time() - started)


def cold(seed: int) -> None:
    """Solve a frame of nothing known in this process and print how long it all took."""
    rng = np.random.default_rng([89, seed])
    stars, truth = any_frame(rng)
    hint = type(any_hint(rng, truth)[0])()
    started = time.process_time()
    create({"catalogue": "none"}).solve(stars, hint, timeout_s=120.0)
    print(truth.scale * COLUMNS / DEG, time.process_time() - started)


def row(name: str, some: list[Outcome]) -> list[object]:
    """One line of a table."""
    times = np.array([item.took_s for item in some])
    again = [item.again_s for item in some if item.solved]
    return [
        name,
        len(some),
        sum(not item.solved for item in some),
        sum(item.wrong for item in some),
        f"{np.median(times):.2f}",
        f"{np.percentile(times, 99):.2f}",
        f"{times.max():.2f}",
        f"{np.median(again) * 1e3:.0f}" if again else "",
    ]


def rows(found: list[Outcome]) -> Iterator[list[object]]:
    """All lines: every frame, then by kind of scale, of direction, and by width."""
    yield row("all", found)
    for scale in SCALES:
        yield row(f"scale: {scale}", [item for item in found if item.scale == scale])
    for way in DIRECTIONS:
        yield row(f"direction: {way}", [item for item in found if item.direction == way])
    for low, high in pairwise(BANDS_DEG):
        some = [item for item in found if low <= item.width_deg < high]
        yield row(f"{low:g} to {high:g} deg wide", some)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="number of the first frame")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--cold", type=int, default=0, help="first frames in fresh processes")
    options = parser.parse_args()
    print(machine())
    if options.frames:
        _solver()
        with concurrent.futures.ProcessPoolExecutor(options.jobs) as pool:
            seeds = range(options.first, options.first + options.frames)
            list(pool.map(_warm, range(options.jobs)))
            found = list(pool.map(run, seeds, chunksize=8))
        head = ("frames", "tried", "unsolved", "wrong", "median s", "99 % s", "worst s", "later ms")
        table(head, list(rows([item for item in found if item.width_deg <= 30.0])))
        for item in found:
            if item.wrong or not item.solved:
                print(f"- {item}")
    path = [str(Path(__file__).parent)]
    cold_rows = []
    for seed in range(options.cold):
        code = COLD.format(path=path, seed=seed)
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        cold_rows.append([float(word) for word in done.stdout.split()])
    if cold_rows:
        table(("first frame of a process, width, deg", "processor s"), sorted(cold_rows))
    return 1 if options.frames and any(item.wrong for item in found) else 0


def _warm(_number: int) -> None:
    """Meet the whole sky once in this process."""
    for seed in range(3):
        run(10**6 + seed)


if __name__ == "__main__":
    raise SystemExit(main())
