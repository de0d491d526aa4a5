"""How soon mount and motor are told to stop while a command of the user's turns an adjuster.

For each kind of turning and of stop command a turn is broken off; real milliseconds from there to
the first run of the stop command and to the mount's confirmed stop:

    .venv/bin/python tests/bench/stop_latency.py
"""

from __future__ import annotations

import itertools
import os
import sys
import tempfile
import time
from pathlib import Path

from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.telescope import Telescope
from polewright.devices.motors.registry import load_adjuster
from polewright.foundation.clock import SystemClock
from polewright.foundation.errors import Cancelled
from polewright.observing.safety.stopping import motion_stopped_on_trouble
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.spec import RigSpec

SLEEP = "import time; time.sleep(60)"
READY = "open(sys.argv[1], 'w').write('1')"
TURNS = {
    "sleeps": f"import sys, time; {READY}; time.sleep(60)",
    "waits for a child": (
        f"import sys, subprocess; {READY}; subprocess.run([sys.executable, '-c', '{SLEEP}'])"
    ),
    "ignores being asked to end": (
        "import signal, sys, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); "
        f"{READY}; time.sleep(60)"
    ),
    "left a child with its output": (
        f"import sys, subprocess, time; subprocess.Popen([sys.executable, '-c', '{SLEEP}']); "
        f"{READY}; time.sleep(60)"
    ),
    "prints without end": f"import sys; {READY}\nwhile True: print('x' * 1000)",
}
WRITE = "import sys, time; open(sys.argv[1], 'a').write(f'{time.time()} ')"
STOPS = {
    "quick": WRITE,
    "takes a minute": f"{WRITE}; {SLEEP}",
    "fails": f"{WRITE}; sys.exit(3)",
}


def measure(folder: Path, telescope: Telescope, turn: str, stop: str) -> tuple[float, float]:
    """Return the milliseconds from breaking a turn off to motor and mount being stopped."""
    ready, stopped = folder / "ready", folder / "stopped"
    (folder / "turn.py").write_text(turn)
    (folder / "stop.py").write_text(stop)
    adjuster = load_adjuster(
        "command",
        {
            "command": f'"{sys.executable}" {folder / "turn.py"} {ready} {{axis}} {{arcmin}}',
            "stop": f'"{sys.executable}" {folder / "stop.py"} {stopped}',
        },
        SystemClock(),
    )
    broken_off = 0.0

    def tick() -> None:
        nonlocal broken_off
        if ready.exists() and not broken_off:
            broken_off = time.time()
            raise Cancelled("stopped by the user")

    try:
        with motion_stopped_on_trouble(telescope, SystemClock(), lambda _event: None):
            adjuster.turn("azimuth", 1.0, tick)
    except Cancelled:
        over = time.time()
    while not (stopped.exists() and stopped.read_text()):
        time.sleep(0.01)
    first = float(stopped.read_text().split()[0])
    return 1000.0 * (first - broken_off), 1000.0 * (over - broken_off)


def main() -> None:
    """Print a row for each pair of commands."""
    rig = SimulatedRig(RigSpec(), clock=SystemClock())
    print("| turning command | stop command | motor told, ms | mount confirmed, ms |")
    print("| --- | --- | --- | --- |")
    worst = 0.0
    with (
        serve(rig) as running,
        AlpacaConnection("127.0.0.1", running.port) as connection,
        tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place,
    ):
        telescope = Telescope(connection, 0)
        telescope.connect()
        for number, (turn, stop) in enumerate(itertools.product(TURNS, STOPS)):
            telescope.unpark()
            telescope.set_tracking(True)
            folder = Path(place) / str(number)
            folder.mkdir()
            motor, mount = measure(folder, telescope, TURNS[turn], STOPS[stop])
            worst = max(worst, motor, mount)
            print(f"| {turn} | {stop} | {motor:.0f} | {mount:.0f} |")
    print(f"\nWorst: {worst:.0f} ms, load {os.getloadavg()[0]:.1f}.")


if __name__ == "__main__":
    main()
