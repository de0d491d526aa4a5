"""Finding servers and their devices: management API, discovery, and doing without."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.alpaca_wire import Status, WireServer, wire_server

from polewright.devices.alpaca import errors
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.discovery import (
    GROUP_V6,
    MESSAGE,
    DiscoveredServer,
    broadcast_addresses,
    discover,
    parse_answer,
)
from polewright.devices.alpaca.management import (
    configured_devices,
    description,
    list_server,
    list_servers,
)

DEVICES = [
    {"DeviceName": "Mount", "DeviceType": "Telescope", "DeviceNumber": 0, "UniqueID": "a-1"},
    {"DeviceName": "Cam", "DeviceType": "Camera", "DeviceNumber": "1", "UniqueID": "a-2"},
    {"DeviceName": None, "DeviceType": "Focuser"},
    "rubbish",
    {"DeviceName": "no type"},
]


def members(devices: Any = DEVICES) -> dict[str, Any]:
    return {
        "/management/apiversions": [1],
        "/management/v1/description": {"ServerName": "Rig", "Location": None, "New": 1},
        "/management/v1/configureddevices": devices,
    }


@contextmanager
def linked(found: dict[str, Any]) -> Iterator[tuple[WireServer, AlpacaConnection]]:
    with (
        wire_server(found) as server,
        AlpacaConnection("127.0.0.1", server.port, timeout_s=2.0) as connection,
    ):
        yield server, connection


def test_devices_are_listed_leniently() -> None:
    with linked(members()) as (_, connection):
        devices = configured_devices(connection)

        assert description(connection).ServerName == "Rig"
        assert [(d.DeviceType, d.DeviceNumber, d.DeviceName) for d in devices] == [
            ("telescope", 0, "Mount"),
            ("camera", 1, "Cam"),
            ("focuser", 0, ""),
        ]


def test_server_without_management_is_asked_by_name() -> None:
    found = {"telescope/0/name": "Bare mount", "camera/0/name": "C0", "camera/1/name": "C1"}
    with linked(found) as (_, connection):
        listing = list_server(connection)

    assert not listing.has_management
    assert listing.notes
    assert [(d.DeviceType, d.DeviceNumber) for d in listing.devices] == [
        ("telescope", 0),
        ("camera", 0),
        ("camera", 1),
    ]


def test_server_that_is_not_alpaca_says_so() -> None:
    def page(_params: dict[str, str]) -> None:
        raise Status(404, b"<html>not here</html>")

    found = {f"/management/v1/{name}": page for name in ("configureddevices", "description")}
    with linked(found) as (_, connection), pytest.raises(errors.WrongAddress) as caught:
        list_server(connection)

    assert "polewright devices" in caught.value.advice


def test_same_server_under_two_addresses_is_listed_once() -> None:
    with wire_server(members()) as server:
        listings, troubles = list_servers(
            [("127.0.0.1", server.port), ("localhost", server.port), ("127.0.0.1", 9)]
        )

    assert len(listings) == 1
    assert len(troubles) == 1
    assert "127.0.0.1:9" in str(troubles[0])


# -- discovery -----------------------------------------------------------------------------


@contextmanager
def answering(
    answers: list[bytes], family: int = socket.AF_INET, skip: int = 0
) -> Iterator[tuple[int, list[bytes]]]:
    """A UDP socket on loopback that gives all ``answers`` to each query after ``skip``."""
    sock = socket.socket(family, socket.SOCK_DGRAM)
    sock.bind(("127.0.0.1" if family == socket.AF_INET else "::1", 0))
    sock.settimeout(0.05)
    queries: list[bytes] = []
    stop = threading.Event()

    def serve() -> None:
        while not stop.is_set():
            try:
                data, source = sock.recvfrom(1024)
            except TimeoutError:
                continue
            queries.append(data)
            if len(queries) > skip:
                for answer in answers:
                    sock.sendto(answer, source)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield sock.getsockname()[1], queries
    finally:
        stop.set()
        thread.join()
        sock.close()


def test_servers_answer_once_each_and_rubbish_is_ignored() -> None:
    answers = [
        b'{"AlpacaPort": 4567}',
        b'{"AlpacaPort": 4567}',
        b'{"AlpacaPort": "4568", "Other": 1}',
        b"",
        b"\xff\xfe",
        b"hello",
        b"[]",
        b'{"AlpacaPort": true}',
        b'{"AlpacaPort": 70000}',
        b'{"AlpacaPort": 0}',
        b'{"AlpacaPort": null}',
    ]
    with answering(answers) as (port, queries):
        found = discover(port, 0.4, ["127.0.0.1"])

    assert found == [DiscoveredServer("127.0.0.1", 4567), DiscoveredServer("127.0.0.1", 4568)]
    assert queries == [b"alpacadiscovery1"] * 3


def test_lost_query_is_made_up_for() -> None:
    with answering([b'{"AlpacaPort": 4567}'], skip=2) as (port, _):
        assert discover(port, 0.4, ["127.0.0.1"]) == [DiscoveredServer("127.0.0.1", 4567)]


def test_ipv6_servers_answer_too() -> None:
    try:
        context = answering([b'{"AlpacaPort": 4567}'], socket.AF_INET6)
        with context as (port, _):
            found = discover(port, 0.3, ["::1"])
    except OSError as exc:
        pytest.skip(f"no IPv6 here: {exc}")

    assert found == [DiscoveredServer("::1", 4567)]


def test_ipv6_group_is_asked_on_every_interface() -> None:
    """A server that joined ff12::a1:9aca on the loopback interface hears the query."""
    try:
        sock = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
        sock.bind(("::", 0))
        index = socket.if_nametoindex("lo")
        group = socket.inet_pton(socket.AF_INET6, GROUP_V6) + index.to_bytes(4, "little")
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, group)
    except OSError as exc:
        pytest.skip(f"no IPv6 multicast on loopback here: {exc}")
    with sock:
        sock.settimeout(2.0)
        discover(sock.getsockname()[1], 0.2)
        try:
            data, _ = sock.recvfrom(64)
        except TimeoutError:
            pytest.skip("this system does not loop multicast back on its loopback interface")

    assert data == MESSAGE


def test_broadcast_on_loopback_reaches_a_server() -> None:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    with sock:
        sock.bind(("", 0))
        sock.settimeout(2.0)
        discover(sock.getsockname()[1], 0.2, ["127.255.255.255"], queries=1)

        assert sock.recvfrom(64)[0] == MESSAGE


def test_broadcast_addresses_hold_loopback_and_the_general_one() -> None:
    found = broadcast_addresses()

    assert {"255.255.255.255", "127.255.255.255", "127.0.0.1"} <= set(found)
    assert len(found) == len(set(found))


def test_query_is_sixteen_ascii_bytes() -> None:
    """ASCOM Alpaca API Reference v12, discovery."""
    assert MESSAGE == b"alpacadiscovery1"
    assert len(MESSAGE) == 16


@given(
    st.binary(max_size=60) | st.text(max_size=20).map(lambda t: f'{{"AlpacaPort": {t}}}'.encode())
)
@settings(max_examples=120, deadline=None)
def test_any_datagram_is_a_port_or_nothing(data: bytes) -> None:
    port = parse_answer(data)

    assert port is None or 1 <= port <= 65535
