"""Whether the stated uncertainty of the axis is true where nothing is as it should be.

``python tests/bench/hostile_world.py --rigs 500 --jobs 2`` prints a Markdown table. Rigs are drawn
with tubes that sag, mounts that tip, tripods that sink, tubes that bend, poor air, gusts, wrong
clocks and weather that the fit is not told; the planner chooses the sweep for each, the simulated
mount makes it, and the product's own fit tells the axis. No images and no HTTP: a frame's attitude
is the mount's, with the noise of its stars added. All ranges are invented; see `draw`.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import dataclasses
import math
import time

import numpy as np

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.geometry.rotation import rotation_about, rotation_matrix, wahba
from polewright.calculation.planning.planner import plan_sweep
from polewright.calculation.planning.request import SweepPlan
from polewright.calculation.sky.climate import night_temperature
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.refraction import refract, refraction_constants, unrefract
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC, DEG, SIDEREAL_RATE, Matrix, Vector
from polewright.foundation.config import Config
from polewright.foundation.errors import PolewrightError
from polewright.observing.plan.plan_from_config import noise_of, request_for
from polewright.observing.plan.rig_errors import shared_errors
from polewright.observing.rig.site_and_weather import weather_of
from polewright.observing.sweep.axis_from_points import fit_attitudes
from polewright_sim.mount.adjusters import Adjusters
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.spec import AdjustersSpec, MisalignmentSpec, MountSpec, SiteSpec

PIXEL_UM, WIDTH_PX, HEIGHT_PX = 3.76, 6248, 4176
STEP_HOURS = 20.0 / 15.0
SETTLE_S, EXPOSURE_S = 8.0, 3.0
POINTS = (3, 4, 6)


@dataclasses.dataclass(frozen=True)
class Hostile:
    """How bad the world is: factors on what is drawn."""

    sag: float = 1.0
    tipping: float = 1.0
    creep: float = 1.0
    bend: float = 1.0
    air: float = 1.0
    gusts: float = 1.0
    clock: float = 1.0
    weather: float = 1.0

    @classmethod
    def clean(cls) -> Hostile:
        """Air of half an arcsecond, and nothing else."""
        return cls(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


@dataclasses.dataclass(frozen=True)
class Outcome:
    """What came of one sweep."""

    seed: int
    points: int
    latitude_deg: float
    focal_mm: float
    error_arcsec: float
    """Angle between fitted and true axis."""
    sigma_arcsec: float
    """Root of the trace of the stated covariance."""
    inside: bool
    """The 95 % region holds the truth."""
    bound: bool
    """The 95 % bound on the total error is not exceeded by the true one."""
    p_value: float
    refused: str
    declination_deg: float


@dataclasses.dataclass(frozen=True, eq=False)
class Drawn:
    """One rig under one sky."""

    seed: int
    site: SiteSpec
    mount: MountSpec
    misalignment: MisalignmentSpec
    focal_mm: float
    utc_s: float
    air_arcsec: float
    gust_arcsec: float
    gust_share: float
    bend: Vector
    """Rad for each radian of hour angle, about the camera's axes (3,)."""
    clock_s: float


def night_air(rng: np.random.Generator, latitude_deg: float, elevation_m: float, utc_s: float,
              size: float) -> tuple[float, float]:  # fmt: skip
    """Draw a night's temperature (C) and station pressure (hPa).

    A rough climate from memory: 27 C at sea level up to latitude 15, half a degree less for each
    degree beyond, seasons of up to 15 C, 6.5 C for a kilometre, nights within 5 C of that (1
    sigma); pressure within 9 hPa of the standard at middle latitudes, 3 in the tropics.
    """
    away = abs(latitude_deg)
    mean = 27.0 - 0.55 * max(0.0, away - 15.0) - 6.5e-3 * elevation_m
    season = min(15.0, 0.3 * max(0.0, away - 10.0))
    year = 2.0 * math.pi * ((utc_s / 86400.0 - 20471.0 - 200.0) / 365.25)  # warmest in late July
    warm = season * math.cos(year) * (1.0 if latitude_deg > 0.0 else -1.0)
    temperature = mean + warm + float(rng.normal(-2.0, 5.0))
    standard = Atmosphere.standard(elevation_m).pressure_hpa
    pressure = standard + float(rng.normal(0.0, 3.0 + 6.0 * min(1.0, away / 40.0)))
    if size == 0.0:  # the air that is believed where nobody told any
        return night_temperature(latitude_deg, elevation_m, utc_s)[0], standard
    return temperature, pressure


