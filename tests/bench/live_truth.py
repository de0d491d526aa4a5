"""The live reading against the truth: rendered frames, real solves, knobs turned at random.

``python tests/bench/live_truth.py --rigs 20 --jobs 1`` prints a Markdown table. No HTTP here: the
mount model, the renderer and the product's chain from image to reading run in one process under a
virtual clock. Each rig is swept once and then adjusted; settled readings are compared with the
axis that the mount model has at the middle of that exposure. Rigs are invented.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import dataclasses
import math
import sys

import numpy as np

from polewright.calculation.adjusting.engine import AdjustmentEngine
from polewright.calculation.adjusting.observation import NoReading, Observation
from polewright.calculation.geometry.axis import fit_axis
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.images.quality import frame_quality
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, unit_vector
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import Config
from polewright.foundation.errors import ImageError, PolewrightError, SolveError
from polewright.observing.rig.plate_solver import Plate, PlateSolver
from polewright.solving.registry import load_solver
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec
from polewright_sim.mount.adjusters import Adjusters
from polewright_sim.mount.mechanics import axis_truth
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.sky.stars import SkyModel
from polewright_sim.spec import AdjustersSpec, KnobSpec, MisalignmentSpec, MountSpec, SiteSpec

CASES = ("plain", "tracking off", "backlash", "tripod tilted 3 deg", "all together")
MOVES = 3
#: Until the reading settles. The first time without tracking it takes four and more: then only
#: are long stars taken as normal.
FRAMES_A_MOVE = 7
STEP = 20.0 * DEG
FRAME_FLOOR = Config().sweep.frame_floor_arcsec * ARCSEC
CHI2_95_PLANE = 5.991464547107979  # -2 ln 0.05
NORMAL_95 = 1.959963984540054


@dataclasses.dataclass(frozen=True)
class Compared:
    """A settled reading beside the truth. Arcsec."""

    seed: int
    case: str
    move: int
    off: float
    """Angle between the read and the true axis."""
    sigma: float
    """Of both components together, as the reading states it."""
    inside: bool
    """Whether the truth is in the reading's 95 % region."""
    altitude_inside: bool
    azimuth_inside: bool
    bounded: bool
    """Whether the true total error is below the reading's 95 % bound."""


