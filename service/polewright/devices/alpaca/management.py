"""What a server offers: the management API, and a bounded look where there is none."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pydantic import ValidationError

from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.discovery import is_loopback
from polewright.devices.alpaca.errors import (
    AlpacaError,
    BadReply,
    HttpRejected,
    RefusedByDevice,
)
from polewright.devices.alpaca.models import (
    DESCRIPTION,
    DEVICES,
    TEXT,
    ConfiguredDevice,
    ServerDescription,
    convert,
)
from polewright.foundation.language import say

#: Types looked for on a server without a management API.
PROBED_TYPES = ("telescope", "camera", "safetymonitor", "covercalibrator", "focuser")


@dataclass(frozen=True)
class ServerListing:
    """A server and its devices."""

    host: str
    port: int
    description: ServerDescription
    devices: tuple[ConfiguredDevice, ...]
    has_management: bool
    notes: tuple[str, ...] = ()

    def of_type(self, device_type: str) -> tuple[ConfiguredDevice, ...]:
        """Return the devices of one type (lower case)."""
        return tuple(d for d in self.devices if d.DeviceType == device_type)


def description(connection: AlpacaConnection) -> ServerDescription:
    """Return who runs the server."""
    reply = connection.get("management/v1/description")
    return convert(DESCRIPTION, reply.Value, connection.where, "description")


def configured_devices(connection: AlpacaConnection) -> tuple[ConfiguredDevice, ...]:
    """Return the server's devices; entries that cannot be read are left out.

    Raises: `WrongAddress` when the server has no management API, and the transport's errors.
    """
    reply = connection.get("management/v1/configureddevices")
    found = []
    for entry in convert(DEVICES, reply.Value, connection.where, "configureddevices"):
        try:
            found.append(ConfiguredDevice.model_validate(entry))
        except ValidationError:
            continue
    return tuple(found)


def list_server(
    connection: AlpacaConnection,
    *,
    probed_types: Sequence[str] = PROBED_TYPES,
    probed_numbers: Iterable[int] = (0, 1),
) -> ServerListing:
    """Return what the server offers; without a management API, ask for the usual devices.

    Raises: `ServerUnreachable`, `DeviceSilent`, `ConnectionDropped`, or `BadReply` when nothing
        there speaks Alpaca.
    """
    try:
        devices = configured_devices(connection)
    except (HttpRejected, BadReply, RefusedByDevice) as exc:
        return _probe(connection, exc, probed_types, tuple(probed_numbers))
    try:
        who = description(connection)
    except (HttpRejected, BadReply, RefusedByDevice):
        who = ServerDescription()
    return ServerListing(connection.host, connection.port, who, devices, has_management=True)


def _probe(
    connection: AlpacaConnection,
    reason: AlpacaError,
    types: Sequence[str],
    numbers: Sequence[int],
) -> ServerListing:
    devices = []
    for device_type in types:
        for number in numbers:
            name = _name_of(connection, device_type, number)
            if name is None:
                break  # numbers have no gaps in practice
            devices.append(
                ConfiguredDevice(DeviceName=name, DeviceType=device_type, DeviceNumber=number)
            )
    if not devices:
        raise reason
    note = say("the server has no usable management API; these devices answered by name")
    return ServerListing(
        connection.host, connection.port, ServerDescription(), tuple(devices), False, (note,)
    )


def _name_of(connection: AlpacaConnection, device_type: str, number: int) -> str | None:
    try:
        reply = connection.get(f"api/v1/{device_type}/{number}/name")
        return convert(TEXT, reply.Value, connection.where, "name")
    except (HttpRejected, BadReply, RefusedByDevice):
        return None


def list_servers(
    addresses: Iterable[tuple[str, int]], *, timeout_s: float = 3.0
) -> tuple[list[ServerListing], list[AlpacaError]]:
    """Return the listings of all servers that answer, and the error of each that did not.

    A server that answered under several addresses (same unique ids) is listed once.
    """
    listings: list[ServerListing] = []
    silent: list[AlpacaError] = []
    seen: set[frozenset[str]] = set()
    for host, port in addresses:
        with AlpacaConnection(host, port, timeout_s=timeout_s) as connection:
            try:
                listing = list_server(connection)
            except AlpacaError as exc:
                silent.append(exc)
                continue
        ids = frozenset(d.UniqueID for d in listing.devices if d.UniqueID)
        if ids and ids in seen:
            continue
        seen.add(ids)
        listings.append(listing)
    # A server on this computer that listens on loopback only is found under other addresses, too.
    here = {listing.port for listing in listings if is_loopback(listing.host)}
    return listings, [error for error in silent if error.where.port not in here]
