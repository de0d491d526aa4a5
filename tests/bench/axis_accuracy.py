"""Axis accuracy over random simulated rigs: rendered frames, real solves, three points.

``python tests/bench/axis_accuracy.py --rigs 200 --jobs 2`` prints a Markdown table. No HTTP here:
the mount model, the renderer and the product's image-to-axis chain run in one process under a
virtual clock. Rigs are invented, drawn from the ranges that `draw_rig` documents.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import dataclasses
import math
import sys
import time

import numpy as np

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC, DEG, separation, unit_vector
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import Config
from polewright.foundation.errors import PolewrightError
from polewright.observing.plan.rig_errors import shared_errors
from polewright.observing.rig.plate_solver import PlateSolver
from polewright.observing.rig.site_and_weather import weather_of
from polewright.observing.sweep.axis_from_points import fit_attitudes
from polewright.solving.registry import load_solver
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec
from polewright_sim.mount.adjusters import Adjusters
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.sky.stars import SkyModel
from polewright_sim.spec import AdjustersSpec, MisalignmentSpec, MountSpec, SiteSpec

STEP = 20.0 * DEG
FRAME_FLOOR = Config().sweep.frame_floor_arcsec * ARCSEC
SETTLE_S = 8.0
CHI2_95_PLANE = 5.991464547107979  # -2 ln 0.05


@dataclasses.dataclass(frozen=True)
class RigDraw:
    """One random rig."""

    seed: int
    latitude_deg: float
    misalignment_deg: float
    focal_mm: float
    site: SiteSpec
    misalignment: MisalignmentSpec
    mount: MountSpec
    optics: OpticsSpec
    sensor: SensorSpec
    sky: SkySpec
    exposure_s: float
    utc_s: float


@dataclasses.dataclass(frozen=True)
class Outcome:
    """What came of one rig."""

    seed: int
    focal_mm: float
    latitude_deg: float
    error_arcsec: float | None
    """Angle between fitted and true axis; None when the run refused to answer."""
    sigma_arcsec: float
    mahalanobis2: float
    p_value: float
    flagged: str
    """Why the run refused or distrusted its answer; empty when it answered."""
    matched: tuple[int, ...]
    seconds: float


def draw_rig(seed: int) -> RigDraw:
    """Draw a rig: both hemispheres, latitude 5 to 70, misalignment up to 3 deg, 135 to 1000 mm on
    a 23.5 x 15.7 mm sensor, cone to 30 arcmin, random roll, parity and pointing offset."""
    rng = np.random.default_rng([20261125, seed])
    latitude = float(rng.choice([-1.0, 1.0]) * rng.uniform(5.0, 70.0))
    size, way = 3.0 * math.sqrt(rng.uniform()), rng.uniform(0.0, 2.0 * math.pi)
    focal = float(np.exp(rng.uniform(math.log(135.0), math.log(1000.0))))
    return RigDraw(
        seed=seed,
        latitude_deg=latitude,
        misalignment_deg=size,
        focal_mm=focal,
        site=SiteSpec(
            latitude_deg=latitude,
            longitude_deg=float(rng.uniform(-180.0, 180.0)),
            elevation_m=float(rng.uniform(0.0, 2000.0)),
        ),
        misalignment=MisalignmentSpec(
            alt_arcmin=60.0 * size * math.sin(way), az_arcmin=60.0 * size * math.cos(way)
        ),
        mount=MountSpec(
            starts_parked=False,
            cone_arcmin=float(rng.uniform(-30.0, 30.0)),
            nonperpendicular_arcmin=float(rng.uniform(-10.0, 10.0)),
            pointing_offset_ra_arcmin=float(rng.uniform(-90.0, 90.0)),
            pointing_offset_dec_arcmin=float(rng.uniform(-90.0, 90.0)),
            periodic_error_arcsec=float(rng.uniform(0.0, 15.0)),
            altitude_min_deg=-10.0,
        ),
        optics=OpticsSpec(
            focal_length_mm=focal,
            aperture_mm=max(30.0, focal / 5.6),
            roll_deg=float(rng.uniform(0.0, 360.0)),
            parity=int(rng.choice([-1, 1])),
            seeing_fwhm_arcsec=float(rng.uniform(2.0, 4.0)),
        ),
        sensor=SensorSpec(),
        sky=SkySpec(faintest_mag=float(rng.uniform(10.0, 12.0))),
        exposure_s=float(rng.uniform(2.0, 4.0)),
        utc_s=float(rng.uniform(1.767e9, 1.798e9)),  # 2025-12-29 to 2026-12-22
    )


def choose_sweep(
    draw: RigDraw, sky: ObservedFrame, rng: np.random.Generator
) -> tuple[float, float, int]:
    """Return first hour angle, declination and direction of a sweep that stays above 30 deg."""
    for _ in range(2000):
        side = int(rng.choice([-1, 1]))
        first = side * rng.uniform(8.0, 15.0) * DEG
        declination = math.copysign(1.0, draw.latitude_deg) * rng.uniform(-25.0, 65.0) * DEG
        angles = first + side * STEP * np.arange(3)
        directions = unit_vector(
            np.asarray(sky.lst - angles, dtype=np.float64), np.full(3, declination)
        )
        if np.asarray(sky.enu_from_of_date(directions))[:, 2].min() > math.sin(30.0 * DEG):
            return first, declination, side
    raise RuntimeError(f"no sweep above 30 deg at latitude {draw.latitude_deg:.1f}")


def run_rig(seed: int) -> Outcome:
    """Sweep, render, solve and fit one random rig."""
    started = time.perf_counter()
    draw = draw_rig(seed)
    rng = np.random.default_rng([7, seed])
    mount = MountModel(
        draw.mount,
        draw.site,
        draw.misalignment,
        Adjusters(AdjustersSpec(), draw.utc_s),
        roll=draw.optics.roll_deg * DEG,
        utc_s=draw.utc_s,
    )
    truth_sky = SkyModel(draw.site.site(), draw.site.atmosphere(), draw.sky)
    site = Site(draw.latitude_deg, draw.site.longitude_deg, draw.site.elevation_m)
    atmosphere = Atmosphere.standard(site.elevation_m)
    plates = PlateSolver(
        load_solver("embedded"),
        site,
        atmosphere,
        nominal_scale=draw.sensor.pixel_um * 1e-3 / (draw.focal_mm * rng.uniform(0.98, 1.02)),
        hint_radius=8.0 * DEG,
        blind=False,
        timeout_s=60.0,
    )
    utc_s = draw.utc_s + 1.0
    mount.set_tracking(True, utc_s)
    first, declination, side = choose_sweep(draw, plates.sky_at(utc_s), rng)
    attitudes, matched, flagged = [], [], ""
    try:
        for k in range(3):
            sky = plates.sky_at(utc_s)
            hour_angle = first + side * k * STEP
            mount.slew_ra_dec((sky.lst - hour_angle) % (2.0 * math.pi), declination, utc_s)
            while mount.slewing(utc_s):
                utc_s += 0.5
                mount.keep_house(utc_s)
            utc_s += SETTLE_S
            times = utc_s + draw.exposure_s * (np.arange(8) + 0.5) / 8.0
            mid = utc_s + 0.5 * draw.exposure_s
            pixels = render_frame(
                truth_sky,
                draw.optics,
                draw.sensor,
                mount.attitudes(times),
                mid,
                draw.exposure_s,
                rng,
            )
            utc_s += draw.exposure_s
            frame = Frame(pixels, mid, draw.exposure_s, saturation_adu=draw.sensor.max_adu,
                          gain_e_per_adu=draw.sensor.gain_e_per_adu)  # fmt: skip
            right_ascension, dec = mount.ra_dec(utc_s)
            mount_icrs = plates.sky_at(mid).icrs_from_of_date(unit_vector(right_ascension, dec))
            plate = plates.solve(detect_stars(frame), frame, mount_icrs, CancelToken())
            attitudes.append(plate.attitude)
            matched.append(plate.attitude.matched)
            utc_s += 2.0
        weather = weather_of(Config(), site, draw.utc_s)
        fit, _error = fit_attitudes(
            attitudes,
            site,
            weather,
            PoleTarget.TRUE,
            FRAME_FLOOR,
            shared_errors(Config(), weather, draw.focal_mm),
        )
    except PolewrightError as exc:
        return Outcome(seed, draw.focal_mm, draw.latitude_deg, None, math.nan, math.nan, math.nan,
                       f"{type(exc).__name__}: {exc}"[:110], tuple(matched),
                       time.perf_counter() - started)  # fmt: skip
    truth = mount.axis(utc_s)
    miss = truth - fit.axis
    mahalanobis2 = float(miss @ np.linalg.pinv(fit.covariance, rcond=1e-6, hermitian=True) @ miss)
    if not fit.trusted:
        flagged = f"fit not trusted, p = {fit.p_value:.1e}"
    return Outcome(
        seed,
        draw.focal_mm,
        draw.latitude_deg,
        float(separation(truth, fit.axis)) / ARCSEC,
        math.sqrt(float(np.trace(fit.covariance))) / ARCSEC,
        mahalanobis2,
        float(fit.p_value if fit.p_value is not None else math.nan),
        flagged,
        tuple(matched),
        time.perf_counter() - started,
    )


def summary(outcomes: list[Outcome]) -> dict[str, float]:
    """Return the figures that accuracy is judged by."""
    answered = [item for item in outcomes if item.error_arcsec is not None and not item.flagged]
    errors = np.array([item.error_arcsec for item in answered], dtype=float)
    return {
        "rigs": len(outcomes),
        "answered": len(answered),
        "flagged": len(outcomes) - len(answered),
        "median_arcsec": float(np.median(errors)),
        "p95_arcsec": float(np.percentile(errors, 95)),
        "worst_arcsec": float(errors.max()),
        "unreported_above_60": int((errors > 60.0).sum()),
        "coverage95": float(np.mean([item.mahalanobis2 <= CHI2_95_PLANE for item in answered])),
        "median_sigma_arcsec": float(np.median([item.sigma_arcsec for item in answered])),
    }


def line(outcome: Outcome) -> str:
    """One rig as a line of text."""
    error = math.nan if outcome.error_arcsec is None else outcome.error_arcsec
    return (
        f"{outcome.seed:4d} f={outcome.focal_mm:6.0f} lat={outcome.latitude_deg:+5.0f} "
        f"err={error:7.2f} sigma={outcome.sigma_arcsec:6.2f} m2={outcome.mahalanobis2:7.2f} "
        f"p={outcome.p_value:.2g} stars={outcome.matched} {outcome.seconds:.1f} s {outcome.flagged}"
    )


def main() -> int:
    """Run the rigs and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.rigs)
    with concurrent.futures.ProcessPoolExecutor(options.jobs) as pool:
        outcomes = []
        for outcome in pool.map(run_rig, seeds):
            outcomes.append(outcome)
            print(line(outcome), file=sys.stderr, flush=True)
    print("| figure | value |\n|---|---|")
    for name, value in summary(outcomes).items():
        print(f"| {name} | {value:.4g} |")
    for low, high in ((135, 250), (250, 500), (500, 750), (750, 1001)):
        part = [item for item in outcomes if low <= item.focal_mm < high]
        if any(item.error_arcsec is not None and not item.flagged for item in part):
            part_summary = summary(part)
            print(
                f"| {low} to {high} mm: rigs, flagged, median, p95, coverage | "
                f"{part_summary['rigs']}, {part_summary['flagged']}, "
                f"{part_summary['median_arcsec']:.2f}, {part_summary['p95_arcsec']:.2f}, "
                f"{part_summary['coverage95']:.3f} |"
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
