"""Starts the independent server of the PyPI package alpaca-simulators on loopback, offline."""

from __future__ import annotations

import importlib.util
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from polewright.devices.alpaca import errors
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.management import list_server

PACKAGE = "alpaca_simulators"
INSTALLED = importlib.util.find_spec(PACKAGE) is not None

Star = tuple[float, float, float]
"""Right ascension and declination (degrees), magnitude."""


def write_stars(path: Path, stars: Iterable[Star]) -> None:
    """Write the table that the server asks for its star fields."""
    with sqlite3.connect(path) as database:
        database.execute(
            "create table gaia_sources(ra real, dec real, pmra real, pmdec real,"
            " phot_g_mean_mag real)"
        )
        database.executemany("insert into gaia_sources values (?, ?, 0, 0, ?)", stars)
    database.close()


@contextmanager
def foreign_server(
    folder: Path,
    stars: Iterable[Star],
    *,
    telescope: dict[str, Any],
    camera: dict[str, Any],
) -> Iterator[int]:
    """Run the server with changed device values; yield its port; end the process."""
    import yaml

    write_stars(folder / "sky.sqlite", stars)
    origin = importlib.util.find_spec(PACKAGE).origin  # type: ignore[union-attr]
    template = Path(str(origin)).parent / "config" / "template.yaml"
    document = yaml.safe_load(template.read_text())
    document["tap_source"] = f"sqlite:///{folder / 'sky.sqlite'}"
    document["devices"]["telescope"][0] |= telescope
    document["devices"]["camera"][0] |= camera
    (folder / "fix.yaml").write_text(yaml.safe_dump(document))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    starter = "from alpaca_simulators.run_simulator import main; main()"
    options = ["--host", "127.0.0.1", "--port", str(port), "--config", str(folder / "fix.yaml")]
    process = subprocess.Popen(
        [sys.executable, "-c", starter, *options],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        with AlpacaConnection("127.0.0.1", port, timeout_s=300.0) as connection:
            for _ in range(1200):
                try:
                    list_server(connection)  # its first answers take seconds on a busy computer
                    break
                except errors.ServerUnreachable:
                    time.sleep(0.25)
        yield port
    finally:
        process.terminate()
        process.wait(300)
