"""Finding Alpaca servers on the local network by UDP.

Source: ASCOM Alpaca API Reference v12, "Alpaca discovery": the 16 bytes ``alpacadiscovery1`` go
to port 32227 of each IPv4 broadcast address and of the IPv6 group ff12::a1:9aca; a server
answers with ``{"AlpacaPort": n}``, its address is where the answer comes from.

Loopback is asked as well (by broadcast, for several servers can share the port there).
"""

from __future__ import annotations

import ipaddress
import json
import logging
import select
import socket
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

try:
    import ifaddr
except ImportError:  # then only the default route's network is asked
    ifaddr = None  # type: ignore[assignment]

log = logging.getLogger(__name__)

DISCOVERY_PORT = 32227
MESSAGE = b"alpacadiscovery1"
GROUP_V6 = "ff12::a1:9aca"


@dataclass(frozen=True, order=True)
class DiscoveredServer:
    """Where a server answered from, and the port of its API."""

    host: str
    port: int


def discover(
    port: int = DISCOVERY_PORT,
    timeout_s: float = 2.0,
    addresses: Sequence[str] | None = None,
    *,
    queries: int = 3,
) -> list[DiscoveredServer]:
    """Return the servers that answer within ``timeout_s``, IPv4 first, each once.

    Args:
        port: UDP port of discovery.
        timeout_s: how long to collect answers; the queries are spread over its first half.
        addresses: ask only these (IPv4, or IPv6 with zone); None for all interfaces.
        queries: how often to ask, since UDP loses packets.
    """
    targets = list(broadcast_addresses() if addresses is None else addresses)
    v4 = [a for a in targets if ":" not in a]
    v6 = [a for a in targets if ":" in a]
    groups = _interface_indices() if addresses is None else []
    found: set[DiscoveredServer] = set()
    sockets = [s for s in (_socket_v4() if v4 else None, _socket_v6()) if s is not None]
    try:
        start = time.monotonic()
        for number in range(max(1, queries)):
            for sock in sockets:
                if sock.family == socket.AF_INET:
                    _ask(sock, [(a, port) for a in v4])
                else:
                    _ask(sock, [info for a in v6 for info in _resolve_v6(a, port)])
                    _ask_groups(sock, groups, port)
            share = (number + 1) / max(1, queries)
            until = start + timeout_s * (1.0 if share >= 1.0 else 0.5 * share)
            _collect(sockets, until, found)
    finally:
        for sock in sockets:
            sock.close()
    return sorted(found, key=lambda s: (":" in s.host, s.host, s.port))


def is_loopback(host: str) -> bool:
    """Whether only this computer reaches ``host``."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def broadcast_addresses() -> list[str]:
    """Return the IPv4 broadcast addresses of all interfaces, loopback's and the general one."""
    found = ["255.255.255.255", "127.255.255.255", "127.0.0.1"]
    for text, prefix in _interface_networks():
        try:
            network = ipaddress.IPv4Network(f"{text}/{prefix}", strict=False)
        except ValueError:
            continue
        if not network.is_loopback and network.prefixlen < 31:
            found.append(str(network.broadcast_address))
    return list(dict.fromkeys(found))


def _interface_networks() -> Iterable[tuple[str, int]]:
    if ifaddr is None:
        return []
    return [
        (str(ip.ip), int(ip.network_prefix))
        for adapter in ifaddr.get_adapters()
        for ip in adapter.ips
        if ip.is_IPv4
    ]


def _interface_indices() -> list[int]:
    try:
        return [index for index, _ in socket.if_nameindex()]
    except OSError:
        return [0]


def _socket_v4() -> socket.socket | None:
    try:
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        sock.bind(("", 0))
    except OSError as exc:
        log.info("alpaca.discovery_no_ipv4 %s", exc)
        return None
    sock.setblocking(False)
    return sock


def _socket_v6() -> socket.socket | None:
    try:
        sock = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        sock.bind(("::", 0))
    except OSError as exc:
        log.info("alpaca.discovery_no_ipv6 %s", exc)
        return None
    sock.setblocking(False)
    return sock


def _resolve_v6(address: str, port: int) -> list[tuple[str, int]]:
    try:
        infos = socket.getaddrinfo(address, port, socket.AF_INET6, socket.SOCK_DGRAM)
    except OSError:
        return []
    return [info[4] for info in infos]  # type: ignore[misc]


def _ask(sock: socket.socket, targets: Iterable[tuple[str, int]]) -> None:
    for target in targets:
        try:
            sock.sendto(MESSAGE, target)
        except OSError as exc:  # an interface without a route must not spoil the others
            log.debug("alpaca.discovery_send_failed target=%s: %s", target, exc)


def _ask_groups(sock: socket.socket, indices: Iterable[int], port: int) -> None:
    for index in indices:
        try:
            sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_IF, index)
            sock.sendto(MESSAGE, (GROUP_V6, port, 0, index))
        except OSError as exc:
            log.debug("alpaca.discovery_group_failed interface=%s: %s", index, exc)


def _collect(sockets: Sequence[socket.socket], until: float, found: set[DiscoveredServer]) -> None:
    while sockets and (left := until - time.monotonic()) > 0.0:
        readable, _, _ = select.select(sockets, [], [], left)
        for sock in readable:
            try:
                data, source = sock.recvfrom(2048)
            except OSError:  # e.g. "port unreachable" from an earlier query
                continue
            port = parse_answer(data)
            if port is not None:
                found.add(DiscoveredServer(str(source[0]), port))


def parse_answer(data: bytes) -> int | None:
    """Return the API port in a discovery answer, None when it is malformed."""
    try:
        document = json.loads(data.decode("utf-8-sig"))
        number = document["AlpacaPort"]
        port = int(number) if isinstance(number, str | int) else -1
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return port if 1 <= port <= 65535 and not isinstance(number, bool) else None
