"""Frames in which the axis moved, and honest ones under a poor sky: which are read as settled?

``python tests/bench/turns_while_exposing.py --frames 500 --jobs 1`` prints a Markdown table. No
HTTP here: the simulated camera's renderer and the product's chain from image to reading. Each case
has its own invented telescope and sky; after a reference frame and one at rest comes the frame
that counts. A frame with a turn must never be called settled where less than 95 % of its light
is; a frame at rest should be, whatever cloud, seeing and wind do to it.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import dataclasses
import math
from collections import Counter

import numpy as np
from bench_frames import camera_at, table

from polewright.calculation.adjusting.engine import AdjustmentEngine, Reading
from polewright.calculation.adjusting.observation import NoReading, Observation
from polewright.calculation.geometry.rotation import rotation_about
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.images.quality import frame_quality
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, SIDEREAL_RATE, TAU, enu_from_azalt
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ImageError, SolveError
from polewright.observing.rig.plate_solver import PlateSolver
from polewright.solving.registry import load_solver
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec
from polewright_sim.sky.disturbance import CLEAR, Disturbance
from polewright_sim.sky.stars import SkyModel

UTC_S = 1795210200.0  # 2026-11-20 21:30 UTC
#: Focal length (mm), columns and rows: 6.5, 3.9 and 2.6 arcsec a pixel.
CAMERAS = ((120.0, 1500, 1100), (200.0, 1700, 1300), (300.0, 2300, 1700))
PIXEL_UM = 3.8
LEAST_SHARE = 0.95
#: Light within so many pixels of where a frame is read is there.
THERE_PX = 2.0
HONEST = ("clear", "cloud comes at once", "cloud passes", "seeing", "wind")


@dataclasses.dataclass(frozen=True)
class Turn:
    """A rotation (rad) about an axis, evenly from ``start_s`` of the exposure on."""

    axis: np.ndarray
    angle: float
    start_s: float
    lasts_s: float

    def at(self, seconds: float) -> np.ndarray:
        """(3, 3) what is turned so many seconds after the exposure began."""
        part = min(max((seconds - self.start_s) / self.lasts_s, 0.0), 1.0)
        return rotation_about(self.axis, part * self.angle)


class Telescope:
    """An invented telescope that follows the sky about the true pole, and what reads its frames."""

    def __init__(self, seed: int) -> None:
        rng = self.rng = np.random.default_rng([20261130, seed])
        focal_mm, width, height = CAMERAS[seed % len(CAMERAS)]
        self.site, self.air = Site(44.62, 9.31, 420.0), Atmosphere.standard(420.0)
        self.optics = OpticsSpec(
            focal_length_mm=focal_mm, aperture_mm=focal_mm / float(rng.uniform(4.0, 6.0))
        )
        self.sensor = SensorSpec(
            width=width, height=height, pixel_um=PIXEL_UM, hot_pixel_count=50, seed=seed
        )
        sky = SkySpec(sky_mag_per_arcsec2=float(rng.uniform(18.5, 21.5)), faintest_mag=11.5)
        self.sky = SkyModel(self.site, self.air, sky)
        self.exposure_s = float(rng.uniform(1.0, 4.0))
        up = enu_from_azalt(rng.uniform(0, TAU), rng.uniform(35.0, 75.0) * DEG)
        self.start, self.start_s = camera_at(up, rng.uniform(0, TAU)), UTC_S
        self.pole = enu_from_azalt(0.0, self.site.latitude_deg * DEG)
        self.scale = PIXEL_UM * 1e-3 / focal_mm
        self.utc_s = UTC_S
        self.plates = PlateSolver(
            load_solver("embedded"), self.site, self.air,
            nominal_scale=self.scale, hint_radius=3.0 * DEG, blind=False, timeout_s=30.0,
        )  # fmt: skip
        first = self.expose()
        sky_now = self.plates.sky_at(first.utc_mid_s)
        self.plates.solve(
            detect_stars(first), first, sky_now.to_icrs(self.start[:, 2]), CancelToken()
        )
        reference = self.read(self.expose(), quick=False)
        if not isinstance(reference, Observation):
            raise TypeError(f"the reference frame was not solved: {reference.reason}")
        sigma = 10.0 * ARCSEC
        self.engine = AdjustmentEngine(
            self.pole,
            sigma**2 * (np.eye(3) - np.outer(self.pole, self.pole)),
            reference,
            self.site,
            atmosphere=self.air,
        )

    def attitude(self, utc_s: float) -> np.ndarray:
        """(3, 3) the camera's axes as columns while nobody turns anything."""
        return rotation_about(self.pole, -SIDEREAL_RATE * (utc_s - self.start_s)) @ self.start

    def attitudes(self, turn: Turn | None, count: int) -> np.ndarray:
        """(count, 3, 3) at the middles of equal parts of the exposure that begins now."""
        at = (np.arange(count) + 0.5) / count * self.exposure_s
        return np.array(
            [
                (np.eye(3) if turn is None else turn.at(t)) @ self.attitude(self.utc_s + t)
                for t in at
            ]
        )

    def expose(self, turn: Turn | None = None, spoil: Disturbance = CLEAR) -> Frame:
        """Take a frame."""
        mid_s = self.utc_s + 0.5 * self.exposure_s
        pixels = render_frame(
            self.sky, self.optics, self.sensor, self.attitudes(turn, 5 if turn is None else 200),
            mid_s, self.exposure_s, self.rng, disturbance=spoil,
        )  # fmt: skip
        self.utc_s += self.exposure_s + 0.5
        return Frame(pixels, mid_s, self.exposure_s, saturation_adu=self.sensor.max_adu,
                     gain_e_per_adu=self.sensor.gain_e_per_adu)  # fmt: skip

    def turned(self, turn: Turn) -> None:
        """Stand from now on where a turn has ended."""
        self.start = turn.at(math.inf) @ self.attitude(self.utc_s)
        self.start_s = self.utc_s

    def read(self, frame: Frame, *, quick: bool = True) -> Observation | NoReading:
        """Read a live frame, as a session does."""
        try:
            near = self.plates.look_near(frame, tracking=True) if quick else None
            stars = detect_stars(frame) if near is None else near.stars
            quality = frame_quality(stars)
            plate = self.plates.follow(stars, frame, None, CancelToken(), tracking=True, near=near)
        except (ImageError, SolveError) as error:
            return NoReading(str(error), frame.utc_mid_s, tracking=True)
        return Observation(
            plate.attitude,
            elongation=quality.elongation,
            star_count=quality.star_count,
            hfd_px=quality.hfd_px,
            light=plate.light,
            tracking=True,
        )

    def any_turn(self) -> Turn:
        """Half to 60 arcmin about an adjuster or any axis, quick or slow, at any moment."""
        rng = self.rng
        angle = float(np.exp(rng.uniform(np.log(0.5), np.log(60.0)))) * ARCMIN
        kind = int(rng.integers(4))
        if kind == 0:
            axis = np.array([0.0, 0.0, 1.0])
        elif kind == 1:
            axis = np.array([1.0, 0.0, 0.0])
        else:
            axis = np.cross(self.start[:, 2], rng.normal(size=3))
            axis /= np.linalg.norm(axis)
        if rng.random() < 0.5:
            lasts_s = float(rng.uniform(0.05, 0.6))
        else:
            lasts_s = angle / (float(np.exp(rng.uniform(np.log(0.3), np.log(15.0)))) * ARCMIN)
        start_s = float(rng.uniform(-min(lasts_s, self.exposure_s), self.exposure_s))
        return Turn(axis * rng.choice([-1.0, 1.0]), angle, start_s, lasts_s)

    def light_at(self, read: np.ndarray, way: np.ndarray) -> float:
        """Share of the light of a way (K, 3, 3) that fell where the frame was read (3, 3)."""
        x, y = np.meshgrid([-0.3, 0.0, 0.3], [-0.3, 0.0, 0.3])
        size = self.scale * self.sensor.width
        rays = np.column_stack([x.ravel() * size, y.ravel() * size, np.ones(9)])
        here = rays @ read.T
        off = np.array([np.sqrt(np.mean(np.sum((rays @ a.T - here) ** 2, 1))) for a in way])
        return float(np.mean(off < THERE_PX * self.scale))


