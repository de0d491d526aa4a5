"""Publishes a rig: Alpaca devices, discovery, and the rig's own control API."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from types import TracebackType

from polewright.foundation.clock import threads_of
from polewright_sim.camera.camera_device import CameraDevice
from polewright_sim.faults.faults import FaultLayer
from polewright_sim.mount.telescope_device import TelescopeDevice
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import Scenario
from polewright_sim.server.control import control_routes, fault_routes
from polewright_sim.server.small_devices import (
    CoverDevice,
    FocuserDevice,
    RoofDevice,
    SafetyMonitorDevice,
    SwitchDevice,
    WeatherStation,
)
from polewright_wire import AlpacaServer, Call, Device, Interceptor, Reply, ServerDescription

_NAMESPACE = uuid.UUID("5d3e0d6a-5d0e-4c0e-9d57-5a6f8d1c2b44")


class RunningRig:
    """A rig being served by a thread of this process, until `stop`."""

    def __init__(self, rig: SimulatedRig, host: str, port: int, discovery_port: int | None) -> None:
        self.rig = rig
        spec = rig.spec

        def identity(kind: str) -> str:
            return str(uuid.uuid5(_NAMESPACE, f"{spec.name}/{spec.seed}/{kind}"))

        self.telescope = TelescopeDevice(
            rig.mount,
            spec.optics,
            rig.clock,
            name=f"{spec.name}: mount",
            unique_id=identity("telescope"),
        )
        self.camera = CameraDevice(
            spec.sensor,
            spec.camera,
            rig.record,
            rig.clock,
            name=f"{spec.name}: camera",
            unique_id=identity("camera"),
        )
        self.devices: list[Device] = [self.telescope, self.camera]
        self.safety_monitor: SafetyMonitorDevice | None = None
        self.cover: CoverDevice | None = None
        self.roof: RoofDevice | None = None
        self.focuser: FocuserDevice | None = None
        self.switches: SwitchDevice | None = None
        self._add_small_devices(identity)
        for device in self.devices:
            device.start_thread = threads_of(rig.clock).start
        self.faults = FaultLayer(
            rig, {device.type_name: device for device in self.devices}, self._answer
        )
        self.server = AlpacaServer(
            self.devices,
            ServerDescription(spec.name, "Polewright", "1.0", "nowhere: a simulation"),
            extra_routes=[*control_routes(rig), *fault_routes(self.faults, self._faults_on)],
        )
        self.stopped = False
        self._running = self.server.start(host, port, discovery_port=discovery_port)
        self.host = host
        self.port = self._running.port

    def _add_small_devices(self, identity: Callable[[str], str]) -> None:
        rig, spec = self.rig, self.rig.spec
        if spec.safety_monitor:
            self.safety_monitor = SafetyMonitorDevice(
                lambda: rig.safe,
                rig.clock,
                name=f"{spec.name}: safety",
                unique_id=identity("safety"),
            )
            self.devices.append(self.safety_monitor)
        if spec.cover is not None:
            cover = self.cover = CoverDevice(
                spec.cover, rig.clock, name=f"{spec.name}: cover", unique_id=identity("cover")
            )
            rig.cover_open = lambda: cover.open
            self.devices.append(cover)
        if spec.roof is not None:
            roof = self.roof = RoofDevice(
                spec.roof, rig.clock, name=f"{spec.name}: roof", unique_id=identity("roof")
            )
            uncovered = rig.cover_open
            rig.cover_open = lambda: roof.lid.open and uncovered()
            self.devices.append(roof)
        if spec.focuser is not None:
            focuser = self.focuser = FocuserDevice(
                spec.focuser, rig.clock, name=f"{spec.name}: focuser", unique_id=identity("focuser")
            )
            ratio = spec.optics.focal_length_mm / spec.optics.aperture_mm
            most = 3000.0  # what the optics can draw
            rig.defocus_um = lambda: min(
                most, abs(spec.optics.defocus_um + focuser.travel_um / ratio)
            )
            self.devices.append(focuser)
        if spec.weather_station is not None:
            self.devices.append(
                WeatherStation(
                    spec.weather_station,
                    spec.site,
                    rig.clock,
                    name=f"{spec.name}: weather",
                    unique_id=identity("weather"),
                )
            )
        if spec.switches:
            self.switches = SwitchDevice(
                spec.switches,
                rig.clock,
                name=f"{spec.name}: switches",
                unique_id=identity("switch"),
            )
            self.devices.append(self.switches)

    @property
    def url(self) -> str:
        """Base address, without a slash at the end."""
        return self._running.url

    @property
    def discovery_port(self) -> int | None:
        """UDP port on which discovery is answered, if it is."""
        responder = self._running.discovery
        return None if responder is None else responder.port

    def _answer(self, call: Call) -> Reply:
        return self.server.answer(call)

    def _faults_on(self) -> None:
        self.set_interceptor(self.faults.intercept)

    def load_faults(self, scenario: Scenario) -> list[int]:
        """Let things go wrong from now on; return the numbers of the faults."""
        self._faults_on()
        return self.faults.load(scenario)

    def set_interceptor(self, interceptor: Interceptor | None) -> None:
        """Put a fault layer before every Alpaca answer, or take it away."""
        self.server.interceptor = interceptor

    def stop(self) -> None:
        """Close the port; the rig itself stays usable."""
        self.stopped = True
        self._running.stop()

    def __enter__(self) -> RunningRig:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.stop()


def serve(
    rig: SimulatedRig,
    host: str = "127.0.0.1",
    port: int = 0,
    discovery_port: int | None = None,
) -> RunningRig:
    """Publish a rig and return at once.

    Args:
        rig: what to publish.
        host: address to listen on.
        port: TCP port; 0 takes a free one.
        discovery_port: UDP port for discovery (32227 is the standard's), 0 for a free one, None
            for silence.

    Raises:
        OSError: an address cannot be bound.
    """
    return RunningRig(rig, host, port, discovery_port)
