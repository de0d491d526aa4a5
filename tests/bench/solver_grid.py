"""Success, truth and time of the embedded solver over field widths, parts of the sky and skies.

``python tests/bench/solver_grid.py --each 50 --jobs 2`` renders frames with the simulated rig's
camera (1500 x 1000 pixels), detects and solves them as a run would, compares with what was
rendered, and prints Markdown tables. Fields below 1.3 degrees are solved with an add-on catalogue
built from Debian's Tycho-2 indexes (astrometry-data-tycho2-07 if it is there, else -10-19), which
the renderer then draws as well. ``--peer N`` lets Debian's `solve-field` try N frames of each cell
with the same hint.

What varies in every frame, by chance: place, roll, parity, how far the hint is off (four in five up
to 2 degrees with scale and parity about known, as after a first solve; one in five up to 10 degrees
and 3 % of scale), a fifth of spurious detections in one frame of three, and from 8 degrees of width
on a lens distortion of up to 3 %, known from an earlier solve every other time. All invented.

A frame counts when at least six stars of the catalogue are in it and seen. A solve is wrong when
its boresight, or the roll at the frame's edge, is off the truth by more than three times its stated
uncertainty and by more than 0.3 pixels.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import dataclasses
import math
import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from polewright.calculation.geometry.attitude import (
    STAR_FLOOR,
    attitude_from_solution,
    camera_pixels,
)
from polewright.calculation.geometry.solution import Distortion
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import DEG, HOUR, TAU, unit_vector
from polewright.foundation.errors import PolewrightError
from polewright.solving.base import SolveHint
from polewright.solving.catalogue.addon import AddOn
from polewright.solving.catalogue.addon_build import build
from polewright.solving.catalogue.addon_table import ReadOptions
from polewright.solving.catalogue.catalogue import Layered, StarSource, bundled_catalogue
from polewright.solving.catalogue.density import SPARSE_STARS
from polewright.solving.embedded import solver as embedded
from polewright.solving.errors import SolverTimedOut
from polewright.solving.external.command import DEBIAN_ASTROMETRY
from polewright.solving.registry import load_solver
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec
from polewright_sim.sky.stars import (
    SkyModel,
    Stars,
    invented_motions,
    invented_stars,
    move,
    star_colours,
)

WIDTHS_DEG = (0.5, 0.9, 1.35, 2.0, 4.0, 8.0, 15.0, 30.0)
REGIONS = ("pole", "plane", "galactic pole", "south")
SKIES = {"dark": (21.5, 0.2), "suburban": (20.0, 0.5), "city": (17.5, 3.0)}
NEEDS_ADDON_DEG = 1.3
COLUMNS, ROWS, PIXEL_UM = 1500, 1000, 5.0
EXPOSURE_S = 2.0
UTC_S = 1795210200.0  # 2026-11-20 21:30 UTC
TIMEOUT_S = 30.0
FLOOR_PX = 0.3
#: North galactic pole, J2000 (IAU 1958 system in the Hipparcos catalogue, ESA 1997, vol. 1, 1.5.3,
#: from memory).
GALACTIC_POLE = unit_vector(192.85948 * DEG, 27.12825 * DEG)
INDEXES = Path("/usr/share/astrometry")


@dataclasses.dataclass(frozen=True)
class Case:
    """One frame to make and solve."""

    width_deg: float
    region: str
    sky: str
    seed: int
    kind: str = "grid"
    """grid, ten (hint 10 degrees off) or blind."""
    peer: bool = False
    addon: str = ""


@dataclasses.dataclass(frozen=True)
class Outcome:
    """How it went."""

    case: Case
    catalogue: int
    """Catalogue stars in the frame."""
    seen: int
    """Those of them that were detected."""
    solved: bool
    wrong: bool
    timed_out: bool
    solve_s: float
    over_boresight: float
    """Error of the boresight over its stated uncertainty (both axes together)."""
    over_roll: float
    error_px: float
    matched: int
    far: bool
    peer_s: float | None = None
    peer_solved: bool = False
    why: str = ""

    @property
    def counts(self) -> bool:
        return self.seen >= SPARSE_STARS


class DeepSky(SkyModel):
    """Draws an add-on catalogue's stars too, each moved by an invented proper motion."""

    def stars(self, centre_icrs: np.ndarray, radius: float, julian_year: float) -> Stars:
        addon = _addon(os.environ["SOLVER_GRID_ADDON"])
        known = self.spec.model_copy(update={"faint_stars": False})
        bright = SkyModel(self.site, self.atmosphere, known).stars(centre_icrs, radius, julian_year)
        more = addon.cone(centre_icrs, radius, julian_year)
        apart, _ = cKDTree(_nearby(centre_icrs, radius)).query(more.vectors)
        more = more.take(apart > 4.0 / 3600.0 * DEG)
        magnitude = more.magnitude.astype(np.float64)
        motion = invented_motions(more.ids, magnitude, self.spec.seed)
        moved = move(more.vectors, motion, julian_year - addon.header.epoch_year)
        drawn = Stars(more.ids, moved, magnitude, star_colours(more.ids, self.spec.seed))
        out = Stars.join(bright, drawn.take(magnitude <= self.spec.faintest_mag))
        faint = invented_stars(centre_icrs, radius, self.spec.faintest_mag, self.spec.seed)
        return Stars.join(out, faint.take(faint.mag > 12.0))


