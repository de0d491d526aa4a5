"""Time from a 26-megapixel frame being ready to the page showing its reading.

Run: OMP_NUM_THREADS=1 python tests/bench/page_latency.py [readings]

A real session on the simulated rig, over real HTTP, in real time: "ready" is when the camera's
download has ended and the frame is an array; then come finding the stars, solving, the
adjustment engine, the journal's disk, the server-sent event, and the page's own drawing in a
headless Chromium. On a busy machine look at the processor time of the session's thread, which
holds no waiting for others. The site, the rig and its errors are invented.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import requests

from polewright.calculation.images.preview import frame_picture
from polewright.foundation.clock import SystemClock
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService
from polewright.observing.capture.live_frames import LiveFrames
from polewright.observing.runs.connect import connect_rig
from polewright.records.events import FrameMeasured, PointSolved, ReadingTaken
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.spec import RigSpec

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from serving import chromium
from support import night as rigs

_WATCH = """
window.seen = {};
new MutationObserver(() => {
  const reading = document.body.dataset.reading;
  if (reading in window.seen) return;
  window.seen[reading] = null;
  requestAnimationFrame(() => requestAnimationFrame(() => { window.seen[reading] = Date.now(); }));
}).observe(document.body, {attributes: true, attributeFilter: ["data-reading"]});
"""


def follow(url: str, seen: dict[float, float], stop: threading.Event) -> None:
    """Note when each reading comes in as a server-sent event."""
    with requests.get(url + "api/session/events", stream=True, timeout=60) as response:
        for line in response.iter_lines(chunk_size=1):
            if stop.is_set():
                return
            if line.startswith(b"data: ") and b'"error"' in line:
                now = json.loads(line[6:])
                if now["error"]:
                    seen.setdefault(now["error"]["utc_s"], time.time())


def table(name: str, values: list[float]) -> str:
    """A line of numbers in milliseconds."""
    ordered = sorted(1000.0 * value for value in values)
    if not ordered:
        return f"{name:<46} nothing measured"
    return (
        f"{name:<46} n {len(ordered):3d}   median {statistics.median(ordered):6.0f} ms   "
        f"90 % {ordered[int(0.9 * (len(ordered) - 1))]:6.0f} ms   most {ordered[-1]:6.0f} ms"
    )


def main(readings: int) -> None:
    """Run a session until so many live readings have come, and print the times."""
    clock = SystemClock(1.0, rigs.NIGHT_UTC_S, time.time())
    changes = {
        "optics": {"focal_length_mm": 400.0, "aperture_mm": 80.0},
        "sensor": {"width": 6248, "height": 4176, "pixel_um": 3.76, "hot_pixel_count": 400},
    }
    rig = SimulatedRig(RigSpec.model_validate(rigs.merged(rigs.SMALL_RIG, changes)), clock=clock)
    night = rigs.Night(serve(rig), rig, clock)
    ready: dict[float, float] = {}
    found: list[float] = []
    solved: list[float] = []
    processor: list[float] = []
    last_ready = [0.0, 0.0]

    def connect(*arguments: Any) -> Any:
        connected = connect_rig(*arguments)
        expose = connected.camera.expose_only

        def stamped(*given: Any, **named: Any) -> Any:
            image = expose(*given, **named)

            def fetch() -> Any:
                frame = image.fetch()
                ready[frame.utc_mid_s] = time.time()
                return frame

            return SimpleNamespace(fetch=fetch, abandon=lambda: None)

        connected.camera.expose_only = stamped  # type: ignore[method-assign]
        return connected

    # Frames come from a thread of their own: the session's thread takes them up here.
    original = LiveFrames.next

    def taken_up(frames: LiveFrames, *given: Any) -> Any:
        live = original(frames, *given)
        last_ready[:] = ready[cast("Any", live.frame).utc_mid_s], time.thread_time()
        return live

    cast("Any", LiveFrames).next = taken_up

    def listen(event: Any) -> None:
        if isinstance(event, FrameMeasured) and last_ready[0]:
            found.append(time.time() - last_ready[0])
        elif isinstance(event, PointSolved) and last_ready[0]:
            solved.append(time.time() - last_ready[0])
        elif isinstance(event, ReadingTaken):
            processor.append(time.thread_time() - last_ready[1])

    with tempfile.TemporaryDirectory() as folder:
        own = {
            "run.journal_folder": folder,
            "optics.focal_length_mm": 400.0,
            "sweep.settle_s": 1.0,
            "sweep.exposure_s": 1.0,
            "adjusting.glances": "off",
        }
        runner = SessionRunner(
            lambda extra: night.config({**own, **extra}), clock, connect=connect, listener=listen
        )
        stop = threading.Event()
        by_event: dict[float, float] = {}
        by_page: dict[float, float] = {}
        with RunningService(create_app(runner), "127.0.0.1", 0, runner.feed) as service:
            reader = threading.Thread(
                target=follow, args=(service.url, by_event, stop), daemon=True
            )
            reader.start()
            requests.post(service.url + "api/session", json={}, timeout=30).raise_for_status()
            until = {"event": by_event, "ready": ready}
            with chromium.browser(Path(folder) / "profile") as driver:
                driver.get(service.url)
                driver.execute_script(_WATCH)
                while sum(moment in ready for moment in until["event"]) < readings:
                    if not runner.running:
                        raise SystemExit(str(runner.snapshot().failure))
                    time.sleep(0.2)
                for reading, shown_ms in driver.execute_script("return window.seen").items():
                    if reading and shown_ms:
                        by_page[float(reading)] = shown_ms / 1000.0
            pictures = []
            for kind in ("png", "jpeg"):
                _number, frame, stars = cast("Any", runner.session).last_frame
                began_s = time.thread_time()
                frame_picture(frame, stars, kind)
                pictures.append((kind, time.thread_time() - began_s))
            stop.set()
            runner.close()
        night.running.stop()
    live = sorted(moment for moment in by_event if moment in ready)[1:]
    print(f"{rig.spec.sensor.width} x {rig.spec.sensor.height} pixels, {os.cpu_count()} cores")
    print(f"load of the machine meanwhile: {os.getloadavg()[0]:.1f}")
    print(table("frame ready to stars found", found))
    print(table("frame ready to solved", solved))
    print(table("processor time, frame ready to reading told", processor))
    print(table("frame ready to event at a client", [by_event[m] - ready[m] for m in live]))
    print(
        table(
            "frame ready to shown by Chromium",
            [by_page[m] - ready[m] for m in live if m in by_page],
        )
    )
    for kind, took_s in pictures:
        print(f"picture of the frame as {kind}: {1000.0 * took_s:.0f} ms of processor time")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
