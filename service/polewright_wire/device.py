"""A device as the wire sees it: methods named ``get_<member>`` and ``put_<member>``.

Which members exist, their parameters and versions stand in `polewright_wire.standard`; a member
of the standard for which a class has no method answers 0x400 by itself. Methods get parsed
parameters in the order of the standard and return something JSON can hold, an `ImagePayload`,
or None. They run in worker threads, several at a time: a device guards its own state.
"""

# ruff: noqa: D102 - what get_ and put_ methods mean is said by the standard

from __future__ import annotations

import datetime as dt
import threading
from collections import OrderedDict
from collections.abc import Callable
from contextvars import ContextVar
from typing import Any, ClassVar

from polewright_wire.errors import (
    ActionUnknown,
    DeviceFault,
    Disconnected,
    DriverTrouble,
    NotSupported,
    NotUnderstood,
)
from polewright_wire.parameters import Parameters
from polewright_wire.standard import DeviceStandard

#: Members that answer whether the device is connected or not.
WITHOUT_CONNECTION = frozenset(
    {
        "connect",
        "connected",
        "connecting",
        "description",
        "devicestate",
        "disconnect",
        "driverinfo",
        "driverversion",
        "interfaceversion",
        "name",
        "supportedactions",
    }
)


def utc_text(utc_s: float, *, zone: str = "Z", decimals: int = 3) -> str:
    """ISO 8601 text of Unix seconds."""
    whole = round(utc_s * 10**decimals) / 10**decimals
    moment = dt.datetime.fromtimestamp(whole, dt.UTC)
    text = moment.strftime("%Y-%m-%dT%H:%M:%S.%f")
    return text[: -(6 - decimals)] + zone if decimals < 6 else text + zone


CALLER: ContextVar[tuple[str, int]] = ContextVar("caller", default=("", 0))
"""Whose call a device answers: address and ClientID. Set by the server."""
MOST_CLIENTS = 1024


def _started(target: Callable[[], None], name: str) -> None:
    threading.Thread(target=target, name=name, daemon=True).start()