def draw(seed: int, world: Hostile) -> tuple[Drawn, np.random.Generator]:
    """Draw a rig: both hemispheres, latitude 5 to 70, misalignment up to 1 deg, 135 to 1000 mm;
    sag to 15 arcsec, tipping to 2 arcsec a point, creep to 0.5 arcsec/min, bend to 1 arcsec a
    point, air of 0.5 to 2 arcsec, gusts of 2 to 5 in up to a tenth of the frames, clock 1 s."""
    rng = np.random.default_rng([20261130, seed])
    latitude = float(rng.choice([-1.0, 1.0]) * rng.uniform(5.0, 70.0))
    size, way = 60.0 * math.sqrt(rng.uniform()), rng.uniform(0.0, 2.0 * math.pi)
    longitude, elevation = float(rng.uniform(-180.0, 180.0)), float(rng.uniform(0.0, 2500.0))
    utc_s = float(rng.uniform(1.767e9, 1.798e9))
    utc_s += (-longitude / 15.0 * 3600.0 - utc_s) % 86400.0  # local midnight: no Sun
    temperature, pressure = night_air(rng, latitude, elevation, utc_s, world.weather)
    bend = rng.normal(size=3)
    drawn = Drawn(
        seed=seed,
        site=SiteSpec(
            latitude_deg=latitude,
            longitude_deg=longitude,
            elevation_m=elevation,
            pressure_hpa=pressure,
            temperature_c=temperature,
        ),
        misalignment=MisalignmentSpec(
            alt_arcmin=size * math.sin(way), az_arcmin=size * math.cos(way)
        ),
        mount=MountSpec(
            starts_parked=False,
            cone_arcmin=float(rng.uniform(-30.0, 30.0)),
            nonperpendicular_arcmin=float(rng.uniform(-10.0, 10.0)),
            pointing_offset_ra_arcmin=float(rng.uniform(-90.0, 90.0)),
            pointing_offset_dec_arcmin=float(rng.uniform(-90.0, 90.0)),
            periodic_error_arcsec=float(rng.uniform(0.0, 15.0)),
            ra_backlash_arcsec=float(rng.uniform(0.0, 60.0)),
            unsteadiness_arcsec=0.0,
            altitude_min_deg=-80.0,
            past_meridian_deg=40.0,
            sag_arcsec=world.sag * float(rng.uniform(0.0, 15.0)),
            tipping_arcsec_per_hour=world.tipping * float(rng.uniform(0.0, 2.0)) / STEP_HOURS,
            tipping_azimuth_deg=float(rng.uniform(0.0, 360.0)),
            creep_arcsec_per_min=world.creep * float(rng.uniform(0.0, 0.5)),
            creep_azimuth_deg=float(rng.uniform(0.0, 360.0)),
        ),
        focal_mm=float(np.exp(rng.uniform(math.log(135.0), math.log(1000.0)))),
        utc_s=utc_s,
        air_arcsec=0.5 + world.air * float(rng.uniform(0.0, 1.5)),
        gust_arcsec=float(rng.uniform(2.0, 5.0)),
        gust_share=world.gusts * float(rng.uniform(0.0, 0.1)),
        bend=world.bend * bend / np.linalg.norm(bend) * rng.uniform(0.0, 1.0) * ARCSEC / 0.349,
        clock_s=world.clock * float(rng.normal(0.0, 1.0)),
    )
    return drawn, rng