class Bench:
    """A rig under a clock that only this class moves."""

    def __init__(self, seed: int, case: str) -> None:
        rng = self.rng = np.random.default_rng([20261125, 4, seed, CASES.index(case)])
        everything = case == "all together"
        self.tracking = not (case == "tracking off" or everything)
        latitude = float(rng.choice([-1.0, 1.0]) * rng.uniform(15.0, 65.0))
        self.utc_s = float(rng.uniform(1.767e9, 1.798e9))  # 2025-12-29 to 2026-12-22
        self.spec = SiteSpec(
            latitude_deg=latitude,
            longitude_deg=float(rng.uniform(-180.0, 180.0)),
            elevation_m=float(rng.uniform(0.0, 2000.0)),
        )
        slack = (4.0, 6.0) if case == "backlash" or everything else (0.0, 0.0)
        self.knobs = Adjusters(
            AdjustersSpec(
                altitude=KnobSpec(backlash_arcmin=slack[0]),
                azimuth=KnobSpec(backlash_arcmin=slack[1]),
            ),
            self.utc_s,
        )
        tilted = case == "tripod tilted 3 deg" or everything
        self.optics = OpticsSpec(
            focal_length_mm=200.0,
            aperture_mm=50.0,
            roll_deg=float(rng.uniform(0.0, 360.0)),
            parity=int(rng.choice([-1, 1])),
        )
        self.mount = MountModel(
            MountSpec(
                starts_parked=False,
                cone_arcmin=float(rng.uniform(-20.0, 20.0)),
                pointing_offset_ra_arcmin=float(rng.uniform(-60.0, 60.0)),
                pointing_offset_dec_arcmin=float(rng.uniform(-60.0, 60.0)),
                tripod_tilt_deg=3.0 if tilted else 0.0,
                tripod_tilt_azimuth_deg=float(rng.uniform(0.0, 360.0)),
                altitude_min_deg=-10.0,
            ),
            self.spec,
            MisalignmentSpec(
                alt_arcmin=float(rng.uniform(-60.0, 60.0)),
                az_arcmin=float(rng.uniform(-60.0, 60.0)),
            ),
            self.knobs,
            roll=self.optics.roll_deg * DEG,
            utc_s=self.utc_s,
        )
        self.sensor = SensorSpec(width=1200, height=900, pixel_um=5.8, hot_pixel_count=20)
        self.sky = SkyModel(self.spec.site(), self.spec.atmosphere(), SkySpec(faintest_mag=11.0))
        self.site = Site(latitude, self.spec.longitude_deg, self.spec.elevation_m)
        self.air = Atmosphere.standard(self.site.elevation_m)
        self.plates = PlateSolver(
            load_solver("embedded"),
            self.site,
            self.air,
            nominal_scale=self.sensor.pixel_um * 1e-3 / (200.0 * rng.uniform(0.99, 1.01)),
            hint_radius=8.0 * DEG,
            blind=False,
            timeout_s=60.0,
        )

    def expose(self, exposure_s: float) -> tuple[Frame, np.ndarray]:
        """Take a frame; return it with where the mount says it points, ICRS (3,)."""
        times = self.utc_s + exposure_s * (np.arange(16) + 0.5) / 16.0
        mid = self.utc_s + 0.5 * exposure_s
        pixels = render_frame(
            self.sky,
            self.optics,
            self.sensor,
            self.mount.attitudes(times.tolist()),
            mid,
            exposure_s,
            self.rng,
        )
        self.utc_s += exposure_s
        frame = Frame(pixels, mid, exposure_s, saturation_adu=self.sensor.max_adu,
                      gain_e_per_adu=self.sensor.gain_e_per_adu)  # fmt: skip
        right_ascension, dec = self.mount.ra_dec(mid)
        pointing = unit_vector(right_ascension, dec)
        return frame, self.plates.sky_at(mid).icrs_from_of_date(pointing)

    def start(self) -> tuple[float, float, int]:
        """Return first hour angle, declination and direction of a sweep above 30 deg."""
        sky = self.plates.sky_at(self.utc_s)
        for _ in range(2000):
            side = int(self.rng.choice([-1, 1]))
            first = side * self.rng.uniform(8.0, 15.0) * DEG
            sign = math.copysign(1.0, self.site.latitude_deg)
            declination = sign * self.rng.uniform(-15.0, 60.0) * DEG
            angles = first + side * STEP * np.arange(3)
            directions = unit_vector(
                np.asarray(sky.lst - angles, dtype=np.float64), np.full(3, declination)
            )
            if np.asarray(sky.enu_from_of_date(directions))[:, 2].min() > math.sin(30.0 * DEG):
                return first, declination, side
        raise RuntimeError(f"no sweep above 30 deg at latitude {self.site.latitude_deg:.1f}")

    def sweep(self) -> AdjustmentEngine:
        """Measure the axis and take the reference frame."""
        self.utc_s += 1.0
        self.mount.set_tracking(True, self.utc_s)
        first, declination, side = self.start()
        attitudes = []
        for number in range(3):
            sky = self.plates.sky_at(self.utc_s)
            hour_angle = first + side * number * STEP
            right_ascension = (sky.lst - hour_angle) % (2.0 * math.pi)
            self.mount.slew_ra_dec(right_ascension, declination, self.utc_s)
            while self.mount.slewing(self.utc_s):
                self.utc_s += 0.5
                self.mount.keep_house(self.utc_s)
            self.utc_s += 12.0
            frame, pointing = self.expose(3.0)
            plate = self.plates.solve(detect_stars(frame), frame, pointing, CancelToken())
            attitudes.append(plate.attitude)
        fit = fit_axis(attitudes, southern=self.site.southern, systematic_rad=FRAME_FLOOR)
        fit.verify()
        reference = self.look()
        while not isinstance(reference, Observation):
            reference = self.look()
        return AdjustmentEngine(fit.axis, fit.covariance, reference, self.site, atmosphere=self.air)

    def look(self) -> Observation | NoReading:
        """One live frame, as a session takes it."""
        self.utc_s += 0.5
        frame, pointing = self.expose(1.5)
        stars = detect_stars(frame)
        quality = frame_quality(stars)
        tracking = self.mount.tracking
        try:
            plate: Plate = self.plates.follow(
                stars, frame, pointing, CancelToken(), tracking=tracking
            )
        except (ImageError, SolveError) as error:
            return NoReading(
                str(error), frame.utc_mid_s, elongation=quality.elongation, tracking=tracking
            )
        return Observation(
            plate.attitude,
            elongation=quality.elongation,
            star_count=quality.star_count,
            hfd_px=quality.hfd_px,
            tracking=tracking,
        )

    def turn(self) -> None:
        """Turn one knob or both by a random amount, back and forth, and wait."""
        which = int(self.rng.integers(3))
        done = self.knobs.turn(
            self.utc_s,
            altitude_arcmin=float(self.rng.uniform(-25.0, 25.0)) if which != 1 else 0.0,
            azimuth_arcmin=float(self.rng.uniform(-25.0, 25.0)) if which != 0 else 0.0,
        )
        self.utc_s = max([self.utc_s, *(turn.done_s for turn in done)])


