"""The drift check on random simulated rigs: is its verdict right, and its axis?

``python tests/bench/drift_rigs.py --rigs 100`` prints a Markdown table. The simulated mount's own
attitudes (periodic error, cone, refraction's absence from mechanics and all) get the noise that a
solved frame of that camera has; no HTTP and no images, so a hundred rigs take minutes. Half of
the rigs are sound; the others have one fault injected. Rigs and sizes are invented, see `draw`.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import dataclasses
import math
import time

import numpy as np

from polewright.calculation.drift.check import DriftCheck
from polewright.calculation.drift.decide import Predicted, StopRule, Verdict
from polewright.calculation.drift.estimator import DriftNoise
from polewright.calculation.drift.fields import choose_fields
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.rotation import rotation_matrix, tangent_basis
from polewright.calculation.planning.limits import SkyLimits
from polewright.calculation.planning.request import PlanRequest, Pointing
from polewright.calculation.planning.slew_paths import Timing
from polewright.calculation.planning.uncertainty import AttitudeNoise
from polewright.foundation.angles import ARCMIN, ARCSEC, Matrix, Vector, separation
from polewright_sim.mount.adjusters import Adjusters
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.spec import AdjustersSpec, MisalignmentSpec, MountSpec, SiteSpec

FAULTS = ("flexure", "declination creep", "clutch slip", "axis moved")


@dataclasses.dataclass(frozen=True)
class Outcome:
    """What came of one rig."""

    seed: int
    fault: str
    verdict: str
    cause: str
    right: bool
    axis_off: float
    """Rad: the drift's axis minus the true one."""
    axis_near: bool
    """Within 20 % of the error or 20 arcsec."""
    mahalanobis2: float
    minutes: float
    fields: int
    sentence: str
    seconds: float


