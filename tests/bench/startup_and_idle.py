"""How long the command line takes to start, and what a service costs that nobody uses.

    python tests/bench/startup_and_idle.py --times 5 --idle-s 30

Commands are started in processes of their own, files already in the system's cache. The service
runs with one page's event stream open, as on a phone left on the tripod; processor time and
resident memory are the system's account of its process (Linux). ``--board 4.5`` adds what a
slower computer would need, by the ratio of single-core speeds that you state.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import signal
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path

import requests
from bench_frames import machine, table

COMMANDS = (
    ("--version",), ("--help",), ("plan", "--help"), ("align", "--help"), ("serve", "--help"),
)  # fmt: skip
TARGET_S = 0.5


def processor_s(pid: int) -> float:
    """Processor seconds a process has used, its threads' included."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mb(pid: int) -> float:
    """Memory of a process that is in use, MB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024.0
    raise RuntimeError("this system does not tell the memory of a process")


def start_times(words: tuple[str, ...], times: int) -> tuple[list[float], list[float]]:
    """Wall and processor seconds of a command."""
    walls, processors = [], []
    for _ in range(times + 1):
        before = os.times()
        began = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "polewright", *words], stdout=subprocess.DEVNULL, check=True
        )
        walls.append(time.perf_counter() - began)
        after = os.times()
        processors.append(
            after.children_user + after.children_system
            - before.children_user - before.children_system
        )  # fmt: skip
    return walls[1:], processors[1:]


def idle(seconds: float) -> dict[str, float]:
    """What the service costs with one page open."""
    began = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "polewright", "serve", "--port", "0", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        url = json.loads(process.stdout.readline())["url"]
        ready_s = time.perf_counter() - began
        requests.get(url, timeout=10).raise_for_status()
        events = 0

        def listen() -> None:
            nonlocal events
            with (
                contextlib.suppress(requests.RequestException),
                requests.get(url + "api/session/events", stream=True, timeout=600) as response,
            ):
                for line in response.iter_lines(chunk_size=1):
                    events += bool(line)

        threading.Thread(target=listen, daemon=True).start()
        time.sleep(3.0)
        before, began = processor_s(process.pid), time.perf_counter()
        lines = events
        time.sleep(seconds)
        took = time.perf_counter() - began
        return {
            "ready s": ready_s,
            "processor s a minute": (processor_s(process.pid) - before) / took * 60.0,
            "resident MB": resident_mb(process.pid),
            "lines a minute": (events - lines) / took * 60.0,
        }
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--idle-s", type=float, default=30.0)
    parser.add_argument("--board", type=float, default=None, help="how many times slower")
    options = parser.parse_args()
    print(machine())
    rows = []
    for words in COMMANDS:
        walls, processors = start_times(words, options.times)
        wall, processor = statistics.median(walls), statistics.median(processors)
        row = [f"polewright {' '.join(words)}", f"{wall:.2f}", f"{max(walls):.2f}",
               f"{processor:.2f}", f"{TARGET_S / processor:.1f}"]  # fmt: skip
        rows.append([*row, *([f"{processor * options.board:.1f}"] if options.board else [])])
    slower = ["on the slower board, s"] if options.board else []
    table(["command", "median wall s", "worst", "processor s", "0.5 s / processor", *slower], rows)
    cost = idle(options.idle_s)
    table(
        ["idle service, one page open", "value"],
        [
            ["started and listening after", f"{cost['ready s']:.2f} s"],
            ["processor", f"{cost['processor s a minute']:.2f} s a minute"],
            ["of one core", f"{100.0 * cost['processor s a minute'] / 60.0:.2f} %"],
            ["resident memory", f"{cost['resident MB']:.0f} MB"],
            ["lines sent to the page", f"{cost['lines a minute']:.1f} a minute"],
        ],
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