def _nearby(centre: np.ndarray, radius: float) -> np.ndarray:
    found = bundled_catalogue().cone(centre, radius + 0.1 * DEG, 2016.0).vectors
    return found if len(found) else -centre[None, :]


@cache
def _addon(path: str) -> AddOn:
    return AddOn(Path(path))


@cache
def _solver(path: str) -> object:
    return embedded.create({"catalogue": path or "none"})


@cache
def _peer() -> object:
    return load_solver("command", DEBIAN_ASTROMETRY)


def place(region: str, rng: np.random.Generator) -> np.ndarray:
    """An ICRS direction (3,) in a part of the sky."""
    while True:
        v = rng.normal(size=3)
        v /= np.linalg.norm(v)
        if region == "pole":
            return unit_vector(rng.uniform(0, TAU), math.asin(rng.uniform(math.sin(85 * DEG), 1)))
        latitude = math.asin(v @ GALACTIC_POLE)
        if region == "plane" and abs(latitude) < 5 * DEG:
            return v
        if region == "galactic pole" and abs(latitude) > 75 * DEG:
            return v
        if region == "south" and v[2] < -math.sin(60 * DEG):
            return v


def optics_for(width_deg: float, rng: np.random.Generator) -> OpticsSpec:
    """A telescope or lens for a field: f/2.8 when short, 130 mm of aperture at most."""
    focal = 0.5 * COLUMNS * PIXEL_UM * 1e-3 / math.tan(0.5 * width_deg * DEG)
    bent = float(rng.uniform(-0.03, 0.03)) if width_deg >= 8.0 else 0.0
    return OpticsSpec(
        focal_length_mm=focal,
        aperture_mm=min(130.0, focal / (2.8 if focal < 150.0 else 5.0)),
        parity=int(rng.choice([1, -1])),
        spot_fwhm_um=8.0,
        distortion_k1=bent,
    )


def camera_at(boresight: np.ndarray, roll: float, parity: int) -> np.ndarray:
    """Camera axes as columns (3, 3): x runs along the image's columns times parity."""
    east = np.cross(np.array([0.0, 0.0, 1.0]), boresight)
    east /= np.linalg.norm(east)
    up = np.cross(boresight, east)
    x = math.cos(roll) * east + math.sin(roll) * up
    return np.stack([x, np.cross(boresight, x), boresight], axis=-1)


def off_by(rng: np.random.Generator, v: np.ndarray, angle: float) -> np.ndarray:
    side = np.cross(v, rng.normal(size=3))
    return v * math.cos(angle) + side / np.linalg.norm(side) * math.sin(angle)


