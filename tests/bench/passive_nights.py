"""The axis from frames of tracked targets: coverage, error, moved piers, and a sweep beside it.

    python tests/bench/passive_nights.py --nights 100

Attitudes, no pixels: the rig's mechanics guide, flip, sag, roll and tip; the product groups and
fits. Nights are drawn: both hemispheres, 2 to 8 hours, 1 to 5 targets, 135 to 2000 mm, axis errors
of 0.2 to 10 arcmin.
"""

from __future__ import annotations

import argparse
import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from bench_frames import table
from field_rotation.nights import exposures, fitted, knocked, rig, seen, targets

from polewright.calculation.field_rotation.tracked_axis import TrackedFit
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis_error import AxisError, axis_error
from polewright.calculation.geometry.errors import GeometryError
from polewright.calculation.geometry.rotation import rotation_matrix
from polewright.calculation.geometry.shared_errors import (
    STANDARD_BEND,
    STANDARD_LEAN,
    STANDARD_NOISE_DOF,
    SharedErrors,
    standard_sag,
)
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.refraction import refraction_constants
from polewright.calculation.sky.weather import Weather
from polewright.foundation.angles import ARCSEC, DEG, HOUR, Matrix, separation
from polewright.observing.sweep.axis_from_points import fit_attitudes
from polewright_sim.mount.adjusters import Adjusters
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.spec import RigSpec


@dataclass(frozen=True)
class Night:
    """What a night came to."""

    off: float
    """Axis found from the true one, rad."""
    inside: bool
    """Whether the 95 % region holds the truth."""
    widest: float
    """Longest half-axis of the 95 % region, rad."""
    fit: TrackedFit
    error: AxisError
    rig: RigSpec
    start_utc_s: float
    frames: int