def seen_by_the_product(true: Matrix, drawn: Drawn, told: Atmosphere) -> Matrix:
    """Return the attitude (3, 3) that stars give whoever believes in other air and another time."""
    arm = 0.01
    places = np.array([[x, y, 1.0] for x in (-arm, 0.0, arm) for y in (-arm, 0.0, arm)])
    rays = places / np.linalg.norm(places, axis=1, keepdims=True)
    airless = unrefract(rays @ true.T, refraction_constants(drawn.site.atmosphere()))
    latitude = drawn.site.latitude_deg * DEG
    north = np.array([0.0, math.cos(latitude), math.sin(latitude)])
    # A clock ahead of the truth sees the sky turned on towards the west.
    turned = airless @ rotation_about(north, -SIDEREAL_RATE * drawn.clock_s).T
    return wahba(rays, refract(turned, refraction_constants(told)), np.ones(len(rays)))


def make_sweep(
    drawn: Drawn, plan: SweepPlan, told: Atmosphere, noise: Vector, rng: np.random.Generator
) -> tuple[list[Attitude], Vector]:
    """Let the mount make a plan; return the attitudes, and its true axis amid the sweep (3,)."""
    mount = MountModel(
        drawn.mount,
        drawn.site,
        drawn.misalignment,
        Adjusters(AdjustersSpec(), drawn.utc_s),
        roll=float(rng.uniform(0.0, 2.0 * math.pi)),
        utc_s=drawn.utc_s,
    )
    utc_s = drawn.utc_s + 1.0
    mount.set_tracking(True, utc_s)
    attitudes, axes = [], []
    for point, stars in zip(plan.points, noise, strict=True):
        ra = mount.belief.sidereal_time(utc_s) - point.hour_angle
        mount.slew_ra_dec(ra, point.declination, utc_s)
        while mount.slewing(utc_s):
            utc_s += 0.5
            mount.keep_house(utc_s)
        utc_s += SETTLE_S + 0.5 * EXPOSURE_S
        true = mount.attitude(utc_s)
        axes.append(mount.axis(utc_s))
        bent = true @ rotation_matrix(drawn.bend * (point.hour_angle - plan.points[0].hour_angle))
        seen = seen_by_the_product(bent, drawn, told)
        moved = drawn.air_arcsec * max(0.05, float(true[2, 2])) ** -0.6
        if rng.uniform() < drawn.gust_share:
            moved = math.hypot(moved, drawn.gust_arcsec)
        sigma = np.array([stars[0], stars[0], stars[1]])
        wobble = rng.normal(size=3) * np.hypot(sigma, [moved * ARCSEC, moved * ARCSEC, 0.0])
        scale = PIXEL_UM * 1e-3 / drawn.focal_mm
        attitudes.append(
            Attitude(
                seen @ rotation_matrix(wobble), np.diag(sigma**2), utc_s, 1, scale, 40, 1.0, 0.2
            )
        )
        utc_s += 0.5 * EXPOSURE_S + 1.0
    middle = np.mean(axes, axis=0)
    return attitudes, middle / np.linalg.norm(middle)


