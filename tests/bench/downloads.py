"""A frame over loopback into an array: ImageBytes beside JSON, our client beside `alpyca`.

    OMP_NUM_THREADS=1 python tests/bench/downloads.py --sizes 16 26 61 --times 3

The simulated camera serves from a process of its own. Wall time contains the server's work, which
for JSON is most of it; processor time is the client's alone. `alpyca` (a general Alpaca client
library) gives nested lists, or a flat array of the pixels; to numpy is counted for both. Every
array is compared with ours. JSON is asked for only up to ``--json-up-to`` megapixels.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from bench_frames import SIZES, machine, table
from image_server import Served, connected_camera

from polewright.devices.alpaca import imagebytes
from polewright.devices.alpaca.camera import Camera
from polewright.devices.alpaca.client import Request


def fetch(camera: Camera, accept: str) -> np.ndarray:
    """Download and decode as `devices.alpaca.one_exposure` does."""
    request = Request(
        "GET",
        camera.image_path(),
        camera.where,
        timeout_s=120.0,
        total_s=600.0,
        accept=accept,
        max_bytes=2_000_000_000,
    )
    raw = camera.connection.raw(request)
    pixels = imagebytes.decode(raw.content_type, raw.body, camera.where).pixels
    if accept == imagebytes.CONTENT_TYPE:
        received = np.frombuffer(raw.body, np.uint8)
        assert np.shares_memory(pixels, received), "the pixels are a copy of what was received"
    return pixels


def timed(work: Callable[[], np.ndarray], times: int, right: np.ndarray) -> tuple[float, float]:
    """Median wall and processor seconds; the result must be ``right``."""
    walls, processors = [], []
    for _ in range(times):
        wall, processor = time.perf_counter(), time.process_time()
        pixels = work()
        processors.append(time.process_time() - processor)
        walls.append(time.perf_counter() - wall)
        assert np.array_equal(pixels, right)
        del pixels
    return statistics.median(walls), statistics.median(processors)


def raw(library: Any, width: int, height: int) -> Any:
    return np.array(library.ImageArrayRaw).reshape(width, height).T


def plain(library: Any) -> Any:
    return np.array(library.ImageArray, dtype=np.uint16).T


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=[26])
    parser.add_argument("--times", type=int, default=3)
    parser.add_argument("--json-up-to", type=int, default=4)
    options = parser.parse_args()
    from alpaca.camera import Camera as LibraryCamera

    print(machine())
    for size in options.sizes:
        with Served(size) as served:
            camera = connected_camera(served.host, served.port)
            right = camera.expose(0.1).pixels
            library = LibraryCamera(f"{served.host}:{served.port}", 0)
            width, height = SIZES[size]
            ways: dict[str, tuple[float, float]] = {
                "ours, ImageBytes to numpy view": timed(
                    partial(fetch, camera, imagebytes.CONTENT_TYPE), options.times, right
                ),
                "alpyca, ImageArrayRaw to numpy": timed(
                    partial(raw, library, width, height),
                    options.times,
                    right,
                ),
                "alpyca, ImageArray to numpy": timed(partial(plain, library), 1, right),
            }
            if size <= options.json_up_to:
                ways["ours, JSON to numpy"] = timed(
                    partial(fetch, camera, "application/json"), 1, right
                )
            ours = ways["ours, ImageBytes to numpy view"]
            print(f"**{size} megapixels, {right.nbytes / 1e6:.0f} MB over loopback**")
            table(
                ["way", "wall s", "client's processor s", "wall / ours", "processor / ours"],
                [
                    [
                        name, f"{wall:.3f}", f"{processor:.3f}", f"{wall / ours[0]:.1f}",
                        f"{processor / ours[1]:.1f}",
                    ]
                    for name, (wall, processor) in ways.items()
                ],
            )  # fmt: skip
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
