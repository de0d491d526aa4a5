"""Whether the memory of `polewright serve` stays flat over a night of sessions.

    python tests/bench/memory_sessions.py --hours 12 --rate 24

The service is the real command in a process of its own; mount, camera and sky are the simulated
rig in this one, and both share a clock that runs ``--rate`` times as fast. One session after
another: sweep (real solves), live reading for ``--adjust-minutes``, stop. A page listens all the
time and asks for frame and chart. Prints the service's resident memory after every session and
the slope over the second half of the night; what the first sessions load stays loaded.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import requests

from polewright.foundation.clock import SystemClock
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.spec import RigSpec

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.night import SMALL_CONFIG, SMALL_RIG

#: 2026-11-20 17:00 UTC: dark at the invented site, and thirteen hours of it.
DUSK_UTC_S = 1795194000.0


def resident_mb(pid: int) -> float:
    """Memory of a process that is in use, MB; Linux only."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024.0
    raise RuntimeError("this system does not tell the memory of a process")


class Listener(threading.Thread):
    """A page that never goes away: reads the live events."""

    def __init__(self, url: str) -> None:
        super().__init__(daemon=True)
        self.url, self.lines = url, 0

    def run(self) -> None:
        """Listen until the service ends."""
        try:
            with requests.get(self.url + "api/session/events", stream=True, timeout=600) as answer:
                for _line in answer.iter_lines():
                    self.lines += 1
        except requests.RequestException:
            return


class Night:
    """The service, its rig, and what was seen of them."""

    def __init__(self, url: str, clock: SystemClock, pid: int) -> None:
        self.url, self.clock, self.pid = url, clock, pid
        self.frames = 0
        self.seen: list[tuple[float, float, int, str]] = []
        """Simulated hours, MB, frames so far, how the session ended."""

    def ask(self) -> dict[str, Any]:
        """The session as it is."""
        return dict(requests.get(self.url + "api/session", timeout=120).json())

    def session(self, adjust_s: float) -> None:
        """One session: sweep, adjust for a while, stop."""
        for _attempt in range(100):  # the session before may still be leaving
            answer = requests.post(self.url + "api/session", json={}, timeout=120)
            if answer.status_code != 409:
                break
            time.sleep(0.3)
        answer.raise_for_status()
        until_s, last = self.clock.utc_s() + 3600.0, 0
        adjusting = False
        while self.clock.utc_s() < until_s:
            now = self.ask()
            last = max(last, (now.get("frame") or {}).get("number", 0))
            if now["step"] in ("finished", "stopped", "failed"):
                break
            if now["step"] == "adjusting" and not adjusting:
                adjusting, until_s = True, self.clock.utc_s() + adjust_s
            for picture in ("frame.jpg", "chart.svg"):
                requests.get(f"{self.url}api/session/{picture}", timeout=120)
            time.sleep(0.5)
        requests.post(self.url + "api/session/stop", timeout=120)
        end = time.monotonic() + 60.0
        while (now := self.ask())["step"] not in ("finished", "stopped", "failed"):
            if time.monotonic() > end:
                break
            time.sleep(0.2)
        self.frames += last
        hours = (self.clock.utc_s() - DUSK_UTC_S) / 3600.0
        self.seen.append((hours, resident_mb(self.pid), self.frames, now["step"]))


def main() -> int:
    """Run the night and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--rate", type=float, default=24.0)
    parser.add_argument("--adjust-minutes", type=float, default=15.0)
    given = parser.parse_args()
    clock = SystemClock(given.rate, DUSK_UTC_S, time.time())
    rig = SimulatedRig(RigSpec.model_validate(SMALL_RIG), clock=clock)
    with tempfile.TemporaryDirectory() as folder, serve(rig) as running:
        here = Path(folder)
        (here / "night.toml").write_text(
            SMALL_CONFIG
            + f'[telescope]\nhost = "{running.host}"\nport = {running.port}\n'
            + f'[run]\njournal_folder = "{here}"\n[history]\nurl = "sqlite:///{here}/h.db"\n',
            encoding="utf-8",
        )
        command = [sys.executable, "-m", "polewright", "serve", "--port", "0", "--json"]
        command += ["--config", str(here / "night.toml")]
        command += ["--camera-host", running.host, "--camera-port", str(running.port)]
        origin = f"{clock.start_utc_s},{clock.origin_real_s},{clock.rate}"
        service = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            env={**os.environ, "POLEWRIGHT_REHEARSAL_CLOCK": origin},
        )
        try:
            assert service.stdout is not None
            night = Night(json.loads(service.stdout.readline())["url"], clock, service.pid)
            page = Listener(night.url)
            page.start()
            while clock.utc_s() < DUSK_UTC_S + given.hours * 3600.0:
                night.session(given.adjust_minutes * 60.0)
                sys.stderr.write(f"{night.seen[-1]}\n")
        finally:
            service.send_signal(signal.SIGTERM)
            service.wait(120.0)
    tell(night, page)
    return 0


def tell(night: Night, page: Listener) -> None:
    """Print the table and the slope."""
    print("| simulated hours | resident, MB | frames so far | session ended |")
    print("|---|---|---|---|")
    for hours, mb, frames, step in night.seen:
        print(f"| {hours:.1f} | {mb:.1f} | {frames} | {step} |")
    late = night.seen[len(night.seen) // 2 :]
    late_hours, late_mb = (np.array([row[k] for row in late]) for k in (0, 1))
    print(
        f"\n{len(night.seen)} sessions, {page.lines} lines of events. Second half: "
        f"{np.polyfit(late_hours, late_mb, 1)[0]:+.2f} MB per simulated hour."
    )


if __name__ == "__main__":
    raise SystemExit(main())
