"""Rendered frames with known truth, and small tables, for the benchmarks of this folder.

Frames come from the simulated camera's own renderer: an invented site and optics (400 mm f/5,
3.76 um pixels unless told otherwise) under the bundled catalogue's sky. They lie in memory as a
download leaves them, columns first.
"""

from __future__ import annotations

import math
import os
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from polewright.calculation.geometry.rotation import rotation_about
from polewright.calculation.images.frame import Frame, SensorKind
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import DEG, TAU, enu_from_azalt
from polewright.solving.base import SolveHint
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec
from polewright_sim.sky.stars import SkyModel
from polewright_wire.image_payload import to_wire_order

T = TypeVar("T")

UTC_S = 1795210200.0  # 2026-11-20 21:30 UTC
SIZES = {2: (1800, 1200), 4: (2328, 1760), 16: (4656, 3520), 26: (6248, 4176), 61: (9576, 6388)}
HINT_OFF = 1.0 * DEG


def camera_at(boresight: np.ndarray, roll: float) -> np.ndarray:
    """Camera axes as columns (3, 3) for a boresight (3,) and a roll (rad)."""
    east = np.cross(np.array([0.0, 0.0, 1.0]), boresight)
    east /= np.linalg.norm(east)
    up = np.cross(boresight, east)
    x = math.cos(roll) * east + math.sin(roll) * up
    return np.stack([x, np.cross(boresight, x), boresight], axis=-1)


@dataclass
class Shot:
    """A rendered exposure and what is known about it."""

    frame: Frame
    truth: np.ndarray
    """Camera axes as columns (3, 3), observed frame."""
    sky: ObservedFrame
    hint: SolveHint


class Studio:
    """Renders frames of one size."""

    def __init__(
        self,
        megapixels: int,
        *,
        seed: int = 11,
        colour: bool = False,
        focal_mm: float = 400.0,
        exposure_s: float = 2.0,
        sky: SkySpec | None = None,
    ) -> None:
        width, height = SIZES[megapixels]
        self.site, self.air = Site(44.62, 9.31, 420.0), Atmosphere.standard(420.0)
        self.optics = OpticsSpec(focal_length_mm=focal_mm, aperture_mm=focal_mm / 5.0)
        self.sensor = SensorSpec(width=width, height=height, bayer=colour)
        self.model = SkyModel(self.site, self.air, sky or SkySpec())
        self.rng = np.random.default_rng(seed)
        self.exposure_s = exposure_s
        self.scale = self.sensor.pixel_um * 1e-3 / focal_mm

    def anywhere(self) -> np.ndarray:
        """A random attitude 35 to 75 degrees up."""
        up = enu_from_azalt(self.rng.uniform(0, TAU), self.rng.uniform(35.0, 75.0) * DEG)
        return camera_at(up, self.rng.uniform(0, TAU))

    def shoot(self, truth: np.ndarray, utc_s: float = UTC_S, **how: Any) -> Shot:
        """Expose with the camera standing at ``truth``, or at several (M, 3, 3) in turn."""
        tracks = truth if truth.ndim == 3 else truth[None]
        pixels = render_frame(
            self.model, self.optics, self.sensor, tracks, utc_s, self.exposure_s, self.rng, **how
        )
        frame = Frame(
            np.swapaxes(to_wire_order(pixels), 0, 1),
            utc_s,
            self.exposure_s,
            sensor=SensorKind.BAYER if self.sensor.bayer else SensorKind.MONO,
            pixel_um=self.sensor.pixel_um,
            saturation_adu=self.sensor.max_adu,
            gain_e_per_adu=self.sensor.gain_e_per_adu,
        )
        sky = ObservedFrame.at(self.site, self.air, utc_s)
        middle = tracks.mean(axis=0)[:, 2]
        middle /= np.linalg.norm(middle)
        side = np.cross(middle, [0.0, 0.0, 1.0])
        off = rotation_about(side / np.linalg.norm(side), HINT_OFF) @ middle
        hint = SolveHint(sky.to_icrs(off), 3.0 * DEG, self.scale, 0.02, None, sky.julian_year)
        return Shot(frame, tracks[len(tracks) // 2], sky, hint)


def turned(truth: np.ndarray, angle: float, rng: np.random.Generator) -> np.ndarray:
    """The same camera after a knob: turned by ``angle`` (rad) about an axis across its view."""
    across = np.cross(truth[:, 2], rng.normal(size=3))
    return rotation_about(across / np.linalg.norm(across), angle) @ truth


class Stopwatch:
    """Collects times by name; wall time and processor time of this thread."""

    def __init__(self) -> None:
        self.wall: dict[str, list[float]] = {}
        self.processor: dict[str, list[float]] = {}

    def __call__(self, name: str, work: Callable[[], T]) -> T:
        """Run ``work`` and keep how long it took."""
        wall, processor = time.perf_counter(), time.thread_time()
        result = work()
        self.processor.setdefault(name, []).append(time.thread_time() - processor)
        self.wall.setdefault(name, []).append(time.perf_counter() - wall)
        return result

    def median(self, name: str) -> float:
        """Median processor time, s."""
        return statistics.median(self.processor[name])


def table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Print a Markdown table."""
    print("\n| " + " | ".join(head) + " |")
    print("|" + "---|" * len(head))
    for row in rows:
        print("| " + " | ".join(str(cell) for cell in row) + " |")
    print(flush=True)


def machine() -> str:
    """Return what a time depends on."""
    name = "unknown processor"
    try:
        info = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        name = next(line.split(":")[1].strip() for line in info if "model name" in line)
    except (OSError, StopIteration):
        pass
    return f"{name}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