def with_spurious(stars: StarList, rng: np.random.Generator) -> StarList:
    """Add a fifth of detections that are no stars, as bright as the others are."""
    more = max(1, len(stars) // 5)
    model = rng.integers(0, len(stars), more)
    columns = {
        field.name: np.concatenate([getattr(stars, field.name), getattr(stars, field.name)[model]])
        for field in dataclasses.fields(stars)
        if isinstance(getattr(stars, field.name), np.ndarray)
    }
    columns["x"][-more:] = rng.uniform(0, stars.width - 1, more)
    columns["y"][-more:] = rng.uniform(0, stars.height - 1, more)
    order = np.argsort(-columns["flux"], kind="stable")
    moved: dict[str, Any] = {name: values[order] for name, values in columns.items()}
    return dataclasses.replace(stars, **moved)


def run(case: Case) -> Outcome:
    """Make a frame and solve it."""
    salt = [
        WIDTHS_DEG.index(case.width_deg),
        REGIONS.index(case.region),
        list(SKIES).index(case.sky),
    ]
    rng = np.random.default_rng([*salt, case.seed, len(case.kind)])
    icrs = place(case.region, rng)
    ra, dec = math.atan2(icrs[1], icrs[0]) % TAU, math.asin(icrs[2])
    latitude = float(np.clip(dec / DEG + rng.uniform(-25, 25), -65, 65))
    first = ObservedFrame.at(Site(latitude, 0.0, 300.0), Atmosphere.standard(300.0), UTC_S)
    longitude = (ra + rng.uniform(-1.5, 1.5) * HOUR - first.lst) / DEG
    site = Site(latitude, (longitude + 180.0) % 360.0 - 180.0, 300.0)
    air = Atmosphere.standard(300.0)
    frame_sky = ObservedFrame.at(site, air, UTC_S)
    boresight = frame_sky.observe(icrs[None, :])[0]
    optics = optics_for(case.width_deg, rng)
    truth = camera_at(boresight, rng.uniform(0, TAU), optics.parity)
    scale = PIXEL_UM * 1e-3 / optics.focal_length_mm
    pixels = _rendered(case, site, air, optics, truth, rng)
    frame = Frame(pixels, UTC_S, EXPOSURE_S, pixel_um=PIXEL_UM)
    source: StarSource = bundled_catalogue()
    if case.addon:
        source = Layered((bundled_catalogue(), _addon(case.addon)))
    stars = detect_stars(frame)
    catalogue, seen = _counted(source, icrs, truth, optics, scale, frame_sky, stars)
    if len(stars) and rng.random() < 1.0 / 3.0:
        stars = with_spurious(stars, rng)
    hint, far = _hint(case, icrs, scale, optics, frame_sky.julian_year, rng)
    plain = Outcome(case, catalogue, seen, False, False, False, 0.0, 0.0, 0.0, 0.0, 0, far)
    started = time.perf_counter()
    try:
        solution = _solver(case.addon).solve(stars, hint, timeout_s=TIMEOUT_S)  # type: ignore[attr-defined]
        solve_s = time.perf_counter() - started
        attitude = attitude_from_solution(solution, frame_sky, star_floor_rad=STAR_FLOOR)
    except PolewrightError as error:
        solve_s = time.perf_counter() - started
        late = isinstance(error, SolverTimedOut)
        out = dataclasses.replace(plain, solve_s=solve_s, timed_out=late, why=str(error))
    else:
        turn = truth.T @ attitude.matrix
        vector = 0.5 * np.array(
            [turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]
        )
        covariance = attitude.covariance
        bore, roll = float(np.hypot(vector[0], vector[1])), abs(float(vector[2]))
        over_bore = bore / math.sqrt(covariance[0, 0] + covariance[1, 1])
        over_roll = roll / math.sqrt(covariance[2, 2])
        wrong = (over_bore > 3.0 and bore > FLOOR_PX * scale) or (
            over_roll > 3.0 and roll * COLUMNS / 2 > FLOOR_PX
        )
        if attitude.parity != optics.parity:
            wrong = True
        out = dataclasses.replace(
            plain, solved=True, wrong=wrong, solve_s=solve_s, over_boresight=over_bore,
            over_roll=over_roll, error_px=bore / scale, matched=attitude.matched,
        )  # fmt: skip
    return _with_peer(out, stars, hint, frame) if case.peer else out


def _rendered(
    case: Case,
    site: Site,
    air: Atmosphere,
    optics: OpticsSpec,
    truth: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Counts of the frame; stars far below what the frame can show are left out, for speed."""
    darkness, glow = SKIES[case.sky]
    sensor = SensorSpec(
        width=COLUMNS, height=ROWS, pixel_um=PIXEL_UM, hot_pixel_count=60, seed=case.seed + 1
    )
    faintest = min(13.0, 3.2 + 5.0 * math.log10(optics.aperture_mm))
    sky = SkySpec(
        faintest_mag=faintest, sky_mag_per_arcsec2=darkness, city_glow=glow, seed=case.seed + 1
    )
    model = (DeepSky if case.addon else SkyModel)(site, air, sky)
    return render_frame(model, optics, sensor, truth[None], UTC_S, EXPOSURE_S, rng)


def _counted(
    source: StarSource,
    icrs: np.ndarray,
    truth: np.ndarray,
    optics: OpticsSpec,
    scale: float,
    sky: ObservedFrame,
    stars: StarList,
) -> tuple[int, int]:
    """Catalogue stars in the frame, and those of them with a detection within 2.5 pixels."""
    corner = math.atan(0.55 * scale * math.hypot(COLUMNS, ROWS))
    cone = source.cone(icrs, corner, sky.julian_year)
    camera = sky.observe(cone.vectors) @ truth if len(cone) else np.empty((0, 3))
    camera = camera[camera[:, 2] > 0.05] if len(cone) else camera
    places = camera_pixels(
        camera, COLUMNS, ROWS, optics.parity, scale, Distortion(optics.distortion_k1)
    )
    inside = np.all((places > 0) & (places < np.array([COLUMNS, ROWS]) - 1), axis=1)
    places = places[inside]
    if not len(places) or not len(stars):
        return len(places), 0
    near, index = cKDTree(np.column_stack([stars.x, stars.y])).query(places)
    return len(places), len(np.unique(index[near < 2.5]))


def blind_hint(width_deg: float, year: float) -> SolveHint:
    """The scale within 5 % and nothing else; 1 % off."""
    scale = 2.0 * math.tan(0.5 * width_deg * DEG) / COLUMNS
    return SolveHint(scale=1.01 * scale, scale_tolerance=0.05, epoch_year=year)


def _hint(
    case: Case,
    icrs: np.ndarray,
    scale: float,
    optics: OpticsSpec,
    year: float,
    rng: np.random.Generator,
) -> tuple[SolveHint, bool]:
    """What a run would know; and whether the pointing is of the far-off kind."""
    far = case.kind == "ten" or (case.kind == "grid" and rng.random() < 0.2)
    if case.kind == "blind":
        return blind_hint(case.width_deg, year), False
    known = not far and case.kind == "grid"
    off = 10.0 if case.kind == "ten" else rng.uniform(0.0, 10.0 if far else 2.0)
    error, tolerance = (0.005, 0.01) if known else (0.03, 0.05)
    lens = optics.distortion_k1 if rng.random() < 0.5 else 0.0
    return SolveHint(
        centre_icrs=off_by(rng, icrs, off * DEG),
        radius=(10.0 if far else 4.0) * DEG,
        scale=scale * (1.0 + float(rng.uniform(-error, error))),
        scale_tolerance=tolerance,
        parity=optics.parity if known else None,
        epoch_year=year,
        k1=lens,
    ), far


def _with_peer(out: Outcome, stars: StarList, hint: SolveHint, frame: Frame) -> Outcome:
    started = time.perf_counter()
    try:
        _peer().solve(stars, hint, frame=frame, timeout_s=60.0)  # type: ignore[attr-defined]
        solved = True
    except PolewrightError:
        solved = False
    return dataclasses.replace(out, peer_s=time.perf_counter() - started, peer_solved=solved)


def cell_text(found: list[Outcome]) -> str:
    """One cell of the table: solved of counted, median time; or why it does not count."""
    counted = [item for item in found if item.counts]
    stars = statistics.median(item.catalogue for item in found)
    seen = statistics.median(item.seen for item in found)
    if not counted:
        return f"({stars:g} stars, {seen:g} seen)"
    solved = [item for item in counted if item.solved and not item.wrong]
    wrong = sum(item.wrong for item in counted)
    times = [item.solve_s * 1e3 for item in counted if item.solved] or [math.nan]
    text = f"{len(solved)}/{len(counted)}"
    text += f" **{wrong} wrong**" if wrong else ""
    return f"{text}, {statistics.median(times):.0f} ms; {stars:g}, {seen:g}"


def report(outcomes: Iterable[Outcome], each: int) -> int:
    """Print the tables; return the number of wrong solves."""
    found = list(outcomes)
    grid = [item for item in found if item.case.kind == "grid"]
    print("Right solves of frames that count, median time of a solve; catalogue stars in the")
    print(f"frame and those of them seen (medians). {each} frames a cell.\n")
    print(f"| width | part of the sky | {' | '.join(SKIES)} |")
    print("|---" * (2 + len(SKIES)) + "|")
    for width in sorted({item.case.width_deg for item in grid}):
        for region in REGIONS:
            cells = [
                [i for i in grid if (i.case.width_deg, i.case.region, i.case.sky)
                 == (width, region, sky)]
                for sky in SKIES
            ]  # fmt: skip
            if any(cells):
                texts = [cell_text(cell) if cell else "" for cell in cells]
                print(f"| {width:g}° | {region} | {' | '.join(texts)} |")
    print()
    _totals(found)
    return sum(item.wrong for item in found)


def _totals(found: list[Outcome]) -> None:
    print(
        "| frames | counted | solved | share | wrong | beyond 3x boresight | beyond 3x roll | "
        "timed out | median s | 99 % s | worst s |"
    )
    print("|---" * 11 + "|")
    groups: list[tuple[str, list[Outcome]]] = []
    grid = [i for i in found if i.case.kind == "grid"]
    for width in sorted({i.case.width_deg for i in grid}):
        groups.append((f"{width:g}°", [i for i in grid if i.case.width_deg == width]))
    groups.append(("all of the grid", grid))
    groups.append(("hint up to 2° off", [i for i in grid if not i.far]))
    groups.append(("hint up to 10° off", [i for i in grid if i.far]))
    groups.append(("fewer than six seen", [i for i in grid if not i.counts]))
    for kind, words in (("ten", "hint 10° off"), ("blind", "blind, scale known")):
        for width in sorted({i.case.width_deg for i in found if i.case.kind == kind}):
            some = [i for i in found if i.case.kind == kind and i.case.width_deg == width]
            groups.append((f"{words}, {width:g}°", some))
    for name, some in groups:
        counted = [i for i in some if i.counts] if not name.startswith("fewer") else some
        if not counted:
            continue
        solved = [i for i in counted if i.solved]
        times = np.array([i.solve_s for i in counted])
        right = sum(not i.wrong for i in solved)
        print(
            f"| {name} | {len(counted)} of {len(some)} | {right} | {right / len(counted):.1%} | "
            f"{sum(i.wrong for i in solved)} | {sum(i.over_boresight > 3.0 for i in solved)} | "
            f"{sum(i.over_roll > 3.0 for i in solved)} | {sum(i.timed_out for i in counted)} | "
            f"{np.median(times):.3f} | {np.percentile(times, 99):.2f} | {times.max():.2f} |"
        )
    print()
    solved = [i for i in found if i.solved]
    if solved:
        ratio = np.array([i.over_boresight for i in solved])
        print(
            f"Boresight error over stated uncertainty (both axes together; 1 on average where the "
            f"noise is all): rms {np.sqrt(np.mean(ratio**2)):.2f}, worst {ratio.max():.2f}; "
            f"median error {np.median([i.error_px for i in solved]):.3f} px. Where errors are "
            "normal, 0.01 % of boresights (exp -9) and 0.27 % of rolls lie beyond three times."
        )
    peers = [i for i in found if i.peer_s is not None]
    for width in sorted({i.case.width_deg for i in peers}):
        some = [i for i in peers if i.case.width_deg == width and i.counts]
        both = [i for i in some if i.solved and i.peer_solved]
        if some:
            ratio_text = "-"
            if both:
                ratio_text = f"{statistics.median(i.peer_s / i.solve_s for i in both):.1f}"  # type: ignore[operator]
            print(
                f"solve-field, {width:g}°: {sum(i.peer_solved for i in some)} of {len(some)} "
                f"(ours {sum(i.solved for i in some)}), median "
                f"{statistics.median(i.peer_s for i in some):.2f} s, "  # type: ignore[type-var]
                f"{ratio_text} times our solve where both solved"
            )


def make_addon(folder: Path) -> str:
    """Build the add-on from Debian's indexes; return its path, empty if there are none."""
    deep = INDEXES / "index-tycho2-07.littleendian.fits"
    sources = [deep] if deep.exists() else sorted(INDEXES.glob("index-tycho2-1*.fits"))
    if not sources:
        return ""
    target = folder / "grid.stars"
    built = build(sources, target, "grid", ReadOptions(), utc_s=UTC_S)
    about = built.header
    print(
        f"Add-on: {', '.join(source.name for source in sources[:2])}: {about.stars} stars to "
        f"magnitude {about.faintest:.1f}, {about.extra_stars} beyond the bundled catalogue.\n"
    )
    return str(target)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=50, help="frames a cell")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--peer", type=int, default=0, help="of these, frames for solve-field too")
    parser.add_argument("--width", type=float, action="append", help="only these widths, deg")
    parser.add_argument("--region", action="append", choices=REGIONS)
    parser.add_argument("--sky", action="append", choices=list(SKIES))
    parser.add_argument("--special", type=int, default=6, help="blind and 10-degree frames a width")
    parser.add_argument("--first", type=int, default=0, help="number of the first frame")
    parser.add_argument("--show", action="store_true", help="tell every frame that is not right")
    options = parser.parse_args()
    peer = options.peer if shutil.which("solve-field") else 0
    started = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="solver-grid-") as folder:
        addon = make_addon(Path(folder))
        os.environ["SOLVER_GRID_ADDON"] = addon
        cases = []
        for width in options.width or WIDTHS_DEG:
            deep = addon if width < NEEDS_ADDON_DEG else ""
            if width < NEEDS_ADDON_DEG and not addon:
                print(f"No index of Debian's is there: {width:g} degrees is left out.")
                continue
            cases += [
                Case(width, region, sky, options.first + seed, "grid", seed < peer, deep)
                for region in options.region or REGIONS
                for sky in options.sky or SKIES
                for seed in range(options.each)
            ]
            for kind in ("ten", "blind"):
                if kind == "ten" or width >= 2.0:
                    cases += [
                        Case(
                            width, REGIONS[k % 4], "suburban", options.first + k, kind, False, deep
                        )
                        for k in range(options.special)
                    ]
        with concurrent.futures.ProcessPoolExecutor(options.jobs) as pool:
            outcomes = list(pool.map(run, cases, chunksize=max(1, min(8, options.each))))
    if options.show:
        for item in outcomes:
            if item.counts and (item.wrong or not item.solved):
                print(
                    f"- {dataclasses.replace(item, case=dataclasses.replace(item.case, addon=''))}"
                )
    wrong = report(outcomes, options.each)
    print(f"\n{len(cases)} frames in {(time.monotonic() - started) / 60.0:.1f} minutes.")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