def fault_of(seed: int) -> str:
    """Even seeds are sound, odd ones take the faults in turn."""
    return "" if seed % 2 == 0 else FAULTS[(seed // 2) % len(FAULTS)]


class Camera:
    """Makes attitudes of solved frames from the mount's true ones."""

    def __init__(self, rng: np.random.Generator, noise: AttitudeNoise, fault: str) -> None:
        self.rng, self.noise = rng, noise
        self.gust_share = float(rng.uniform(0.0, 0.1))
        self.gust = float(rng.uniform(1.0, 4.0)) * ARCSEC
        self.jitter = float(rng.uniform(0.2, 0.8)) * ARCSEC
        sag = float(rng.uniform(0.0, 1.5))
        if fault == "flexure":
            sag = float(rng.uniform(40.0, 150.0))
        self.sag = sag * ARCSEC / 3600.0
        self.way = float(rng.uniform(0.0, 2.0 * math.pi))

    def begin(self) -> None:
        """Another field: gravity pulls another way."""
        self.way += float(self.rng.uniform(0.5, 2.0))

    def attitude(self, true: Matrix, utc_s: float, since_s: float) -> Attitude:
        """Return one solved frame; flexure turns the tube, its wind and air shake it."""
        altitude = math.asin(float(true[2, 2]))
        boresight, roll = self.noise.sigmas(altitude)
        stars = np.array([boresight, boresight, roll])
        wobble = self.rng.normal(size=3) * np.hypot(stars, [self.jitter, self.jitter, 0.0])
        if self.rng.uniform() < self.gust_share:
            wobble[:2] += self.rng.normal(size=2) * self.gust
        bend = self.sag * since_s * np.array([math.cos(self.way), math.sin(self.way), 0.0])
        matrix = true @ rotation_matrix(bend) @ rotation_matrix(wobble)
        return Attitude(matrix, np.diag(stars**2), utc_s, 1, self.noise.pixel_scale, 40, 1.0, 0.2)


def draw(seed: int) -> tuple[np.random.Generator, MountModel, PlanRequest, Matrix]:
    """Draw a rig: both hemispheres, latitude 10 to 65, error up to 40 arcmin, 150 to 1000 mm,
    periodic error to 20 arcsec, cone to 20 arcmin; a sweep's axis uncertainty of 1 to 6 arcsec."""
    rng = np.random.default_rng([20261125, seed])
    latitude = float(rng.choice([-1.0, 1.0]) * rng.uniform(10.0, 65.0))
    size, way = 40.0 * math.sqrt(rng.uniform()), rng.uniform(0.0, 2.0 * math.pi)
    site = SiteSpec(
        latitude_deg=latitude,
        longitude_deg=float(rng.uniform(-180.0, 180.0)),
        elevation_m=float(rng.uniform(0.0, 2000.0)),
    )
    utc_s = float(rng.uniform(1.767e9, 1.798e9))
    # Start at local midnight, so that the Sun never decides.
    utc_s += (-site.longitude_deg / 15.0 * 3600.0 - utc_s) % 86400.0
    spec = MountSpec(
        starts_parked=False,
        cone_arcmin=float(rng.uniform(-20.0, 20.0)),
        nonperpendicular_arcmin=float(rng.uniform(-10.0, 10.0)),
        pointing_offset_dec_arcmin=float(rng.uniform(-60.0, 60.0)),
        periodic_error_arcsec=float(rng.uniform(0.0, 20.0)),
        periodic_error_period_s=float(rng.uniform(200.0, 640.0)),
        ra_backlash_arcsec=float(rng.uniform(0.0, 60.0)),
        altitude_min_deg=-10.0,
        past_meridian_deg=40.0,
    )
    mount = MountModel(
        spec,
        site,
        MisalignmentSpec(alt_arcmin=size * math.sin(way), az_arcmin=size * math.cos(way)),
        Adjusters(AdjustersSpec(), utc_s),
        roll=float(rng.uniform(0.0, 2.0 * math.pi)),
        utc_s=utc_s,
    )
    focal_mm = float(np.exp(rng.uniform(math.log(150.0), math.log(1000.0))))
    request = PlanRequest(
        site=site.site(),
        utc_s=utc_s,
        atmosphere=site.atmosphere(),
        noise=AttitudeNoise(
            pixel_scale=3.76e-3 / focal_mm,
            width_px=6240,
            height_px=4176,
            boresight_floor_arcsec=0.0,
            roll_floor_arcsec=0.0,
        ),
        pointing=Pointing(*mount.hour_angle_dec(utc_s)),
        sky=SkyLimits(altitude_min_deg=25.0),
        timing=Timing(settle_s=8.0, exposure_s=4.0),
    )
    basis = tangent_basis(mount.axis(utc_s))
    root = np.diag(rng.uniform(1.0, 6.0, size=2)) * ARCSEC
    turn = float(rng.uniform(0.0, math.pi))
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    return rng, mount, request, basis @ spin @ root


def run_rig(seed: int, rule: StopRule | None = None) -> Outcome:
    """Sweep (drawn from its covariance), look at the fields, decide."""
    started = time.perf_counter()
    fault = fault_of(seed)
    rng, mount, request, root = draw(seed)
    rule = rule or StopRule()
    site, air = request.site, request.frame(request.utc_s).atmosphere
    truth: Vector = mount.axis(request.utc_s)
    guess = truth + root @ rng.normal(size=2)
    if fault == "axis moved":
        way = rng.uniform(0.0, 2.0 * math.pi)
        error = float(separation(truth, _pole(request)))
        size = max(2.0 * ARCMIN, 0.4 * error) * rng.uniform(1.0, 3.0)
        guess = guess + tangent_basis(truth) @ np.array([math.cos(way), math.sin(way)]) * size
    predicted = Predicted.of(guess / np.linalg.norm(guess), root @ root.T)
    check = DriftCheck(site, air, predicted, rule, DriftNoise(), 2)
    fields = choose_fields(request, rule.longest_s)
    check.n_fields = len(fields)
    camera = Camera(rng, request.noise, fault)
    creep = rng.uniform(40.0, 150.0) * rng.choice([-1.0, 1.0]) * ARCSEC / 3600.0
    slip = rng.uniform(10.0, 120.0) * rng.choice([-1.0, 1.0]) * ARCSEC
    slip_at = float(rng.uniform(60.0, 150.0))
    utc_s = request.utc_s + 1.0
    mount.set_tracking(True, utc_s)
    begun = utc_s
    for field in fields:
        sky = request.frame(utc_s)
        mount.slew_ra_dec((sky.lst - field.hour_angle) % (2.0 * math.pi), field.declination, utc_s)
        while mount.slewing(utc_s):
            utc_s += 0.5
            mount.keep_house(utc_s)
        utc_s += 20.0
        first = utc_s
        check.begin_field()
        camera.begin()
        slipped = False
        while not check.field_is_done:
            since = utc_s - first
            if fault == "clutch slip" and not slipped and since >= slip_at:
                mount.slip_declination(slip, utc_s)
                slipped = True
            true = mount.attitude(utc_s)
            if fault == "declination creep":
                # About the declination axis: perpendicular to the polar axis and the tube.
                across = np.cross(mount.axis(utc_s), true[:, 2])
                across /= np.linalg.norm(across)
                true = rotation_matrix(across * creep * since) @ true
            check.add(camera.attitude(true, utc_s, since))
            utc_s += float(rng.uniform(7.0, 10.0))
        if check.is_done:
            break
    assert check.decision is not None
    assert check.measured is not None
    miss = check.measured.axis - truth
    off = float(separation(check.measured.axis, truth))
    error = float(separation(truth, _pole(request)))
    wanted = Verdict.DISAGREES if fault else Verdict.AGREES
    pinv = np.linalg.pinv(check.measured.covariance, rcond=1e-6, hermitian=True)
    return Outcome(
        seed=seed,
        fault=fault,
        verdict=check.decision.verdict.value,
        cause="" if check.decision.cause is None else check.decision.cause.value,
        right=check.decision.verdict is wanted,
        axis_off=off,
        axis_near=off <= max(20.0 * ARCSEC, 0.2 * error),
        mahalanobis2=float(miss @ pinv @ miss),
        minutes=(utc_s - begun) / 60.0,
        fields=len(check.frames),
        sentence=check.decision.sentence,
        seconds=time.perf_counter() - started,
    )


def _pole(request: PlanRequest) -> Vector:
    latitude = request.site.latitude
    return np.array([0.0, math.copysign(math.cos(latitude), latitude), abs(math.sin(latitude))])


def main() -> int:
    """Run the rigs and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.rigs)
    with concurrent.futures.ProcessPoolExecutor(options.jobs) as pool:
        outcomes = list(pool.map(run_rig, seeds, chunksize=4))
    for item in outcomes:
        if options.verbose or not item.right:
            print(
                f"{item.seed:4d} {item.fault or 'sound':18s} {item.verdict} {item.cause} "
                f"axis {item.axis_off / ARCSEC:.1f} arcsec off, {item.minutes:.1f} min, "
                f"{item.fields} fields: {item.sentence}"
            )
    sound = [item for item in outcomes if not item.fault]
    near = [item.axis_near for item in sound]
    print("| rigs | right | median minutes | named as |\n|---|---|---|---|")
    for fault in ("", *FAULTS):
        part = [item for item in outcomes if item.fault == fault]
        if part:
            causes = sorted({item.cause or item.verdict for item in part})
            print(
                f"| {fault or 'sound'} | {sum(item.right for item in part)} of {len(part)} | "
                f"{np.median([item.minutes for item in part]):.1f} | {', '.join(causes)} |"
            )
    print(f"| all | {sum(item.right for item in outcomes)} of {len(outcomes)} | | |")
    offs = np.array([item.axis_off for item in sound]) / ARCSEC
    inside = np.mean([item.mahalanobis2 <= 5.991 for item in sound])
    print(
        f"\nAxis of the sound rigs by drift: median {np.median(offs):.1f}, worst "
        f"{offs.max():.1f} arcsec off; {sum(near)} of {len(near)} within 20 % or 20 arcsec; "
        f"{inside:.0%} inside the 95 % ellipse. {sum(item.seconds for item in outcomes):.0f} s."
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
