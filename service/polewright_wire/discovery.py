"""Answers discovery queries: UDP port 32227, IPv4 broadcast and IPv6 multicast."""

from __future__ import annotations

import ipaddress
import json
import logging
import selectors
import socket
import struct
import sys
import threading

QUERY = b"alpacadiscovery1"
DISCOVERY_PORT = 32227
IPV6_GROUP = "ff12::a1:9aca"

_log = logging.getLogger(__name__)


class DiscoveryResponder:
    """A thread that tells whoever asks which port the server listens on.

    Who asks takes the address that the answer comes from, so it is answered only from addresses at
    which the server listens: ``host`` as given to `socket.create_server`, ``0.0.0.0`` for all of
    IPv4, ``::`` for all of IPv6. Where IPv6 is missing, IPv4 alone is served.
    """

    def __init__(
        self, alpaca_port: int, *, host: str = "127.0.0.1", port: int = DISCOVERY_PORT
    ) -> None:
        """Open the sockets; ``port`` 0 takes a free one.

        Raises:
            OSError: the IPv4 socket cannot be bound.
        """
        self._answer = json.dumps({"AlpacaPort": alpaca_port}).encode()
        self._host = ipaddress.ip_address(
            "127.0.0.1" if host == "localhost" else host.partition("%")[0]
        )
        self._selector = selectors.DefaultSelector()
        first = _open(socket.AF_INET, port)
        self.port: int = first.getsockname()[1]
        self._sockets = [first]
        try:
            second = _open(socket.AF_INET6, self.port)
            _join_group(second)
            self._sockets.append(second)
        except OSError as reason:
            _log.info("discovery by IPv6 is off: %s", reason)
        for each in self._sockets:
            self._selector.register(each, selectors.EVENT_READ)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="discovery", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Close the sockets and end the thread."""
        self._stopping.set()
        self._thread.join()
        for each in self._sockets:
            each.close()
        self._selector.close()

    def _run(self) -> None:
        while not self._stopping.is_set():
            for key, _ in self._selector.select(timeout=0.1):
                if isinstance(key.fileobj, socket.socket):
                    self._answer_one(key.fileobj)

    def _answer_one(self, listener: socket.socket) -> None:
        try:
            query, sender = listener.recvfrom(1024)
            # Later versions of the query are promised to start the same way.
            if not query.startswith(QUERY[:-1]):
                return
            if not self._listens_at(_address_towards(sender)):
                return
            listener.sendto(self._answer, sender)
        except OSError as reason:
            _log.info("a discovery query could not be answered: %s", reason)

    def _listens_at(self, address: str) -> bool:
        """Whether the server takes connections to an address of this computer."""
        here = ipaddress.ip_address(address.partition("%")[0])
        everywhere = self._host.is_unspecified and here.version == self._host.version
        return everywhere or here == self._host


def _address_towards(peer: tuple[str, int]) -> str:
    """Return the address of this computer from which packets to a peer leave. Raises OSError."""
    family = socket.AF_INET6 if ":" in peer[0] else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        probe.connect(peer)
        return str(probe.getsockname()[0])


def _open(family: socket.AddressFamily, port: int) -> socket.socket:
    listener = socket.socket(family, socket.SOCK_DGRAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if sys.platform != "win32":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        if family == socket.AF_INET6:
            listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        listener.bind(("::" if family == socket.AF_INET6 else "0.0.0.0", port))  # noqa: S104 - broadcasts reach no other address
        listener.setblocking(False)
    except OSError:
        listener.close()
        raise
    return listener


def _join_group(listener: socket.socket) -> None:
    """Join the group on every interface; one that refuses is left out."""
    group = socket.inet_pton(socket.AF_INET6, IPV6_GROUP)
    joined = 0
    for index, name in socket.if_nameindex():
        try:
            request = group + struct.pack("@I", index)
            listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, request)
            joined += 1
        except OSError as reason:
            _log.debug("no discovery by IPv6 on %s: %s", name, reason)
    if not joined:
        listener.close()
        raise OSError("no interface takes IPv6 multicast")
