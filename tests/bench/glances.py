"""Glances between full frames: how quick the reading is, what it costs, and how true it is.

``python tests/bench/glances.py pace --megapixels 2 16`` prints a Markdown table: real sessions on
the simulated rig in real time, over real HTTP, with and without glances, on loopback and with the
link to mount and camera slowed to 20 Mbit/s by a proxy. Rig and proxy run in processes of their
own, so that the processor's share is the product's (with the client that listens to its events).
Full frames of the larger cameras come later than real ones: the rig has to draw them.

``python tests/bench/glances.py truth --readings 300`` compares moving readings with the rig's own
axis while knobs are turned: no HTTP, rendered frames, a virtual clock. Rigs are invented.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import contextlib
import json
import math
import multiprocessing
import multiprocessing.connection
import os
import random
import select
import socket
import statistics
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import live_truth
import numpy as np
import requests

from polewright.calculation.adjusting.glance_choice import Glance
from polewright.calculation.adjusting.observation import Observation
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.images.quality import frame_quality
from polewright.foundation.angles import ARCMIN, ARCSEC
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.config import Config, config_from_text
from polewright.foundation.errors import PolewrightError
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService
from polewright.observing.capture.glances import Glances
from polewright_sim.camera.render import render_frame
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
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
FIRST_CHANGE_ARCSEC = 6.0


# -- the rig, and the slowed link, each in a process of its own --------------------------------


def run_rig(spec: dict[str, Any], origin_s: float, line: Any) -> None:
    """Serve a rig; turn its knobs when told so."""
    clock = SystemClock(1.0, rigs.NIGHT_UTC_S, origin_s)
    rig = SimulatedRig(RigSpec.model_validate(spec), clock=clock)
    with serve(rig) as running:
        line.send(running.port)
        while (asked := line.recv()) is not None:
            line.send(max(turn.done_s for turn in rig.turn_knobs(**asked)))


def run_proxy(upstream: int, bytes_s: Any, line: Any) -> None:
    """Pass bytes on, no more a second than ``bytes_s`` says; 0: as they come."""
    listening = socket.create_server(("127.0.0.1", 0))
    line.send(listening.getsockname()[1])
    free = {"s": time.monotonic()}
    lock = threading.Lock()

    def pump(source: socket.socket, target: socket.socket) -> None:
        while True:
            select.select([source], [], [])
            try:
                data = source.recv(16384)
                if not data:
                    break
                rate = bytes_s.value
                if rate:
                    with lock:
                        at_s = free["s"] = max(free["s"], time.monotonic()) + len(data) / rate
                    time.sleep(max(0.0, at_s - time.monotonic()))
                target.sendall(data)
            except OSError:
                break
        for one in (source, target):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    while True:
        near, _ = listening.accept()
        far = socket.create_connection(("127.0.0.1", upstream))
        for one in (near, far):
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        far.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
        for pair in ((near, far), (far, near)):
            threading.Thread(target=pump, args=pair, daemon=True).start()


# -- how quick ---------------------------------------------------------------------------------


@dataclass
class Heard:
    """Readings as a client hears them: their own time, when they came, where the axis is."""

    came: list[tuple[float, float, float, float, bool]] = field(default_factory=list)
    events: int = 0
    bytes: int = 0


def listen(url: str, clock: SystemClock, heard: Heard, stop: threading.Event) -> None:
    """Follow the events as a page does."""
    last: dict[str, Any] = {}
    seen = 0.0
    with requests.get(url + "api/session/events", stream=True, timeout=600) as response:
        for line in response.iter_lines(chunk_size=1):
            if stop.is_set():
                return
            if not line.startswith(b"data: "):
                continue
            heard.events += 1
            heard.bytes += len(line)
            last |= json.loads(line[6:])
            now = last.get("moving") or last.get("error")
            if last.get("step") == "adjusting" and now and now["utc_s"] > seen:
                seen = now["utc_s"]
                place = now["d_az_sky_arcmin"], now["d_alt_arcmin"]
                heard.came.append((seen, clock.utc_s(), *place, bool(last.get("moving"))))


@dataclass
class Cell:
    """One line of the table."""

    megapixels: int
    link: str
    glances: bool
    per_s: float
    turning_per_s: float
    ages: list[float]
    first: list[float]
    share: float
    bytes_s: float
    sizes: str = ""


def run_cell(
    rig: Any, clock: SystemClock, heard: Heard, dice: random.Random, turns: int, limit_s: float
) -> tuple[float, float, list[float], list[float], float, float]:
    """Rest and turn some times; return what was heard, and the processor's share."""
    turning: list[float] = []
    began_s, processor_s = clock.utc_s(), time.process_time()
    bytes_before = heard.bytes
    first: list[float] = []
    for number in range(turns):
        rest_s = dice.uniform(7.0, 12.0)
        time.sleep(rest_s)
        sign = 1.0 if number % 2 else -1.0
        axis = dice.choice(["altitude_arcmin", "azimuth_arcmin"])
        before = heard.came[-1]
        start_s = clock.utc_s()
        rig.send({axis: sign * TURN_ARCMIN})
        done_s = rig.recv()
        while clock.utc_s() < max(done_s + 2.0, start_s + 3.0):
            time.sleep(0.05)
        shown = sum(start_s < utc_s < done_s for utc_s, *_ in heard.came)
        turning.append(shown / (done_s - start_s))
        moved = None
        while moved is None and clock.utc_s() - start_s < limit_s:
            moved = next(
                (
                    came_s - start_s
                    for utc_s, came_s, az, alt, _ in heard.came
                    if utc_s > start_s
                    and 60.0 * math.hypot(az - before[2], alt - before[3]) > FIRST_CHANGE_ARCSEC
                ),
                None,
            )
            time.sleep(0.05)
        first.append(limit_s if moved is None else moved)
    lasted_s = clock.utc_s() - began_s
    mine = [one for one in heard.came if one[1] >= began_s]
    return (
        len(mine) / lasted_s,
        statistics.mean(turning),
        [one[1] - one[0] for one in mine],
        first,
        (time.process_time() - processor_s) / lasted_s,
        (heard.bytes - bytes_before) / lasted_s,
    )


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
    origin_s, dice = time.time(), random.Random(megapixels)
    clock = SystemClock(1.0, rigs.NIGHT_UTC_S, origin_s)
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    proxy_here, proxy_there = context.Pipe()
    bytes_s = context.Value("d", 0.0)
    rig = context.Process(target=run_rig, args=(spec, origin_s, there), daemon=True)
    rig.start()
    proxy = context.Process(target=run_proxy, args=(here.recv(), bytes_s, proxy_there), daemon=True)
    proxy.start()
    port = proxy_here.recv()
    cells = []
    with tempfile.TemporaryDirectory() as folder:
        own: dict[str, Any] = {
            **{f"{kind}.host": "127.0.0.1" for kind in ("telescope", "camera")},
            **{f"{kind}.port": port for kind in ("telescope", "camera")},
            "run.journal_folder": folder,
            "history.enabled": False,
            "optics.focal_length_mm": focal_mm,
            "sweep.settle_s": 1.0,
            "sweep.exposure_s": 1.0,
            "adjusting.glances": "auto" if glances else "off",
        }
        runner = SessionRunner(
            lambda extra: config_from_text(rigs.SMALL_CONFIG, overrides={**own, **extra}), clock
        )
        heard, stop = Heard(), threading.Event()
        with RunningService(create_app(runner), "127.0.0.1", 0, runner.feed) as service:
            runner.start({}, "bench")
            listener = threading.Thread(
                target=listen, args=(service.url, clock, heard, stop), daemon=True
            )
            listener.start()
            while len(heard.came) < 2 and runner.running:
                time.sleep(0.2)
            for link, rate in (("loopback", 0.0), ("20 Mbit/s", SLOW_BYTES_S)):
                bytes_s.value = rate
                frame_s = width * height * 2 / rate if rate else 0.0
                time.sleep(min(3.0 + 2.0 * frame_s, 100.0))
                found = run_cell(here, clock, heard, dice, turns, 20.0 + 3.0 * frame_s)
                cells.append(Cell(megapixels, link, glances, *found))
                print(line_of(cells[-1]), flush=True)
            session = runner.session
            if session is not None and session.rig is not None and session.rig.glances_off:
                print(f"<!-- {session.rig.glances_off} -->", flush=True)
            stop.set()
            runner.close()
        here.send(None)
    proxy.kill()
    rig.join(10.0)
    return cells


