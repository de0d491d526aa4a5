"""A small rig with flat frames, and short calls to talk to it."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import requests
from numpy.typing import NDArray

from polewright.foundation.clock import SystemClock
from polewright_sim.camera_spec import SensorSpec
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import serve
from polewright_sim.spec import MountSpec, RigSpec, RoofSpec, WeatherStationSpec


class FlatRenderer:
    """Frames that count up, so that no two are the same; remembers what it was asked."""

    def __init__(self) -> None:
        self.asked: list[dict[str, Any]] = []
        self.fault: Exception | None = None

    def __call__(
        self,
        sky: object,
        optics: Any,
        sensor: SensorSpec,
        attitudes: NDArray[np.float64],
        utc_mid_s: float,
        exposure_s: float,
        rng: np.random.Generator,
        **how: Any,
    ) -> NDArray[np.uint16]:
        self.asked.append(
            {
                "attitudes": attitudes,
                "utc_mid_s": utc_mid_s,
                "exposure_s": exposure_s,
                "optics": optics,
                **how,
            }
        )
        if self.fault:
            raise self.fault
        _, _, width, height = how["subframe"]
        frame = np.arange(width * height).reshape(height, width) + len(self.asked)
        return (frame % 65536).astype(np.uint16)


SMALL = SensorSpec(width=60, height=40, hot_pixel_count=0)


def small_spec(**parts: Any) -> RigSpec:
    usual = {
        "sensor": SMALL,
        "mount": MountSpec(altitude_min_deg=-10.0),
        "weather_station": WeatherStationSpec(),
        "roof": RoofSpec(),
    }
    return RigSpec(**{**usual, **parts})


class RigBench:
    """A served rig, by default 50 times faster than the wall."""

    def __init__(self, spec: RigSpec | None = None, rate: float = 50.0) -> None:
        self.renderer = FlatRenderer()
        self.rig = SimulatedRig(
            spec or small_spec(),
            SystemClock(rate=rate),
            renderer=self.renderer,
        )
        self.running = serve(self.rig)
        self.session = requests.Session()
        for device in self.running.devices:
            device.put_connected(True)

    def close(self) -> None:
        self.session.close()
        self.running.stop()

    def request(
        self, method: str, path: str, parameters: dict[str, object] | None = None
    ) -> requests.Response:
        place = "params" if method == "GET" else "data"
        url = f"{self.running.url}/api/v1/{path}"
        return self.session.request(method, url, timeout=300, **{place: parameters})  # type: ignore[arg-type]

    def get(self, path: str, **parameters: object) -> Any:
        """The value; an error number makes the test fail."""
        document = self.request("GET", path, parameters).json()
        assert document["ErrorNumber"] == 0, (path, document)
        return document["Value"]

    def put(self, path: str, **parameters: object) -> None:
        document = self.request("PUT", path, parameters).json()
        assert document["ErrorNumber"] == 0, (path, parameters, document)

    def get_error(self, path: str, **parameters: object) -> int:
        return int(self.request("GET", path, parameters).json()["ErrorNumber"])

    def put_error(self, path: str, **parameters: object) -> int:
        return int(self.request("PUT", path, parameters).json()["ErrorNumber"])

    def until(self, condition: Callable[[], bool], limit_s: float = 300.0) -> None:
        deadline = time.monotonic() + limit_s
        while not condition():
            assert time.monotonic() < deadline, "waited too long"
            time.sleep(0.005)

    def arrive(self) -> None:
        self.until(lambda: not self.get("telescope/0/slewing"))
