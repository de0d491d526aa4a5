"""Glances between full frames: how quick the reading is, what it costs, and how true it is.

``python tests/bench/glances.py pace --megapixels 2 16`` prints a Markdown table: sessions on the
simulated rig, with and without glances, on loopback and over a link to the camera of 20 Mbit/s.
Time is simulated, so other programs on this computer change nothing: it goes on by what exposures
and camera take, by the bytes of an image over the link, and by the processor's time that the
product takes to fetch and read frames. Requests themselves, and drawing of the page (at most
0.08 s later), take none.

``python tests/bench/glances.py truth --readings 300`` compares moving readings with the rig's own
axis while knobs are turned: no HTTP, rendered frames, a virtual clock. Rigs are invented.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import contextlib
import functools
import math
import random
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from unittest import mock

import live_truth
import numpy as np

from polewright.calculation.adjusting.glance_choice import Glance
from polewright.calculation.adjusting.observation import Observation
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.images.quality import frame_quality
from polewright.devices.alpaca.one_exposure import Exposure
from polewright.foundation.angles import ARCMIN, ARCSEC
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import Config, config_from_text
from polewright.foundation.errors import PolewrightError
from polewright.observing.capture.glances import Glances
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.runs.connect import connect_rig
from polewright.session.journal import Journal
from polewright.session.session import AlignSession
from polewright.session.states import ENDED, Step
from polewright_sim.camera.render import render_frame
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.simulated_clock import SimulatedClock
from polewright_sim.spec import MisalignmentSpec, RigSpec

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support import night as rigs

#: Megapixels: columns, rows, pixel (micrometres), focal length and aperture (mm); invented.
CAMERAS = {
    2: (1936, 1096, 2.9, 200.0, 50.0),
    16: (4656, 3520, 3.8, 400.0, 72.0),
    26: (6248, 4176, 3.76, 400.0, 72.0),
    61: (9576, 6388, 3.76, 600.0, 100.0),
}
SLOW_BYTES_S = 20e6 / 8.0
#: A camera on USB: overhead, readout and handover as `CameraDriverSpec` has them (invented).
DRIVER = {"readout_s": 0.02, "readout_s_per_megapixel": 0.008, "handover_mb_per_s": 300.0}
TURN_ARCMIN, TURN_RATE = 4.0, 0.7
LOOK_S = 0.02
FIRST_CHANGE_ARCSEC = 6.0


# -- how quick ---------------------------------------------------------------------------------


class Charge:
    """Lets simulated time go on by what calculating and a link take."""

    def __init__(self, clock: SimulatedClock) -> None:
        self.clock = clock
        self.bytes_s = math.inf
        """Of the link, for images."""
        self.used_s = 0.0

    def __call__(self, work: Any) -> Any:
        """Charge the processor's time of a method."""

        @functools.wraps(work)
        def charged(*given: Any, **more: Any) -> Any:
            began_s = time.thread_time()
            try:
                return work(*given, **more)
            finally:
                used_s = time.thread_time() - began_s
                self.used_s += used_s
                self.clock.sleep(used_s)

        return charged

    def link(self, download: Any) -> Any:
        """Charge the link for an image: it begins to come when the camera has handed it over."""

        @functools.wraps(download)
        def slowed(*given: Any, **more: Any) -> Any:
            raw = download(*given, **more)
            self.clock.sleep(len(raw.body) / self.bytes_s)
            return raw

        return slowed


@dataclass
class Cell:
    """One line of the table."""

    megapixels: int
    link: str
    glances: bool
    lasted_s: float = 0.0
    came: list[tuple[float, float]] = field(default_factory=list)
    """Readings: how old they came, and whether something turned (1) or not (0)."""
    turned_s: float = 0.0
    first: list[float] = field(default_factory=list)
    share: float = 0.0


