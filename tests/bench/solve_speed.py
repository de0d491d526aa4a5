"""From image to attitude on 26 megapixels at 400 mm, beside `solve-field` with the same hint.

``python tests/bench/solve_speed.py --frames 6`` renders frames of random fields, times detection,
solve and attitude on each, runs Debian's `solve-field` (package astrometry.net with a tycho2
index) on the same images in the same run, and prints a Markdown table with the ratio. Times are
wall time of this process with one thread.
"""

from __future__ import annotations

import argparse
import math
import shutil
import statistics
import time
from typing import Any, cast

import numpy as np

from polewright.calculation.geometry.attitude import STAR_FLOOR, attitude_from_solution
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC, DEG, TAU, enu_from_azalt, separation
from polewright.solving.base import SolveHint
from polewright.solving.external.command import DEBIAN_ASTROMETRY
from polewright.solving.registry import load_solver
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec
from polewright_sim.sky.stars import SkyModel

UTC_S = 1795210200.0  # 2026-11-20 21:30 UTC
HINT_OFF = 1.0 * DEG


def camera_at(boresight: np.ndarray, roll: float) -> np.ndarray:
    """Camera axes as columns (3, 3) for a boresight (3,) and a roll (rad)."""
    east = np.cross(np.array([0.0, 0.0, 1.0]), boresight)
    east /= np.linalg.norm(east)
    up = np.cross(boresight, east)
    x = math.cos(roll) * east + math.sin(roll) * up
    return np.stack([x, np.cross(boresight, x), boresight], axis=-1)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=6)
    options = parser.parse_args()
    site = Site(44.62, 9.31, 420.0)
    air = Atmosphere.standard(420.0)
    sky = SkyModel(site, air, SkySpec())
    frame_sky = ObservedFrame.at(site, air, UTC_S)
    optics, sensor = OpticsSpec(), SensorSpec()
    scale = sensor.pixel_um * 1e-3 / optics.focal_length_mm
    embedded = load_solver("embedded")
    command = load_solver("command", DEBIAN_ASTROMETRY) if shutil.which("solve-field") else None
    rng = np.random.default_rng(11)
    rows: dict[str, list[float]] = {}

    def timed(name: str, work):
        started = time.perf_counter()
        result = work()
        rows.setdefault(name, []).append(time.perf_counter() - started)
        return result

    for number in range(options.frames + 1):
        boresight = enu_from_azalt(rng.uniform(0, TAU), rng.uniform(35.0, 75.0) * DEG)
        truth = camera_at(boresight, rng.uniform(0, TAU))
        pixels = render_frame(sky, optics, sensor, truth[None], UTC_S, 2.0, rng)
        frame = Frame(pixels, UTC_S, 2.0, pixel_um=sensor.pixel_um)
        off = enu_from_azalt(0.0, 0.0) * math.tan(HINT_OFF)
        centre = frame_sky.to_icrs((boresight + off) / np.linalg.norm(boresight + off))
        hint = SolveHint(centre, 3.0 * DEG, scale, 0.02, None, frame_sky.julian_year)
        if number == 0:  # warm-up: imports, caches
            embedded.solve(detect_stars(frame), hint)
            continue
        stars = timed("detection", lambda f=frame: detect_stars(f))
        solution = timed("solve, hinted", lambda s=stars, h=hint: embedded.solve(s, h))
        attitude = timed(
            "attitude in the observed frame",
            lambda s=solution: attitude_from_solution(s, frame_sky, star_floor_rad=STAR_FLOOR),
        )
        timed(
            "solve, following (live mode)",
            lambda s=stars, n=solution: cast("Any", embedded).track(
                s, n.attitude_icrs, n.parity, n.scale
            ),
        )
        error = float(separation(attitude.boresight, boresight)) / ARCSEC
        rows.setdefault("boresight error, arcsec", []).append(error)
        if command is not None:
            timed(
                "solve-field, same hint",
                lambda s=stars, f=frame, h=hint: command.solve(s, h, frame=f, timeout_s=120.0),
            )
    print("| stage | median | worst |\n|---|---|---|")
    for name, values in rows.items():
        print(f"| {name} | {statistics.median(values):.3f} | {max(values):.3f} |")
    ours = [sum(parts) for parts in zip(
        rows["detection"], rows["solve, hinted"], rows["attitude in the observed frame"],
        strict=True,
    )]  # fmt: skip
    print(f"| image to attitude, hinted (s) | {statistics.median(ours):.3f} | {max(ours):.3f} |")
    if command is None:
        print("solve-field is not installed: no comparison")
    else:
        theirs = rows["solve-field, same hint"]
        ratio = statistics.median(t / o for t, o in zip(theirs, ours, strict=True))
        print(f"| ratio solve-field / ours | {ratio:.1f} | |")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