def night(
    seed: int,
    *,
    flexure: float = 1.0,
    hours: float | None = None,
    count: int | None = None,
    focal_mm: float | None = None,
    knock_arcsec: float = 0.0,
) -> Night | None:
    """Draw a night and fit it; None where too little was above the horizon."""
    rng = np.random.default_rng(seed)
    latitude = float(rng.uniform(20.0, 62.0) * rng.choice([-1, 1]))
    drawn = float(rng.uniform(2.0, 8.0)), int(rng.integers(1, 6))
    focal = float(np.exp(rng.uniform(math.log(135.0), math.log(2000.0))))
    error_arcmin = float(np.exp(rng.uniform(math.log(0.2), math.log(10.0))))
    hours, count = hours or drawn[0], count or drawn[1]
    spec = rig(
        rng,
        latitude_deg=latitude,
        focal_mm=focal_mm or focal,
        error_arcmin=error_arcmin,
        flexure=flexure,
    )
    start = 1796000000.0 + float(rng.uniform(0.0, 365.0 * 86400.0))
    azimuth = float(rng.uniform(0.0, 360.0))
    knock = knocked(start, hours / 2.0, knock_arcsec, azimuth) if knock_arcsec else None
    shots = exposures(spec, targets(rng, latitude, hours, count), start, knock=knock)
    if len(shots) < 6:
        return None
    told = seen(spec, shots, rng)
    try:
        fit = fitted(spec, told)
    except GeometryError:
        return None
    truth = told.exposures[len(told.exposures) // 2].axis
    site = spec.site.site()
    found, real = (
        axis_error(axis, fit.covariance, site, PoleTarget.TRUE, told.air)
        for axis in (fit.axis, truth)
    )
    return Night(
        float(separation(fit.axis, truth)),
        found.contains(real.d_az_sky, real.d_alt),
        math.sqrt(-2.0 * math.log(0.05) * float(np.linalg.eigvalsh(found.covariance)[-1])),
        fit,
        found,
        spec,
        start,
        len(shots),
    )


def nights(wanted: int, **how: Any) -> list[Night]:
    """So many nights that came to a fit."""
    drawn = (night(seed, **how) for seed in itertools.count())
    return list(itertools.islice((item for item in drawn if item is not None), wanted))


def coverage(count: int) -> None:
    """Print how often the region holds, and how far off the axis is."""
    rows = []
    kinds: tuple[tuple[str, dict[str, Any]], ...] = (
        ("drawn, with flexure", {}),
        ("drawn, without flexure", {"flexure": 0.0}),
        ("6 h of two targets, 400 mm", {"hours": 6.0, "count": 2, "focal_mm": 400.0}),
        ("2 h of one target, 400 mm", {"hours": 2.0, "count": 1, "focal_mm": 400.0}),
    )
    for name, how in kinds:
        found = nights(count, **how)
        off = np.array([item.off for item in found]) / ARCSEC
        rows.append(
            [
                name,
                len(found),
                f"{100.0 * np.mean([item.inside for item in found]):.1f} %",
                f"{np.median(off):.1f}",
                f"{np.quantile(off, 0.9):.1f}",
                f"{np.median([item.widest for item in found]) / ARCSEC:.0f}",
                sum(not item.fit.trusted for item in found),
            ]
        )
    table(
        [
            "nights",
            "number",
            "truth inside the 95 % region",
            "median error, arcsec",
            "9 in 10 below",
            "median half-axis of the region",
            "refused although nothing moved",
        ],
        rows,
    )


def moved(count: int) -> None:
    """Print at which size a pier that moved is found."""
    rows = []
    for size in (0.0, 10.0, 20.0, 40.0, 60.0, 120.0):
        found = nights(count, hours=6.0, count=2, focal_mm=400.0, knock_arcsec=size)
        refused = [item for item in found if not item.fit.trusted]
        named = sum(
            1 for item in refused if item.fit.change and item.fit.change.what.value == "pier"
        )
        rows.append([f"{size:.0f}", len(found), len(refused), named])
    table(["pier moves at half time, arcsec", "nights", "refused", "of these named as pier"], rows)


def beside_a_sweep(count: int) -> None:
    """Print how the frames' axis differs from that of a sweep of the same rig that night."""
    apart = []
    for item in nights(count, hours=6.0, count=2, focal_mm=400.0):
        error = _sweep(item)
        east, up = error.d_az_sky - item.error.d_az_sky, error.d_alt - item.error.d_alt
        between = np.array([east, up])
        both = error.covariance + item.error.covariance
        sigmas = math.sqrt(float(between @ np.linalg.solve(both, between)))
        apart.append((float(np.hypot(*between)) / ARCSEC, sigmas))
    far, sigmas = np.array(apart).T
    table(
        ["nights", "median difference, arcsec", "median sigmas", "largest sigmas", "above 2.45"],
        [
            [
                len(apart),
                f"{np.median(far):.1f}",
                f"{np.median(sigmas):.2f}",
                f"{sigmas.max():.2f}",
                int((sigmas > 2.45).sum()),
            ]
        ],
    )


def _sweep(item: Night) -> AxisError:
    """Four points of the same rig, 20 degrees apart, at the level of attitudes."""
    spec, rng = item.rig, np.random.default_rng(item.rig.seed)
    mount = MountModel(
        spec.mount,
        spec.site,
        spec.misalignment,
        Adjusters(spec.adjusters, item.start_utc_s),
        roll=spec.optics.roll_deg * DEG,
        utc_s=item.start_utc_s,
    )
    dec = math.copysign(40.0, spec.site.latitude_deg) * DEG
    scale = 3.76e-3 / spec.optics.focal_length_mm
    sigma = np.array([0.0, 0.0, 0.01 / 1500.0]) + np.array([0.01 * scale, 0.01 * scale, 0.0])
    attitudes = []
    for k in range(4):
        utc_s = item.start_utc_s + 60.0 * k
        true: Matrix = mount.attitude_with(utc_s, (0.5 + 1.3 * k) * HOUR, dec)
        shaken = np.concatenate([rng.normal(0.0, 1.0 * ARCSEC, 2), [0.0]])
        turn = rotation_matrix(rng.normal(0.0, 1.0, 3) * sigma + shaken)
        attitudes.append(Attitude(true @ turn, np.diag(sigma**2), utc_s, 1, scale, 60, 1.0, 0.2))
    air = spec.site.atmosphere()
    a, b = refraction_constants(air)
    weather = Weather(air, 4.0, 5.0, "the rig's own")
    share = weather.refraction_sigma
    shared = SharedErrors(
        sag=standard_sag(spec.optics.focal_length_mm),
        refraction=(a * share, b * share),
        lean=STANDARD_LEAN,
        bend=STANDARD_BEND,
        noise_dof=STANDARD_NOISE_DOF,
    )
    _fit, error = fit_attitudes(
        attitudes, spec.site.site(), weather, PoleTarget.TRUE, 1.0 * ARCSEC, shared
    )
    return error


def main() -> None:
    """Run it all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=100)
    count = parser.parse_args().nights
    coverage(count)
    moved(count)
    beside_a_sweep(30)


if __name__ == "__main__":
    import sys
    from pathlib import Path

    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    main()
