"""The demonstration: a simulated rig, a whole measurement, and the truth beside it.

Run by ``demo/run.py`` inside the project's environment. Observer, site and rig are invented.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import requests
from rich.console import Console
from rich.table import Table

HERE = Path(__file__).resolve().parent
LISTENING = re.compile(r"listening on (\S+):(\d+)")
START_S = 60.0
#: The night of the demonstration, Unix seconds UTC: 2026-11-20 21:30. Rig and program share it.
NIGHT_UTC_S = 1795210200.0


def start_rig() -> tuple[subprocess.Popen[str], str, int]:
    """Start the simulated rig on a free port and return it with its address."""
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "polewright", "simulate"),
            *("--spec", str(HERE / "rig.toml"), "--port", "0", "--discovery-port", "0"),
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    deadline = time.monotonic() + START_S
    for text in process.stdout:
        found = LISTENING.search(text)
        if found:
            return process, found[1], int(found[2])
        if time.monotonic() > deadline:
            break
    process.terminate()
    raise SystemExit("the simulated rig did not start; see the messages above")


def main() -> int:
    console = Console()
    os.environ["POLEWRIGHT_REHEARSAL_CLOCK"] = f"{NIGHT_UTC_S},{time.time()},1"
    console.print("[bold]A simulated rig in an invented garden[/bold]")
    process, host, port = start_rig()
    try:
        console.print(f"The rig answers at http://{host}:{port} in the Alpaca protocol.\n")
        started = time.monotonic()
        measured = subprocess.run(
            [
                *(sys.executable, "-m", "polewright", "measure", "--json"),
                *("--config", str(HERE / "polewright.toml")),
                *("--telescope-host", host, "--telescope-port", str(port)),
                *("--camera-host", host, "--camera-port", str(port)),
            ],
            stdout=subprocess.PIPE,
            text=True,
            check=False,
        )
        took_s = time.monotonic() - started
        if not measured.stdout:
            return measured.returncode or 1
        document = json.loads(measured.stdout)
        if not document["ok"]:
            return int(document["error"]["exit_code"])
        truth = requests.get(f"http://{host}:{port}/rig/truth", timeout=10).json()["axis"]
    finally:
        process.terminate()
        process.wait(timeout=20)
    show(console, document, truth, took_s)
    return 0


def show(console: Console, document: dict, truth: dict, took_s: float) -> None:
    """Print true and measured misalignment side by side."""
    axis = document["axis"]
    table = Table(title="\nPolar axis error, arcminutes (true: as simulated)", title_justify="left")
    for heading in ("", "true", "measured", "± 1 sigma", "off by"):
        table.add_column(heading, justify="right" if heading else "left", no_wrap=True)
    rows = (
        ("altitude, + too high", truth["alt_arcmin"], axis["d_alt_arcmin"],
         axis["sigma_alt_arcmin"]),
        ("azimuth on sky, + east", truth["az_sky_arcmin"],
         axis["d_az_sky_arcmin"], axis["sigma_az_sky_arcmin"]),
        ("total", truth["total_arcmin"], axis["total_arcmin"], axis["sigma_total_arcmin"]),
    )  # fmt: skip
    for name, true, found, sigma in rows:
        table.add_row(name, f"{true:+.3f}", f"{found:+.3f}", f"{sigma:.3f}", f"{found - true:+.3f}")
    console.print(table)
    console.print(f"Measured in {took_s:.0f} s, {len(document['points'])} points.")
    console.print(
        "The uncertainty is not that of the stars: it allows for the air, a tube that sags, a "
        "tripod that gives, and for weather that is not measured. This rig is steadier than that."
    )
    for sentence in document["advice"]:
        console.print(sentence)


if __name__ == "__main__":
    raise SystemExit(main())
