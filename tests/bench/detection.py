"""Time and memory of star detection on large invented frames, as a Markdown table.

Run: ``.venv/bin/python tests/bench/detection.py [megapixels ...]`` (default 26). Frames hold 600
Gaussian stars of FWHM 3 px; processor time of one thread, best and median of five.
"""

from __future__ import annotations

import statistics
import sys
import time
import tracemalloc

import numpy as np

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame, SensorKind

SIZES = {16: (4656, 3520), 26: (6248, 4176), 61: (9576, 6388)}


def invented(width: int, height: int) -> np.ndarray:
    rng = np.random.default_rng(1)
    pixels = rng.normal(900.0, 22.0, (height, width)).astype(np.float32)
    grid = np.arange(-9, 10)
    for _ in range(600):
        x, y = rng.uniform(12, width - 12), rng.uniform(12, height - 12)
        flux = float(np.exp(rng.uniform(np.log(3e3), np.log(3e5))))
        gx = np.exp(-0.5 * ((grid + round(x) - x) / 1.27) ** 2)
        gy = np.exp(-0.5 * ((grid + round(y) - y) / 1.27) ** 2)
        spot = gy[:, None] * gx
        pixels[round(y) - 9 : round(y) + 10, round(x) - 9 : round(x) + 10] += (
            flux * spot / spot.sum()
        )
    return np.clip(pixels, 0, 65535).astype(np.uint16)


def main() -> None:
    print("| frame | stars | best | median | peak memory over frame |")
    print("| --- | --- | --- | --- | --- |")
    for size in [int(a) for a in sys.argv[1:]] or [26]:
        rows = invented(*SIZES[size])
        columns = np.ascontiguousarray(rows.T).T
        for name, pixels, sensor in (
            ("rows first", rows, SensorKind.MONO),
            ("columns first", columns, SensorKind.MONO),
            ("one-shot colour", columns, SensorKind.BAYER),
        ):
            frame = Frame(pixels, 0.0, 1.0, sensor=sensor, saturation_adu=65535.0)
            tracemalloc.start()
            found = len(detect_stars(frame))
            peak = tracemalloc.get_traced_memory()[1] / pixels.nbytes
            tracemalloc.stop()
            times = []
            for _ in range(5):
                began = time.process_time()
                detect_stars(frame)
                times.append(time.process_time() - began)
            print(
                f"| {size} Mpx {name} | {found} | {min(times):.2f} s | "
                f"{statistics.median(times):.2f} s | {peak:.1f}x |"
            )


if __name__ == "__main__":
    main()
