"""Limits on the connections of an HTTP server: who opens many of them keeps nobody else out.

A connection is a stranger until a request has shown that it may come in (`Guarded.prove`). One
that comes too many is not turned away: the oldest of its kind goes, half-done requests first, so
whoever asks now is served. This computer, and addresses that have proven themselves lately, have
places of their own.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import socket
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

_log = logging.getLogger(__name__)

REQUEST_S = 10.0
"""A request has to be there whole, head and body, so long after its first byte (own choice)."""
ADDRESSES_KEPT = 256
BACKLOG = 8
"""Connections taken at a time: as many files are open beyond the limits for a moment."""
QUEUE = 1024
"""Connections that the system keeps waiting meanwhile."""
USUAL_FILES = 1024


@dataclass(frozen=True)
class Limits:
    """How many connections of each kind may be open."""

    each: int
    """Of strangers, of addresses known, of this computer, and of proven ones."""
    per_address: int = 16
    """Of one address that has proven nothing yet; browsers open six."""

    @classmethod
    def share_of_files(cls, share: float, most: int) -> Limits:
        """Take a share of the files that this process may open, and ``most`` at the utmost."""
        try:
            import resource
        except ImportError:  # Windows: no such limit
            soft = USUAL_FILES
        else:
            soft = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
            soft = USUAL_FILES if soft in (-1, resource.RLIM_INFINITY) else soft
        each = max(4, int(min(most, share * soft)) // 4)
        return cls(each, min(cls.per_address, each))


class Crowd:
    """The open connections of one port; lives on the server's event loop."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._open: dict[str, OrderedDict[Guarded, None]] = {
            kind: OrderedDict() for kind in ("here", "known", "stranger", "proven")
        }
        self._known: OrderedDict[str, None] = OrderedDict()

    def enter(self, one: Guarded) -> None:
        """Take a new connection; the oldest of its kind goes where there are too many."""
        one.kind = "here" if one.here else "known" if one.address in self._known else "stranger"
        kind = self._open[one.kind]
        same = [other for other in kind if other.address == one.address]
        if not one.here and len(same) >= self.limits.per_address:
            _drop_oldest(same)
        elif len(kind) >= self.limits.each:
            _drop_oldest(kind)
        kind[one] = None

    def leave(self, one: Guarded) -> None:
        """Forget a connection; may be told twice."""
        self._open.get(one.kind, OrderedDict()).pop(one, None)

    def prove(self, one: Guarded) -> None:
        """Give a connection, and its address, the places of those who may come in."""
        self._known[one.address] = None
        self._known.move_to_end(one.address)
        if len(self._known) > ADDRESSES_KEPT:
            self._known.popitem(last=False)
        proven = self._open["proven"]
        if one.kind == "proven":
            proven.move_to_end(one)
            return
        if one not in self._open.get(one.kind, ()):
            return  # dropped while it was looked at
        if len(proven) >= self.limits.each:
            at_rest = next((other for other in proven if not other.at_work), None)
            if at_rest is None:
                return  # it stays where it is
            at_rest.drop()
        self.leave(one)
        one.kind = "proven"
        proven[one] = None


def _drop_oldest(those: Iterable[Guarded]) -> None:
    oldest = list(those)
    next((one for one in oldest if not one.at_work), oldest[0]).drop()


class Guarded(H11Protocol):
    """A connection with a limit on the time of its requests, counted in a `Crowd` if there is one.

    Requests find it as ``connection`` in their state.
    """

    crowd: ClassVar[Crowd | None] = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Count it, and begin to wait for its first request."""
        # Head and body leave in two pieces: without this each answer waits 40 ms for an
        # acknowledgement that the other side delays.
        transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.app_state = {**self.app_state, "transport": transport, "connection": self}
        super().connection_made(transport)
        self.kind = ""
        self.address = self.client[0] if self.client else ""
        self.here = _is_here(self.address)
        self._limit: asyncio.TimerHandle | None = None
        if self.crowd is not None:
            self.crowd.enter(self)
            self._begin_limit()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        self._end_limit()
        if self.crowd is not None:
            self.crowd.leave(self)
        super().connection_lost(exc)

    def handle_events(self) -> None:
        """Look whether a request is there whole."""
        super().handle_events()
        if self.crowd is None:
            return
        if self.conn.their_state not in (h11.IDLE, h11.SEND_BODY):
            self._end_limit()
        elif self._limit is None and (
            self.conn.their_state is h11.SEND_BODY or self.conn.trailing_data[0]
        ):
            self._begin_limit()

    @property
    def at_work(self) -> bool:
        """Whether a request is there whole and not yet answered."""
        return self.cycle is not None and not self.cycle.response_complete and self._limit is None

    def prove(self) -> None:
        """Tell that its request may come in."""
        if self.crowd is not None:
            self.crowd.prove(self)

    def drop(self) -> None:
        """End it at once."""
        self._end_limit()
        if self.crowd is not None:
            self.crowd.leave(self)
        self.transport.abort()

    def _begin_limit(self) -> None:
        self._limit = self.loop.call_later(REQUEST_S, self._too_slow)

    def _end_limit(self) -> None:
        if self._limit is not None:
            self._limit.cancel()
            self._limit = None

    def _too_slow(self) -> None:
        _log.debug("dropped a request of %s that was not whole after %g s", self.address, REQUEST_S)
        self.drop()


def guarded(limits: Limits) -> type[Guarded]:
    """Return the protocol of one port with these limits."""
    return type("Guarded", (Guarded,), {"crowd": Crowd(limits)})


def _is_here(address: str) -> bool:
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return not address  # a socket of this computer's file system has none
    mapped = getattr(found, "ipv4_mapped", None)
    return (mapped or found).is_loopback