class Watch:
    """Looks at a session's snapshot as a page does, every so often."""

    def __init__(self, rig: SimulatedRig, session: AlignSession, cell: Cell) -> None:
        self.rig, self.session, self.cell = rig, session, cell
        self.place = (0.0, 0.0)
        self.utc_s = 0.0

    def until(self, utc_s: float, turning: bool) -> None:
        """Look on."""
        while self.rig.clock.utc_s() < utc_s:
            self.look(turning)

    def look(self, turning: bool) -> None:
        """Look once, and let time go on."""
        clock = self.rig.clock
        now = self.session.snapshot()
        reading = now.moving or now.error
        if now.step is Step.ADJUSTING and reading is not None and reading.utc_s > self.utc_s:
            self.utc_s = reading.utc_s
            self.place = reading.d_az_sky_arcmin, reading.d_alt_arcmin
            self.cell.came.append((clock.utc_s() - self.utc_s, float(turning)))
        clock.sleep(LOOK_S)

    def turn(self, dice: random.Random, sign: float) -> None:
        """Turn a knob and see when the reading moves."""
        clock = self.rig.clock
        before, began_s = self.place, clock.utc_s()
        axis = dice.choice(["altitude_arcmin", "azimuth_arcmin"])
        asked: dict[str, Any] = {axis: sign * TURN_ARCMIN}
        done = self.rig.turn_knobs(**asked)
        done_s = max(turn.done_s for turn in done)
        first: float | None = None
        while clock.utc_s() < done_s or (first is None and clock.utc_s() < began_s + 600.0):
            self.look(clock.utc_s() < done_s)
            moved = math.hypot(self.place[0] - before[0], self.place[1] - before[1])
            if first is None and self.utc_s > began_s and 60.0 * moved > FIRST_CHANGE_ARCSEC:
                first = clock.utc_s() - began_s
        self.cell.turned_s += done_s - began_s
        self.cell.first.append(600.0 if first is None else first)


def pace(megapixels: int, *, glances: bool, turns: int) -> list[Cell]:
    """Run one session, on loopback and then over the slowed link."""
    width, height, pixel_um, focal_mm, aperture_mm = CAMERAS[megapixels]
    spec = rigs.merged(
        rigs.SMALL_RIG,
        {
            "optics": {"focal_length_mm": focal_mm, "aperture_mm": aperture_mm},
            "sensor": {"width": width, "height": height, "pixel_um": pixel_um},
            "adjusters": {
                knob: {"rate_arcmin_per_s": TURN_RATE} for knob in ("altitude", "azimuth")
            },
            "mount": {"air_arcsec": 0.5},
            "camera": DRIVER,
        },
    )
    clock, dice = SimulatedClock(rigs.NIGHT_UTC_S), random.Random(megapixels)
    charge, cells = Charge(clock), []
    rig = SimulatedRig(RigSpec.model_validate(spec), clock=clock)
    with contextlib.ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        running = stack.enter_context(serve(rig))
        for owner, name in (
            (Glances, "_fitted"), (Glances, "_follow"), (Glances, "full"),
            (AlignSession, "_read"), (Exposure, "fetch"),
        ):  # fmt: skip
            stack.enter_context(mock.patch.object(owner, name, charge(getattr(owner, name))))
        stack.enter_context(
            mock.patch.object(Exposure, "_download", charge.link(Exposure._download))
        )
        config = config_from_text(
            rigs.SMALL_CONFIG,
            overrides={
                **{f"{kind}.host": running.host for kind in ("telescope", "camera")},
                **{f"{kind}.port": running.port for kind in ("telescope", "camera")},
                "history.enabled": False,
                "optics.focal_length_mm": focal_mm,
                "sweep.settle_s": 1.0,
                "sweep.exposure_s": 1.0,
                "adjusting.glances": "auto" if glances else "off",
            },
        )
        journal = Journal(Path(folder) / "bench.jsonl")
        session = AlignSession(
            connect_rig, config, clock, journal, lambda _event: None, session_id="bench"
        )
        task = BackgroundTask("session", lambda _task: session.run(), clock.threads)
        for link, rate in (("loopback", math.inf), ("20 Mbit/s", SLOW_BYTES_S)):
            charge.bytes_s = rate
            watch = Watch(rig, session, Cell(megapixels, link, glances))
            frame_s = width * height * 2 / rate
            while not watch.cell.came:
                watch.look(False)
                if session.step in ENDED:
                    raise SystemExit(str(session.snapshot().failure))
            watch.until(clock.utc_s() + 3.0 + 2.0 * frame_s, False)
            cell = watch.cell = Cell(megapixels, link, glances)
            began_s, charge.used_s = clock.utc_s(), 0.0
            for number in range(turns):
                watch.until(clock.utc_s() + dice.uniform(7.0, 12.0) + frame_s, False)
                watch.turn(dice, 1.0 if number % 2 else -1.0)
            cell.lasted_s = clock.utc_s() - began_s
            cell.share = charge.used_s / cell.lasted_s
            cells.append(cell)
            print(line_of(cell), flush=True)
        if session.rig is not None and session.rig.glances_off:
            print(f"<!-- {session.rig.glances_off} -->", flush=True)
        session.stop("measured")
        task.wait(600.0)
        journal.close()
        clock.close()
    return cells


HEAD = (
    "| Mpx | link | glances | readings a second | while it turns | "
    "age when it comes, s: median (90 %) | turn to first change, s: median (most) | processor |\n"
    + "|---" * 8
    + "|"
)