HEAD = (
    "| Mpx | link | glances | readings a second | while it turns | "
    "age when it comes, s: median (90 %) | turn to first change, s: median (most) | processor | "
    "bytes of events a second |\n" + "|---" * 9 + "|"
)


def line_of(cell: Cell) -> str:
    """A line of the table."""
    ages = sorted(cell.ages) or [math.nan]
    late_s, first_s = ages[int(0.9 * (len(ages) - 1))], statistics.median(cell.first)
    return (
        f"| {cell.megapixels} | {cell.link} | {'on' if cell.glances else 'off'} | "
        f"{cell.per_s:.2f} | {cell.turning_per_s:.2f} | "
        f"{statistics.median(ages):.2f} ({late_s:.2f}) | {first_s:.2f} ({max(cell.first):.2f}) | "
        f"{cell.share:.0%} | {cell.bytes_s:.0f} |"
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

    def __init__(self, seed: int) -> None:
        super().__init__(seed, "plain")
        rng = self.rng
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


def run_truth(seed: int) -> tuple[list[Compared], str]:
    """Sweep, then turn knobs at random and look at every glance."""
    bench = Turning(seed)
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


def truth(readings: int, jobs: int, first: int) -> None:
    """Print how true moving readings are."""
    compared: list[Compared] = []
    with concurrent.futures.ProcessPoolExecutor(jobs) as pool:
        seed = first
        while len(compared) < readings:
            for found, trouble in pool.map(run_truth, range(seed, seed + 2 * jobs)):
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
    given = parser.parse_args()
    if given.what == "truth":
        truth(given.readings, given.jobs, given.first)
        return
    print(HEAD)
    for megapixels in given.megapixels:
        for glances in (True, False):
            if given.glances == "both" or (given.glances == "on") is glances:
                pace(megapixels, glances=glances, turns=given.turns)
    print(f"\nload of the machine at the end: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
