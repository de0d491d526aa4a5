"""Peak memory from the HTTP body of a frame to its attitude, over the size of the frame.

    OMP_NUM_THREADS=1 python tests/bench/memory_peak.py --sizes 26 61

Each case runs in a process of its own: the camera is connected, catalogue and libraries are warmed
up with a small frame, then the high-water mark of resident memory is set back (Linux) and three
things are done: one frame as a sweep takes it (download, stars in the whole frame, hinted solve,
attitude), one searched whole although it follows another, and live frames where the next one is
downloaded while one is read and the one before is still kept for the page. What is shown is the
peak over what was resident before, in frames of 16 bits a pixel; all of a frame's own bytes count.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import gc
import json
import subprocess
import sys
import threading
from pathlib import Path

from bench_frames import Studio, machine, table
from image_server import Served, connected_camera

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.quality import frame_quality
from polewright.devices.alpaca.camera_commands import SensorType
from polewright.foundation.angles import DEG
from polewright.foundation.clock import CancelToken
from polewright.observing.rig.plate_solver import PlateSolver
from polewright.solving.base import SolveHint
from polewright.solving.registry import load_solver

LIMIT = 4.0


def resident(key: str) -> int:
    """Bytes of this process: VmRSS, or its peak VmHWM."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{key}:"):
            return int(line.split()[1]) * 1024
    raise RuntimeError("this system does not tell the memory of a process")


def child(host: str, port: int, hint_ra_dec: list[float], focal_mm: float) -> dict[str, float]:
    """Measure in this process."""
    import numpy as np

    studio = Studio(2, focal_mm=focal_mm)
    small = studio.shoot(studio.anywhere())
    solver = load_solver("embedded")
    solver.solve(detect_stars(small.frame), small.hint)
    plates = PlateSolver(
        solver, studio.site, studio.air, nominal_scale=studio.scale, hint_radius=3.0 * DEG,
        blind=False, timeout_s=60.0,
    )  # fmt: skip
    del small
    camera = connected_camera(host, port)
    assert camera.info().sensor_type in SensorType
    centre = np.array(hint_ra_dec)
    never = CancelToken()
    peaks: dict[str, float] = {}

    def measured(name: str, work) -> None:
        Path("/proc/self/clear_refs").write_text("5")  # sets the high-water mark back
        peaks[name + " before"] = resident("VmRSS")
        work()
        peaks[name] = resident("VmHWM")

    def sweep_frame() -> None:
        frame = camera.expose(0.1)
        peaks["frame"] = 2.0 * frame.width * frame.height
        plates.scale_tolerance = 0.05
        stars = detect_stars(frame)
        frame_quality(stars)
        # The site's sky turns: the canned frame stays, so its time is the one it was drawn for.
        from dataclasses import replace

        from bench_frames import UTC_S

        assert plates.solve(stars, replace(frame, utc_mid_s=UTC_S), centre, never).attitude.matched

    def live_frames(whole: bool) -> None:
        from dataclasses import replace

        from bench_frames import UTC_S

        shown, frame = None, camera.expose(0.1)
        for _ in range(3):
            ahead: list = []
            thread = threading.Thread(target=lambda a=ahead: a.append(camera.expose(0.1)))
            thread.start()
            frame = replace(frame, utc_mid_s=UTC_S)
            near = None if whole else plates.look_near(frame, tracking=True)
            assert whole or near is not None
            stars = detect_stars(frame) if near is None else near.stars
            shown = frame  # the page's picture
            plates.follow(stars, frame, None, never, tracking=True, near=near)
            thread.join()
            frame = ahead[0]
        assert shown is not None

    # What the warm-up has freed goes back to the system: nothing measured may hide in it.
    gc.collect()
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
    base = resident("VmRSS")
    measured("a frame of the sweep", sweep_frame)
    measured("live frames, whole frame searched", lambda: live_frames(True))
    measured("live frames, windows", lambda: live_frames(False))
    peaks["base"] = base
    return peaks


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=[26])
    parser.add_argument("--child", nargs=2, default=None, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        request = json.loads(options.child[1])
        print(json.dumps(child(**request)))
        return 0
    print(machine())
    rows, worst = [], 0.0
    for size in options.sizes:
        for colour in (False, True):
            with Served(size, colour=colour) as served:
                hint: SolveHint = served.hint
                assert hint.centre_icrs is not None
                request = {
                    "host": served.host, "port": served.port,
                    "hint_ra_dec": list(hint.centre_icrs),
                    "focal_mm": served.studio.optics.focal_length_mm,
                }  # fmt: skip
                done = subprocess.run(
                    [sys.executable, __file__, "--child", "x", json.dumps(request)],
                    capture_output=True, text=True, check=False,
                )  # fmt: skip
                if done.returncode:
                    raise SystemExit(done.stderr)
                peaks = json.loads(done.stdout.splitlines()[-1])
            frame, base = peaks.pop("frame"), peaks.pop("base")
            kind = "one-shot colour" if colour else "mono"
            for name in [key for key in peaks if not key.endswith(" before")]:
                over = (peaks[name] - base) / frame
                worst = max(worst, over)
                rows.append(
                    [f"{size} Mpx {kind}", name, f"{frame / 1e6:.0f} MB",
                     f"{(peaks[name] - base) / 1e6:.0f} MB", f"{over:.2f}x", f"{LIMIT:.0f}x"]
                )  # fmt: skip
    table(["frame", "doing", "frame's size", "peak over base", "peak / frame", "limit"], rows)
    print(f"worst {worst:.2f} times the frame: {'within' if worst < LIMIT else 'OVER'} the limit")
    return 0 if worst < LIMIT else 1


if __name__ == "__main__":
    raise SystemExit(main())