@dataclasses.dataclass(frozen=True)
class Outcome:
    """What became of the frame that counts."""

    kind: str
    state: str
    share: float
    """Of the light, where the frame was read; 1 when it was not."""
    turn_arcmin: float = 0.0
    stayed: float = 1.0
    """Share of the light before anything moved."""
    later: int = 0
    """Frames after the turn until the reading was settled where the telescope then stood."""

    @property
    def wrong(self) -> bool:
        """Whether it was called settled where too little of the light is."""
        return self.state in ("settled", "bumped") and self.share < LEAST_SHARE


def with_turn(seed: int, *, after: int = 0) -> Outcome:
    """A frame in which the axis moved, and up to ``after`` frames afterwards."""
    scope = Telescope(seed)
    scope.engine.update(scope.read(scope.expose()))
    turn = scope.any_turn()
    way = scope.attitudes(turn, 400)
    middle = scope.attitude(scope.utc_s + 0.5 * scope.exposure_s)
    track = [middle @ scope.attitude(scope.utc_s + t).T for t in
             (np.arange(400) + 0.5) / 400 * scope.exposure_s]  # fmt: skip
    stood = np.array([a @ t for a, t in zip(track, way, strict=True)])
    seen = scope.read(scope.expose(turn))
    reading = scope.engine.update(seen)
    read = seen.attitude.matrix if isinstance(seen, Observation) else middle
    share = scope.light_at(read, stood) if isinstance(seen, Observation) else 1.0
    later, settled = 0, False
    scope.utc_s += max(0.0, turn.start_s + turn.lasts_s - scope.exposure_s)
    scope.turned(turn)
    while later < after and not settled:
        reading_after = scope.engine.update(scope.read(scope.expose()))
        settled, later = reading_after.settled, later + 1
    return Outcome(
        "turn", reading.state.value, share, turn.angle / ARCMIN, scope.light_at(middle, stood),
        later if settled else 99,
    )  # fmt: skip


