"""How often three points let a tripod pass that sank between them, and a fourth finds it out.

``python tests/bench/sunken_tripod.py --sweeps 500`` prints a Markdown table. Sweeps are computed,
without images: a camera is turned about an axis by 20 degrees twice, the ground tips by so much
somewhere between two points, and the fourth frame is taken where the sweep began. Each frame has
the noise of its stars and of the air, whose size varies from night to night, and the tube sags.
All sizes are invented.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from geometry.sweeps import NIGHT, attitude, camera_at, shaken, true_axis, turn

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis import REFUSE_BELOW, fit_axis
from polewright.calculation.geometry.rotation import rotation_matrix, tangent_basis
from polewright.calculation.geometry.shared_errors import SharedErrors
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, Vector
from polewright.foundation.config import Config
from polewright.observing.plan.rig_errors import shared_errors
from polewright.observing.rig.site_and_weather import weather_of
from polewright.observing.runs.measurement import POOR_BELOW

SITE = Site(44.6, 9.3, 400.0)
FOCAL_MM = 400.0
STEP_DEG = 20.0
FALSE_D2 = 18.42
"""Squared distance in sigmas of the 99.99 % region in the plane."""
STARS = np.diag([0.4, 0.4, 5.0]) ** 2 * ARCSEC**2
"""Of a frame's stars, about the camera's axes."""
SIZES_ARCMIN = (0.0, 0.2, 0.5, 1.0, 1.4, 3.0)


@dataclass(frozen=True)
class Judged:
    """One sweep."""

    p3: float
    far3: bool
    """Whether the figure of three points is outside its 99.99 % region."""
    p4: float
    far4: bool


def one_sweep(rng: np.random.Generator, size_arcmin: float, shared: SharedErrors) -> Judged:
    """Make a sweep whose tripod sinks, and fit three and four frames of it."""
    axis = true_axis(SITE, rng.normal() * 0.01, rng.normal() * 0.01)
    start = camera_at(
        SITE, rng.uniform(-60, -20) * DEG, rng.uniform(-20, 60) * DEG, rng.uniform(0, 360) * DEG
    )
    noise = STARS + np.eye(3) * (math.exp(0.33 * rng.normal()) * ARCSEC) ** 2
    sunk_from, side = rng.integers(1, 3), rng.uniform(0.0, 2.0 * np.pi)
    ground = rotation_matrix(size_arcmin * ARCMIN * np.array([-np.cos(side), np.sin(side), 0.0]))
    sag = 6.0 * ARCSEC * rng.normal()
    frames = []
    for i, turned_deg in enumerate((0.0, STEP_DEG, 2.0 * STEP_DEG, 0.0)):
        m = turn(axis, turned_deg * DEG) @ start
        m = ground @ m if i >= sunk_from else m
        m = rotation_matrix(sag * np.cross([0.0, 0.0, 1.0], m[:, 2])) @ m
        frames.append(attitude(shaken(m, noise, rng), STARS))
    p3, far3 = judged(frames[:3], ground @ axis, shared)
    p4, far4 = judged(frames, ground @ axis, shared)
    return Judged(p3, far3, p4, far4)


def judged(frames: list[Attitude], true: Vector, shared: SharedErrors) -> tuple[float, bool]:
    """Return the fit's p-value, and whether its figure is false."""
    fit = fit_axis(frames, southern=False, systematic_rad=ARCSEC, shared=shared)
    basis = tangent_basis(true)
    off = basis.T @ (fit.axis - true)
    squared = float(off @ np.linalg.solve(basis.T @ fit.covariance @ basis, off))
    return fit.p_value, squared > FALSE_D2


def row(size_arcmin: float, sweeps: list[Judged]) -> str:
    """Return a line of the table, in percent."""

    def share(which: list[bool]) -> str:
        return f"{100.0 * sum(which) / len(which):.1f}"

    passed = [s.p3 >= REFUSE_BELOW for s in sweeps]
    poor = [ok and s.p3 < POOR_BELOW for ok, s in zip(passed, sweeps, strict=True)]
    false = [ok and s.far3 for ok, s in zip(passed, sweeps, strict=True)]
    left = [
        (s.p4 >= REFUSE_BELOW and s.far4) if more else lie
        for more, lie, s in zip(poor, false, sweeps, strict=True)
    ]
    cells = (share([not ok for ok in passed]), share(poor), share(false), share(left))
    return f"| {size_arcmin:g} | " + " | ".join(cells) + " |"


def main() -> None:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sweeps", type=int, default=500)
    given = parser.parse_args()
    config = Config.model_validate({"optics": {"focal_length_mm": FOCAL_MM}})
    shared = shared_errors(config, weather_of(config, SITE, NIGHT), FOCAL_MM)
    print("| sinks by (arcmin) | refused with three (%) | takes a fourth (%) "
          "| false figure of three (%) | still false (%) |\n|---|---|---|---|---|")  # fmt: skip
    for size_arcmin in SIZES_ARCMIN:
        rng = np.random.default_rng(5)
        sweeps = [one_sweep(rng, size_arcmin, shared) for _ in range(given.sweeps)]
        print(row(size_arcmin, sweeps), flush=True)


if __name__ == "__main__":
    main()
