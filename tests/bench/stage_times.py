"""Time of each stage from a frame in memory to an attitude, on 16, 26 and 61 megapixels.

    OMP_NUM_THREADS=1 python tests/bench/stage_times.py --sizes 16 26 61 --frames 5

First what a frame of the sweep takes (whole frame searched, hinted solve), then what a live frame
takes: the camera standing still, after a knob was turned a little, and after it was turned far.
Processor seconds of one thread, so another program on the machine counts little; "wall" is there
to compare. Downloads are in `downloads.py`. ``--board 4.5`` adds what a slower computer would
need, by the ratio of single-core speeds that you state.
"""

from __future__ import annotations

import argparse
import math
import statistics
from dataclasses import dataclass
from typing import Any

from bench_frames import UTC_S, Stopwatch, Studio, machine, table, turned

from polewright.calculation.geometry.attitude import STAR_FLOOR, attitude_from_solution
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.images.quality import frame_quality
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, separation
from polewright.foundation.clock import CancelToken
from polewright.observing.rig.plate_solver import Plate, PlateSolver
from polewright.solving.registry import load_solver

MOTIONS = {
    "still": 0.0,
    "knob by 1'": ARCMIN,
    "knob by 10'": 10.0 * ARCMIN,
    "knob by 0.9 deg": 0.9 * DEG,
}
TARGET_HINTED_S, TARGET_LIVE_S = 0.5, 0.2


@dataclass
class Times:
    """What was measured at one size."""

    watch: Stopwatch
    ways: dict[str, list[str]]
    """How each live frame was looked at."""
    errors_arcsec: list[float]


def live(plates: PlateSolver, frame: Frame) -> tuple[Plate, str]:
    """One live frame as the session takes it, from pixels to the learnt attitude."""
    near = plates.look_near(frame, tracking=False)
    stars = detect_stars(frame) if near is None else near.stars
    frame_quality(stars)
    plate = plates.follow(stars, frame, None, CancelToken(), tracking=False, near=near)
    return plate, "whole frame" if near is None else near.searched


def run(megapixels: int, frames: int, *, colour: bool) -> Times:
    """Measure one size."""
    studio = Studio(megapixels, colour=colour)
    solver = load_solver("embedded")
    watch: Any = Stopwatch()
    ways: dict[Any, Any] = {}
    errors: list[Any] = []
    for number in range(frames + 1):
        truth = studio.anywhere()
        shot = studio.shoot(truth)
        if number == 0:  # imports, catalogue
            solver.solve(detect_stars(shot.frame), shot.hint)
            watch = Stopwatch()
            continue
        stars = watch("find stars, whole frame", lambda s=shot: detect_stars(s.frame))
        watch("quality", lambda t=stars: frame_quality(t))
        solution = watch("solve, hinted", lambda s=shot, t=stars: solver.solve(t, s.hint))
        watch(
            "attitude in the observed frame",
            lambda s=shot, n=solution: attitude_from_solution(n, s.sky, star_floor_rad=STAR_FLOOR),
        )
        plates = PlateSolver(
            solver, studio.site, studio.air, nominal_scale=studio.scale, hint_radius=3.0 * DEG,
            blind=False, timeout_s=30.0,
        )  # fmt: skip
        for name, angle in MOTIONS.items():
            plates.solve(stars, shot.frame, shot.hint.centre_icrs, CancelToken())
            moved = studio.shoot(turned(truth, angle, studio.rng), UTC_S + 3.0)

            plate, way = watch(f"live: {name}", lambda p=plates, f=moved.frame: live(p, f))
            ways.setdefault(name, []).append(f"{way}, {plate.attitude.matched} stars")
            errors.append(float(separation(plate.attitude.boresight, moved.truth[:, 2])) / ARCSEC)
    return Times(watch, ways, errors)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=[26])
    parser.add_argument("--frames", type=int, default=5)
    parser.add_argument("--colour", action="store_true", help="one-shot colour sensor")
    parser.add_argument("--board", type=float, default=None, help="how many times slower")
    options = parser.parse_args()
    print(machine())
    for size in options.sizes:
        times = run(size, options.frames, colour=options.colour)
        watch, ways, errors = times.watch, times.ways, times.errors_arcsec
        parts = [name for name in watch.processor if not name.startswith("live")]
        hinted = [sum(p) for p in zip(*(watch.processor[n] for n in parts), strict=True)]
        rows: list[list[object]] = []
        named = [(n, watch.processor[n], watch.wall[n], math.nan) for n in parts]
        walls = [sum(p) for p in zip(*(watch.wall[n] for n in parts), strict=True)]
        named.append(("image to attitude, hinted", hinted, walls, TARGET_HINTED_S))
        for name in watch.processor:
            if name not in parts:
                named.append((name, watch.processor[name], watch.wall[name], TARGET_LIVE_S))
        for name, processor, wall, target in named:
            middle = statistics.median(processor)
            row = [name, f"{middle:.3f}", f"{max(processor):.3f}", f"{statistics.median(wall):.3f}"]
            row.append("" if math.isnan(target) else f"{target / middle:.1f}")
            if options.board:
                row.append(f"{middle * options.board:.2f}")
            row.append("; ".join(sorted(set(ways.get(name.removeprefix("live: "), [])))[:3]))
            rows.append([*row])
        kind = ", one-shot colour" if options.colour else ""
        print(f"**{size} megapixels{kind}, 400 mm**")
        head = ["stage", "median s", "worst s", "wall s", "target / median"]
        head += ["on the slower board, s"] if options.board else []
        table([*head, "looked at"], rows)
        print(f"boresight off by {statistics.median(errors):.2f} arcsec (median), "
              f"{max(errors):.2f} at worst, over {len(errors)} live frames")  # fmt: skip
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