def line_of(cell: Cell) -> str:
    """A line of the table."""
    ages = sorted(age for age, _ in cell.came) or [math.nan]
    turning = sum(turns for _, turns in cell.came) / cell.turned_s
    return (
        f"| {cell.megapixels} | {cell.link} | {'on' if cell.glances else 'off'} | "
        f"{len(ages) / cell.lasted_s:.2f} | {turning:.2f} | "
        f"{statistics.median(ages):.2f} ({ages[int(0.9 * (len(ages) - 1))]:.2f}) | "
        f"{statistics.median(cell.first):.2f} ({max(cell.first):.2f}) | {cell.share:.0%} |"
    )


# -- how true ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Compared:
    """A moving reading beside the truth. Arcsec."""

    turned: float
    off: float
    sigma: float
    inside: bool
    """Whether the truth is in the 95 % region of sweep and glance together."""
    own_off: float
    """Error of what the glance adds to the frame at rest."""
    own_sigma: float
    own_inside: bool


class Turning(live_truth.Bench):
    """A rig under a virtual clock that turns while glances are taken."""

    def __init__(self, seed: int, hot_pixels: int = 20) -> None:
        super().__init__(seed, "plain")
        rng = self.rng
        self.sensor = self.sensor.model_copy(update={"hot_pixel_count": hot_pixels})
        old = self.mount.spec
        self.knobs = live_truth.Adjusters(live_truth.AdjustersSpec(), self.utc_s)
        self.mount = MountModel(
            old.model_copy(
                update={
                    "tripod_tilt_deg": abs(float(rng.normal(0.0, 0.7))),
                    "tripod_tilt_azimuth_deg": float(rng.uniform(0.0, 360.0)),
                    "air_arcsec": 0.7,
                    "periodic_error_arcsec": float(rng.uniform(2.0, 15.0)),
                }
            ),
            self.spec,
            MisalignmentSpec(
                alt_arcmin=float(rng.uniform(-60.0, 60.0)),
                az_arcmin=float(rng.uniform(-60.0, 60.0)),
            ),
            self.knobs,
            roll=self.optics.roll_deg * math.pi / 180.0,
            utc_s=self.utc_s,
        )
        self.notes: list[str] = []
        self.rig = cast(
            "Any",
            SimpleNamespace(
                camera=SimpleNamespace(
                    info=lambda: SimpleNamespace(exposure_min_s=0.001, max_binning=4),
                    has_shutter=lambda: False,
                ),
                config=Config(),
                plates=self.plates,
                site=self.site,
                clock=SimpleNamespace(monotonic_s=lambda: self.utc_s),
                note=lambda text, warning=False: self.notes.append(text),
                glances_off="",
            ),
        )

    def full(self, engine: Any, glances: Glances) -> Any:
        """A full frame, as a session reads it."""
        self.utc_s += 0.5
        frame, pointing = self.expose(1.5)
        stars = detect_stars(frame)
        quality = frame_quality(stars)
        plate = self.plates.follow(stars, frame, pointing, CancelToken(), tracking=True)
        seen = Observation(
            plate.attitude, elongation=quality.elongation, star_count=quality.star_count,
            hfd_px=quality.hfd_px, light=plate.light, tracking=True,
        )  # fmt: skip
        reading = engine.update(seen)
        glances.full(frame, plate, seen, reading, 2.0)
        return reading

    def glance(self, glance: Glance) -> Frame:
        """Expose a part of the frame."""
        exposure_s, more = glance.exposure_s, glance.binning
        times = self.utc_s + exposure_s * (np.arange(12) + 0.5) / 12.0
        mid = self.utc_s + 0.5 * exposure_s
        pixels = render_frame(
            self.sky, self.optics, self.sensor, self.mount.attitudes(times.tolist()), mid,
            exposure_s, self.rng, binning=more,
            subframe=(glance.left // more, glance.top // more, glance.width // more,
                      glance.height // more),
        )  # fmt: skip
        self.utc_s += exposure_s
        return Frame(pixels, mid, exposure_s, saturation_adu=self.sensor.saturation_binned(more),
                     gain_e_per_adu=self.sensor.gain_binned(more), binning=more)  # fmt: skip


def run_truth(hot_pixels: int, seed: int) -> tuple[list[Compared], str]:
    """Sweep, then turn knobs at random and look at every glance."""
    bench = Turning(seed, hot_pixels)
    found: list[Compared] = []
    try:
        engine = bench.sweep()
        glances = Glances(bench.rig, engine, "auto")
        for _turn in range(3):
            reading = bench.full(engine, glances)
            for _ in range(5):
                if reading.settled:
                    break
                reading = bench.full(engine, glances)
            at_rest = bench.mount.axis(reading.utc_s)
            rng = bench.rng
            bench.knobs.altitude.spec = bench.knobs.altitude.spec.model_copy(
                update={"rate_arcmin_per_s": float(rng.uniform(0.2, 3.0))}
            )
            bench.knobs.azimuth.spec = bench.knobs.altitude.spec
            which = int(rng.integers(3))
            done = bench.knobs.turn(
                bench.utc_s,
                altitude_arcmin=float(rng.uniform(-12.0, 12.0)) if which != 1 else 0.0,
                azimuth_arcmin=float(rng.uniform(-12.0, 12.0)) if which != 0 else 0.0,
            )
            end_s = max(turn.done_s for turn in done)
            every = max(1, round((end_s - bench.utc_s) / 0.2 / 6))
            count = 0
            while bench.utc_s < end_s + 0.3:
                glance = glances._glance
                if glance is None:
                    break
                frame = bench.glance(glance)
                moving = glances.read(frame, glance, 0.1, changed=False)
                bench.utc_s += 0.1
                count += 1
                if moving is None or count % every:
                    continue
                turn = glances._turn
                assert turn is not None
                truth = bench.mount.axis(frame.utc_mid_s)
                miss = truth - moving.axis
                inverse = np.linalg.pinv(moving.covariance, rcond=1e-6, hermitian=True)
                own = (truth - at_rest) - (moving.axis - reading.axis)
                own_inverse = np.linalg.pinv(turn.axis_noise, rcond=1e-6, hermitian=True)
                found.append(
                    Compared(
                        math.hypot(turn.azimuth, turn.altitude) / ARCMIN,
                        float(np.linalg.norm(miss)) / ARCSEC,
                        math.sqrt(float(np.trace(moving.covariance))) / ARCSEC,
                        float(miss @ inverse @ miss) <= live_truth.CHI2_95_PLANE,
                        float(np.linalg.norm(own)) / ARCSEC,
                        math.sqrt(float(np.trace(turn.axis_noise))) / ARCSEC,
                        float(own @ own_inverse @ own) <= live_truth.CHI2_95_PLANE,
                    )
                )
            bench.utc_s += 1.0
    except PolewrightError as error:
        return found, f"{type(error).__name__}: {error}"[:110]
    return found, "; ".join(bench.notes)


def truth(readings: int, jobs: int, first: int, hot_pixels: int) -> None:
    """Print how true moving readings are."""
    compared: list[Compared] = []
    with concurrent.futures.ProcessPoolExecutor(jobs) as pool:
        seed = first
        while len(compared) < readings:
            run = functools.partial(run_truth, hot_pixels)
            for found, trouble in pool.map(run, range(seed, seed + 2 * jobs)):
                compared += found
                print(f"{len(compared)} {trouble}", file=sys.stderr)
            seed += 2 * jobs
    print(
        "| readings | rigs | 95 % region, of all | of the glance alone | error, median | 90 % | "
        "sigma, median | own error, median | own sigma, median |\n|" + "---|" * 9
    )
    errors = sorted(item.off for item in compared)
    print(
        f"| {len(compared)} | {seed - first} | {np.mean([c.inside for c in compared]):.1%} | "
        f"{np.mean([c.own_inside for c in compared]):.1%} | {statistics.median(errors):.1f} arcsec "
        f"| {errors[int(0.9 * len(errors))]:.1f} arcsec | "
        f"{statistics.median(c.sigma for c in compared):.1f} arcsec | "
        f"{statistics.median(c.own_off for c in compared):.1f} arcsec | "
        f"{statistics.median(c.own_sigma for c in compared):.1f} arcsec |"
    )


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["pace", "truth"])
    parser.add_argument("--megapixels", type=int, nargs="+", default=sorted(CAMERAS))
    parser.add_argument("--glances", choices=["on", "off", "both"], default="both")
    parser.add_argument("--turns", type=int, default=4)
    parser.add_argument("--readings", type=int, default=300)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--hot-pixels", type=int, default=20, help="of 1.08 million")
    given = parser.parse_args()
    if given.what == "truth":
        truth(given.readings, given.jobs, given.first, given.hot_pixels)
        return
    print(HEAD)
    for megapixels in given.megapixels:
        for glances in (True, False):
            if given.glances == "both" or (given.glances == "on") is glances:
                pace(megapixels, glances=glances, turns=given.turns)


if __name__ == "__main__":
    main()