def run_rig(seed: int, case: str) -> tuple[list[Compared], str]:
    """Sweep and adjust one rig; return its settled readings, and why there are none if so."""
    bench = Bench(seed, case)
    found: list[Compared] = []
    try:
        engine = bench.sweep()
        if not bench.tracking:
            bench.mount.set_tracking(False, bench.utc_s)
        for move in range(MOVES):
            bench.turn()
            for _ in range(FRAMES_A_MOVE):
                reading = engine.update(bench.look())
                if reading.settled:
                    break
            if not reading.settled:
                continue
            truth = bench.mount.axis(reading.utc_s)
            miss = truth - reading.axis
            inverse = np.linalg.pinv(reading.covariance, rcond=1e-6, hermitian=True)
            error, true = reading.error, axis_truth(bench.spec, truth)
            # The rig counts azimuth upwards, the reading eastwards.
            true_east = true.az_sky_arcmin * (-1.0 if bench.site.southern else 1.0)
            found.append(
                Compared(
                    seed,
                    case,
                    move,
                    float(np.linalg.norm(miss)) / ARCSEC,
                    math.sqrt(float(np.trace(reading.covariance))) / ARCSEC,
                    float(miss @ inverse @ miss) <= CHI2_95_PLANE,
                    abs(error.d_alt - true.alt_arcmin * ARCMIN) <= NORMAL_95 * error.sigma_alt,
                    abs(error.d_az_sky - true_east * ARCMIN) <= NORMAL_95 * error.sigma_az_sky,
                    true.total_arcmin * ARCMIN <= reading.bound,
                )
            )
    except PolewrightError as error:
        return found, f"{type(error).__name__}: {error}"[:110]
    return found, ""


def summary(compared: list[Compared]) -> dict[str, float]:
    """Return the figures that count; readings of one rig share its sweep's error."""
    return {
        "rigs": len({(item.seed, item.case) for item in compared}),
        "readings": len(compared),
        "region95": float(np.mean([item.inside for item in compared])),
        "altitude95": float(np.mean([item.altitude_inside for item in compared])),
        "azimuth95": float(np.mean([item.azimuth_inside for item in compared])),
        "bound95": float(np.mean([item.bounded for item in compared])),
        "median_off_arcsec": float(np.median([item.off for item in compared])),
        "worst_off_arcsec": max(item.off for item in compared),
        "median_sigma_arcsec": float(np.median([item.sigma for item in compared])),
    }


def main() -> int:
    """Run the rigs and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=20, help="of each case")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    seeds = [seed for seed in range(options.first, options.first + options.rigs) for _ in CASES]
    cases = list(CASES) * options.rigs
    compared: list[Compared] = []
    with concurrent.futures.ProcessPoolExecutor(options.jobs) as pool:
        for seed, case, (found, trouble) in zip(
            seeds, cases, pool.map(run_rig, seeds, cases), strict=True
        ):
            compared += found
            inside = sum(item.inside for item in found)
            print(f"{seed:4d} {case:20s} {inside} of {len(found)} {trouble}", file=sys.stderr)
    names = list(summary(compared))
    print("| case | " + " | ".join(names) + " |\n" + "|---" * (len(names) + 1) + "|")
    for case in (*CASES, "all"):
        part = [item for item in compared if case in ("all", item.case)]
        if part:
            print(f"| {case} | " + " | ".join(f"{v:.4g}" for v in summary(part).values()) + " |")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
