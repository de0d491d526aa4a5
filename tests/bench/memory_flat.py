"""Whether memory stays flat over a night of adjusting, without waiting for one.

    python tests/bench/memory_flat.py --hours 12 --every 10

The parts of a session that keep something (star detection, engine, board, journal), in this
process and without HTTP or solver: one invented star field is shown again and again with fresh
noise, an attitude with fresh noise stands for its solution, and every 50th tells nothing. Prints
the resident memory every simulated hour. The clock is stepped from frame to frame.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from polewright.calculation.adjusting.engine import AdjustmentEngine
from polewright.calculation.adjusting.engine import Settings as EngineSettings
from polewright.calculation.adjusting.observation import NoReading, Observation
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.adjuster_profile import AdjusterProfile
from polewright.foundation.angles import DEG
from polewright.records.events import Note, ReadingTaken
from polewright.session.journal import Journal
from polewright.session.snapshot_builder import Board

START_S = 1795210200.0
ARCSEC = DEG / 3600.0


def resident_mb() -> float:
    """Memory of this process that is in use, MB; Linux only."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024.0
    raise RuntimeError("this system does not tell the memory of a process")


class Night:
    """A clock that stands until it is stepped."""

    def __init__(self) -> None:
        self.now_s = START_S

    def utc_s(self) -> float:
        """Now."""
        return self.now_s


def star_field(rng: np.random.Generator, width: int, height: int, stars: int) -> np.ndarray:
    """Return (H, W) counts: round Gaussian stars of 2 px FWHM on a flat sky."""
    y, x = np.mgrid[0:height, 0:width]
    field = np.full((height, width), 800.0)
    for _ in range(stars):
        cx, cy = rng.uniform(10, width - 10), rng.uniform(10, height - 10)
        peak = rng.uniform(500, 20000)
        field += peak * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.2**2))
    return field


def run(
    hours: float, every_s: float, folder: Path, detect_every: int = 1
) -> list[tuple[float, float]]:
    """Return (simulated hours, MB) at each hour."""
    rng = np.random.default_rng(1)
    clock = Night()
    site, atmosphere = Site(45.0, 10.0, 200.0), Atmosphere.none()
    pole = pole_enu(site, PoleTarget.TRUE, atmosphere)
    axis = pole + np.array([0.003, 0.0, 0.002])
    axis /= np.linalg.norm(axis)
    matrix = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    matrix *= np.sign(np.linalg.det(matrix))
    noise = np.eye(3) * (1.0 * ARCSEC) ** 2

    def seen() -> SimpleNamespace:
        turn = rng.normal(size=3) * 1.0 * ARCSEC
        skew = np.array([[0, -turn[2], turn[1]], [turn[2], 0, -turn[0]], [-turn[1], turn[0], 0]])
        return SimpleNamespace(
            matrix=matrix @ (np.eye(3) + skew), covariance=noise, utc_s=clock.now_s
        )

    engine = AdjustmentEngine(
        axis,
        np.eye(3) * (3.0 * ARCSEC) ** 2,
        Observation(seen()),
        site,
        PoleTarget.TRUE,
        atmosphere,
        AdjusterProfile(),
        EngineSettings(),
    )
    board = Board("memory", 1.0, cast("Any", clock))
    journal = Journal(folder / "memory.journal.jsonl")
    board.begins_pass(engine)
    sky = star_field(rng, 320, 240, 40)
    table = [(0.0, resident_mb())]
    frames = int(hours * 3600.0 / every_s)
    per_hour = max(1, round(3600.0 / every_s))
    for number in range(1, frames + 1):
        clock.now_s += every_s
        if number % detect_every == 0 or number == 1:
            pixels = rng.poisson(sky).astype(np.uint16)
            frame = Frame(pixels, clock.now_s, 2.0)
            stars = detect_stars(frame)
        board.frame(number, frame, stars)
        clouded = number % 50 == 0
        reading = engine.update(
            NoReading("clouds, invented", clock.now_s)
            if clouded
            else Observation(seen(), star_count=len(stars))
        )
        board.read(reading)
        error = reading.error
        event = ReadingTaken(
            utc_s=reading.utc_s,
            state=reading.state.value,
            d_alt_arcmin=board.arcmin(error.d_alt),
            d_az_sky_arcmin=board.arcmin(error.d_az_sky),
            total_arcmin=board.arcmin(error.total),
            sigma_alt_arcmin=board.arcmin(error.sigma_alt),
            sigma_az_sky_arcmin=board.arcmin(error.sigma_az_sky),
            upper95_arcmin=board.arcmin(reading.bound),
            verdict=reading.verdict.value,
            action=reading.advice.action.value,
            sentence=reading.advice.sentence,
        )
        board.hears(event)
        journal.write(clock.now_s, "event", event.to_dict())
        if clouded:
            note = Note(utc_s=clock.now_s, severity="info", text=f"frame {number} told nothing")
            board.hears(note)
            journal.write(clock.now_s, "event", note.to_dict())
        if number % 20 == 0:
            board.snapshot().model_dump_json()
        if number % per_hour == 0:
            gc.collect()
            table.append((number * every_s / 3600.0, resident_mb()))
            print(f"{table[-1][0]:5.1f} h  {table[-1][1]:7.1f} MB", flush=True)
    journal.close()
    return table


def main() -> None:
    """Parse the command line, run, and judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--every", type=float, default=10.0, help="simulated seconds per frame")
    parser.add_argument("--most-mb", type=float, default=10.0, help="growth after the first hour")
    parser.add_argument(
        "--detect-every", type=int, default=1, help="frames of which one is new; saves time"
    )
    chosen = parser.parse_args()
    began_s = time.monotonic()
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        table = run(chosen.hours, chosen.every, folder, chosen.detect_every)
        size = sum(path.stat().st_size for path in folder.iterdir()) / 1e6
    growth = table[-1][1] - table[min(1, len(table) - 1)][1]
    print(
        f"growth after the first hour {growth:+.1f} MB; journal {size:.1f} MB; "
        f"took {time.monotonic() - began_s:.0f} s"
    )
    sys.exit(0 if growth <= chosen.most_mb else 1)


if __name__ == "__main__":
    main()