class Device:
    """Base of every published device."""

    standard: ClassVar[DeviceStandard]
    always_readable: ClassVar[frozenset[str]] = frozenset()
    """Further members that answer without a connection."""
    actions: ClassVar[tuple[str, ...]] = ()
    start_thread: Callable[[Callable[[], None], str], None]
    """Starts a thread by what it does and its name; a rig in simulated time gives its own."""

    def __init__(
        self,
        *,
        name: str,
        unique_id: str,
        number: int = 0,
        description: str = "",
        driver_info: str = "",
        driver_version: str = "1.0",
        interface_version: int | None = None,
        utc_s: Callable[[], float] | None = None,
    ) -> None:
        """Describe the device.

        Args:
            name: short name for lists.
            unique_id: stays the same for ever, at least 48 random bits.
            number: device number in the URL.
            description: one line about the device (standard: 68 characters at most for
                cameras of old, so keep it short).
            driver_info: a longer text.
            driver_version: "major.minor".
            interface_version: None takes the newest of the standard.
            utc_s: the device's clock (Unix seconds) for TimeStamp; None takes the computer's.
        """
        self.name = name
        self.unique_id = unique_id
        self.number = number
        self.interface_version = interface_version or self.standard.latest
        self._description = description or name
        self._driver_info = driver_info or name
        self._driver_version = driver_version
        self.start_thread = _started
        self._utc_s = utc_s or (lambda: dt.datetime.now(dt.UTC).timestamp())
        self._link = threading.RLock()
        self._connected = False
        self._connecting = False
        self._connect_fault: Exception | None = None

    @property
    def type_name(self) -> str:
        """Device type as it stands in URLs."""
        return self.standard.type_name

    @property
    def connected(self) -> bool:
        """Whether clients may use the device."""
        return self._connected

    # What a device may override

    def on_connect(self) -> None:
        """Open the hardware; may take its time, may raise a `DeviceFault`."""

    def on_disconnect(self) -> None:
        """Close the hardware."""

    def run_action(self, action: str, parameters: str) -> str:
        """Run one of ``actions``."""
        raise ActionUnknown(f"{self.name} has no action {action!r}; arguments {parameters!r}")

    # Dispatch

    def call(self, method: str, member: str, parameters: Parameters) -> object:
        """Run one request that was addressed to this device.

        Raises:
            NotUnderstood: no such member, wrong method, missing or unreadable parameter.
            DeviceFault: the device refuses.
        """
        verb = self.standard.verbs.get((method, member))
        if verb is None or self.interface_version < verb.since:
            raise NotUnderstood(self._no_such(method, member))
        values = parameters.take(verb.parameters)
        handler = getattr(self, f"{method.lower()}_{member}", None)
        if (
            not self.connected
            and member not in WITHOUT_CONNECTION
            and member not in self.always_readable
        ):
            raise Disconnected(f"{self.name} is not connected; connect it first")
        if handler is None:
            raise NotSupported(f"{self.name} does not implement {member} ({method})")
        result: object = handler(*values)
        return result

    def _no_such(self, method: str, member: str) -> str:
        if member not in self.standard.members():
            return f"{self.type_name} has no member {member!r} (members are lower case)"
        other = "PUT" if method == "GET" else "GET"
        if (other, member) in self.standard.verbs and (method, member) not in self.standard.verbs:
            return f"{member} of {self.type_name} takes {other}, not {method}"
        return f"{member} is not in interface version {self.interface_version} of {self.type_name}"

    def _note_connected(self, connected: bool) -> None:
        self._connected = connected

    # Members that all devices have

    def get_connected(self) -> bool:
        return self.connected and not self._connecting

    def put_connected(self, connected: bool) -> None:
        if connected == self.get_connected():
            return
        if connected:
            self.on_connect()
        else:
            self.on_disconnect()
        self._note_connected(connected)

    def get_connecting(self) -> bool:
        with self._link:
            fault, self._connect_fault = self._connect_fault, None
            if fault is not None:
                if isinstance(fault, DeviceFault):
                    raise fault
                raise DriverTrouble(f"{self.name} could not change its connection: {fault}")
            return self._connecting

    def put_connect(self) -> None:
        self._change_connection(True)

    def put_disconnect(self) -> None:
        self._change_connection(False)

    def _change_connection(self, wanted: bool) -> None:
        with self._link:
            if self._connecting or self.connected == wanted:
                return
            self._connect_fault = None
            self._connecting = True
        self.start_thread(lambda: self._finish_connection(wanted), f"{self.name} connects")

    def _finish_connection(self, wanted: bool) -> None:
        fault: Exception | None = None
        try:
            if wanted:
                self.on_connect()
            else:
                self.on_disconnect()
        except Exception as trouble:  # noqa: BLE001 - told to the client by the next poll
            fault = trouble
        with self._link:
            if fault is None:
                self._note_connected(wanted)
            self._connect_fault = fault
            self._connecting = False

    def get_name(self) -> str:
        return self.name

    def get_description(self) -> str:
        return self._description

    def get_driverinfo(self) -> str:
        return self._driver_info

    def get_driverversion(self) -> str:
        return self._driver_version

    def get_interfaceversion(self) -> int:
        return self.interface_version

    def get_supportedactions(self) -> list[str]:
        return list(self.actions)

    def put_action(self, action: str, parameters: str) -> str:
        if not self.connected:
            raise Disconnected(f"{self.name} is not connected; connect it first")
        if not self.actions:
            raise NotSupported(f"{self.name} has no actions")
        if action.lower() not in {known.lower() for known in self.actions}:
            raise ActionUnknown(f"{self.name} has no action {action!r}")
        return self.run_action(action, parameters)

    def state_values(self) -> list[tuple[str, object]]:
        """Name and value of every operational property that can be read right now."""
        values: list[tuple[str, object]] = []
        for name in self.standard.state:
            try:
                value = self.call("GET", name.lower(), Parameters((), any_casing=True))
            except (DeviceFault, NotUnderstood):
                continue
            values.append((name, value))
        return values

    def get_devicestate(self) -> list[dict[str, object]]:
        entries = [{"Name": name, "Value": value} for name, value in self.state_values()]
        return [*entries, {"Name": "TimeStamp", "Value": utc_text(self._utc_s())}]


class ClientsDevice(Device):
    """A device with no hardware of its own: each client connects and disconnects for itself.

    Clients are told apart by address and ClientID; of those that never disconnect the ones that
    were longest silent are forgotten.
    """

    def __init__(self, **described: Any) -> None:
        """Describe the device; see `Device`."""
        super().__init__(**described)
        self._clients: OrderedDict[tuple[str, int], None] = OrderedDict()

    @property
    def connected(self) -> bool:
        """Whether the client whose call is answered has connected."""
        with self._link:
            if CALLER.get() not in self._clients:
                return False
            self._clients.move_to_end(CALLER.get())
            return True

    def _note_connected(self, connected: bool) -> None:
        with self._link:
            if not connected:
                self._clients.pop(CALLER.get(), None)
                return
            self._clients[CALLER.get()] = None
            if len(self._clients) > MOST_CLIENTS:
                self._clients.popitem(last=False)

    def _change_connection(self, wanted: bool) -> None:
        self._note_connected(wanted)
