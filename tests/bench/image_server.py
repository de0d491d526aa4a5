"""A simulated camera, in a process of its own, that hands out frames drawn beforehand.

Not run by hand: `Served` starts it for the benchmarks beside. Device and HTTP rules are the
simulated rig's; only drawing, which would take longer than anything measured, is done before.
"""

from __future__ import annotations

import itertools
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from bench_frames import SIZES, Studio

from polewright.devices.alpaca.camera import Camera
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.device import Device
from polewright.foundation.clock import SystemClock


def serve_frames(folder: Path, megapixels: int, colour: bool) -> None:
    """Serve ``*.npy`` of a folder in turn until the standard input ends."""
    from polewright_sim.camera_spec import SensorSpec
    from polewright_sim.rig import SimulatedRig
    from polewright_sim.server.server import serve
    from polewright_sim.spec import RigSpec

    width, height = SIZES[megapixels]
    frames = itertools.cycle([np.load(path) for path in sorted(folder.glob("*.npy"))])
    spec = RigSpec(sensor=SensorSpec(width=width, height=height, bayer=colour))
    running = serve(SimulatedRig(spec, SystemClock(), renderer=lambda *_, **__: next(frames)))
    print(running.host, running.port, flush=True)
    sys.stdin.read()
    running.stop()


class Served:
    """A camera over loopback that hands out frames of one field: the first, and two near it."""

    def __init__(self, megapixels: int, *, colour: bool = False, seed: int = 11) -> None:
        self._folder = tempfile.TemporaryDirectory()
        folder = Path(self._folder.name)
        self.studio = Studio(megapixels, colour=colour, seed=seed)
        self.truth = self.studio.anywhere()
        for number in range(3):
            shot = self.studio.shoot(self.truth)
            np.save(folder / f"{number}.npy", np.ascontiguousarray(shot.frame.pixels))
            self.hint, self.bytes = shot.hint, shot.frame.pixels.nbytes
        del shot
        self.process = subprocess.Popen(
            [sys.executable, __file__, str(folder), str(megapixels), str(int(colour))],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        host, port = self.process.stdout.readline().split()
        self.host, self.port = host, int(port)

    def close(self) -> None:
        """End the server."""
        self.process.communicate("", timeout=20)
        self._folder.cleanup()

    def __enter__(self) -> Served:
        return self

    def __exit__(self, *_: Any) -> None:
        self.close()


def connected_camera(host: str, port: int) -> Camera:
    """Our own client's camera, connected."""
    connection = AlpacaConnection(host, port, timeout_s=60.0)
    camera = Camera(connection, 0, clock=SystemClock())
    assert isinstance(camera, Device)
    camera.connect()
    camera.set_geometry()
    return camera


if __name__ == "__main__":
    serve_frames(Path(sys.argv[1]), int(sys.argv[2]), bool(int(sys.argv[3])))