def run_rig(
    seed: int, world: Hostile | None = None, points: tuple[int, ...] = POINTS
) -> list[Outcome]:
    """Plan, sweep and fit one rig, once for each number of points."""
    drawn, rng = draw(seed, world or Hostile())
    site = Site(drawn.site.latitude_deg, drawn.site.longitude_deg, drawn.site.elevation_m)
    scale = PIXEL_UM * 1e-3 / drawn.focal_mm
    outcomes = []
    for count in points:
        config = Config.model_validate(
            {"sweep": {"points": count}, "optics": {"focal_length_mm": drawn.focal_mm}}
        )
        weather = weather_of(config, site, drawn.utc_s)
        shared = shared_errors(config, weather, drawn.focal_mm)
        noise = noise_of(config.sweep.frame_floor_arcsec, scale, WIDTH_PX, HEIGHT_PX)
        plan = plan_sweep(request_for(config, site, weather, drawn.utc_s, noise, shared))[0]
        stars = dataclasses.replace(noise, boresight_floor_arcsec=0.0, roll_floor_arcsec=0.0)
        sigmas = stars.sigmas(np.array([point.altitude for point in plan.points]))
        attitudes, truth = make_sweep(drawn, plan, weather.air, sigmas, rng)
        floor = config.sweep.frame_floor_arcsec * ARCSEC
        refused = ""
        fit, error = fit_attitudes(attitudes, site, weather, PoleTarget.TRUE, floor, shared)
        try:
            fit.verify()
        except PolewrightError as exc:
            refused = type(exc).__name__
        real = axis_error(truth, np.zeros((3, 3)), site, PoleTarget.TRUE, weather.air)
        outcomes.append(
            Outcome(
                seed=seed,
                points=count,
                latitude_deg=site.latitude_deg,
                focal_mm=drawn.focal_mm,
                error_arcsec=float(np.linalg.norm(np.cross(truth, fit.axis))) / ARCSEC,
                sigma_arcsec=math.sqrt(float(np.trace(error.covariance))) / ARCSEC,
                inside=error.contains(real.d_az_sky, real.d_alt),
                bound=error.total_upper() >= real.total,
                p_value=fit.p_value,
                refused=refused,
                declination_deg=plan.declination / DEG,
            )
        )
    return outcomes


def bands(outcomes: list[Outcome]) -> list[tuple[str, list[Outcome]]]:
    """Return the outcomes by what coverage is asked for."""
    parts: list[tuple[str, list[Outcome]]] = [("all", outcomes)]
    parts += [(f"{n} points", [o for o in outcomes if o.points == n]) for n in POINTS]
    parts += [("north", [o for o in outcomes if o.latitude_deg > 0.0])]
    parts += [("south", [o for o in outcomes if o.latitude_deg < 0.0])]
    parts += [
        (f"latitude {a} to {b}", [o for o in outcomes if a <= abs(o.latitude_deg) < b])
        for a, b in ((5, 15), (15, 30), (30, 45), (45, 60), (60, 70))
    ]
    parts += [
        (f"{a} to {b} mm", [o for o in outcomes if a <= o.focal_mm < b])
        for a, b in ((135, 250), (250, 500), (500, 1000))
    ]
    return parts


def table(outcomes: list[Outcome]) -> str:
    """Return the table as Markdown; refused sweeps give no figure and are only counted."""
    lines = [
        "| rigs | sweeps | refused | median error | median sigma | in the 95 % region "
        "| below the 95 % bound |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, part in bands(outcomes):
        told = [o for o in part if not o.refused]
        if told:
            lines.append(
                f"| {name} | {len(part)} | {len(part) - len(told)} "
                f"| {np.median([o.error_arcsec for o in told]):.2f}″ "
                f"| {np.median([o.sigma_arcsec for o in told]):.2f}″ "
                f"| {100.0 * np.mean([o.inside for o in told]):.1f} % "
                f"| {100.0 * np.mean([o.bound for o in told]):.1f} % |"
            )
    return "\n".join(lines)


def main() -> int:
    """Run the rigs and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=500)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--clean", action="store_true", help="the same rigs in a clean world")
    parser.add_argument(
        "--only", choices=[item.name for item in dataclasses.fields(Hostile)],
        help="only this trouble, all others clean",
    )  # fmt: skip
    options = parser.parse_args()
    world = Hostile.clean() if options.clean or options.only else Hostile()
    if options.only:
        world = dataclasses.replace(world, **{options.only: 1.0})
    begun = time.perf_counter()
    seeds = range(options.first, options.first + options.rigs)
    with concurrent.futures.ProcessPoolExecutor(options.jobs) as pool:
        found = pool.map(run_rig, seeds, [world] * len(seeds), chunksize=4)
        outcomes = [outcome for rig in found for outcome in rig]
    print(table(outcomes))
    worst = max(outcomes, key=lambda o: o.error_arcsec)
    print(
        f"\nWorst: {worst.error_arcsec:.1f}″ (sigma {worst.sigma_arcsec:.1f}″, seed {worst.seed}, "
        f"{worst.points} points). {time.perf_counter() - begun:.0f} s."
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