def spoiled(kind: str, number: int, rng: np.random.Generator) -> Disturbance:
    """What the sky does to the frame of this number after the one at rest."""
    if kind == "cloud comes at once":
        across, down = (float(v) for v in rng.uniform(-0.05, 0.05, 2))
        return Disturbance(
            transmission=float(rng.uniform(0.5, 0.95)), transmission_slope=(across, down)
        )
    if kind == "cloud passes":
        return Disturbance(transmission=0.75 + 0.25 * math.cos(0.6 * (number + 1)))
    if kind == "seeing":
        return Disturbance(extra_blur_px=float(rng.uniform(0.0, 1.2)))
    if kind == "wind":
        return Disturbance(wind_px=float(rng.uniform(0.1, 0.5)))
    return CLEAR


def at_rest(kind: str, seed: int, frames: int = 6) -> list[Outcome]:
    """Frames at rest one after the other, spoilt by what the kind says."""
    scope = Telescope(seed)
    scope.engine.update(scope.read(scope.expose()))
    found = []
    for number in range(frames):
        reading: Reading = scope.engine.update(
            scope.read(scope.expose(spoil=spoiled(kind, number, scope.rng)))
        )
        found.append(Outcome(kind, reading.state.value, 1.0))
    return found


def main() -> int:
    """Take the frames and print the tables; exit code 1 when a promise does not hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=500, help="with a turn")
    parser.add_argument("--honest", type=int, default=20, help="telescopes of each kind at rest")
    parser.add_argument("--after", type=int, default=5, help="frames after a turn, at most")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.frames)
    with concurrent.futures.ProcessPoolExecutor(options.jobs) as pool:
        turns = list(pool.map(_turn, seeds, [options.after] * len(seeds), chunksize=4))
        pairs = [(kind, seed) for kind in HONEST for seed in range(options.honest)]
        rest = [o for found in pool.map(_rest, pairs, chunksize=2) for o in found]
    print("\nFrames with a turn\n")
    rows = []
    for low, high in ((0.5, 2.0), (2.0, 6.0), (6.0, 20.0), (20.0, 60.0), (0.5, 60.0)):
        part = [o for o in turns if low <= o.turn_arcmin <= high]
        if not part:
            continue
        states = Counter(o.state for o in part)
        told = ", ".join(f"{state} {count}" for state, count in states.most_common())
        waits = [o.later for o in part]
        rows.append([f"{low:g} to {high:g}", len(part), told, sum(o.wrong for o in part),
                     f"{np.median(waits):.0f}", sum(w > options.after for w in waits)])  # fmt: skip
    table(["turn (arcmin)", "frames", "read as", "settled wrongly", "settled after (median)",
           f"not within {options.after}"], rows)  # fmt: skip
    for o in turns:
        if o.wrong:
            print(f"wrong: {o}")
    rows = []
    for kind in HONEST:
        part = [o for o in rest if o.kind == kind]
        if part:
            states = Counter(o.state for o in part)
            told = ", ".join(f"{state} {count}" for state, count in states.most_common())
            settled = sum(o.state == "settled" for o in part) / len(part)
            rows.append([kind, len(part), told, f"{100 * settled:.1f} %"])
    print("\nFrames at rest\n")
    table(["sky", "frames", "read as", "settled"], rows)
    return int(any(o.wrong for o in turns))


def _turn(seed: int, after: int) -> Outcome:
    return with_turn(seed, after=after)


def _rest(pair: tuple[str, int]) -> list[Outcome]:
    return at_rest(*pair)


if __name__ == "__main__":
    raise SystemExit(main())
