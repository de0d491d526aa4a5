"""One Alpaca server over HTTP: one request at a time, bounded in time, every reply checked.

Three lanes lead to a server, each with its own session and lock: the normal one, one for images,
so that nothing waits behind a download, and an urgent one for stop commands, so that a stop never
waits behind a slow call of ours.

GETs are repeated: once when the connection broke off, and as a ``patience`` given by the caller
allows, once the server has answered at all. Of PUTs only settings are (`AlpacaConnection.set`): any
other may already have moved something; instead a connection that idled is replaced before a PUT,
because small servers drop idle ones without a word. Nothing on the urgent lane waits for a
repetition.

Proxies and .netrc of the environment are ignored (``trust_env = False``): Alpaca devices are on
the local network, where a company proxy can only do harm.
"""

from __future__ import annotations

import itertools
import logging
import random
import socket
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from http.client import BadStatusLine, RemoteDisconnected
from typing import Any, Literal

import numpy as np
import requests
import urllib3
from requests.adapters import HTTPAdapter

from polewright import __version__
from polewright.devices.alpaca.errors import (
    AlpacaError,
    BadReply,
    ConnectionDropped,
    DeviceSilent,
    ForeignAnswer,
    InvalidValue,
    RefusedByDevice,
    ServerUnreachable,
    Where,
    refusal,
    rejection,
)
from polewright.devices.alpaca.models import Reply, excerpt, parse_reply
from polewright.foundation.clock import REAL_THREADS, Threads
from polewright.foundation.language import say
from polewright.foundation.plain_text import LONGEST

log = logging.getLogger(__name__)

Param = bool | int | float | str
Method = Literal["GET", "PUT"]

#: A connection that idled longer is not trusted with a PUT (servers' own limits start at 2 s).
FRESH_S = 1.0
#: Longest wait for another thread's call on the same lane (that call is bounded as well).
LANE_WAIT_S = 300.0
CHUNK = 1 << 18
JSON_LIMIT = 8 << 20


@dataclass(frozen=True)
class Request:
    """One question or command, as it goes over the wire."""

    method: Method
    path: str
    where: Where
    timeout_s: float
    """Longest silence."""
    total_s: float
    """Longest for the whole answer, headers included."""
    params: Mapping[str, Param] | None = None
    urgent: bool = False
    """Over the lane that stops use."""
    accept: str = "application/json"
    max_bytes: int = JSON_LIMIT
    """A longer body is refused."""
    transaction: int | None = None
    """Its number; a new one when None."""
    image: bool = False
    """Over the lane of images."""
    on_head: Callable[[], None] | None = None
    """Called when the first bytes of the answer are there."""

    @property
    def member(self) -> str:
        """The member's name."""
        return member_of(self.path)


@dataclass(frozen=True)
class RawReply:
    """Body and type of an answer with HTTP status 200."""

    content_type: str
    body: bytearray


@dataclass
class _Limit:
    """When the request under way must be over: once connected, it has so many real seconds."""

    total_s: float = float("inf")
    end_s: float = float("inf")

    def begin(self) -> None:
        """Count from now."""
        self.end_s = time.monotonic() + self.total_s


class _LimitedSocket(socket.socket):
    """A socket whose reads end at a limit, however slowly bytes drip in: headers, too."""

    limit: _Limit

    def recv_into(self, *args: Any, **kwargs: Any) -> int:
        """Receive, but not beyond the limit. Raises TimeoutError."""
        left_s = self.limit.end_s - time.monotonic()
        if left_s <= 0.0:
            raise TimeoutError(say("the request took too long altogether"))
        silence_s = self.gettimeout()
        self.settimeout(left_s if silence_s is None else min(silence_s, left_s))
        try:
            return super().recv_into(*args, **kwargs)
        finally:
            self.settimeout(silence_s)


@dataclass
class _Lane:
    session: requests.Session
    limit: _Limit
    lock: threading.Lock = field(default_factory=threading.Lock)
    last_used_s: float = -1e9


def wire_text(value: Param, where: Where, member: str) -> str:
    """Return a parameter as Alpaca wants it: True/False, decimal point, no exponent."""
    if isinstance(value, bool):
        return "True" if value else "False"
    if isinstance(value, float):
        if not np.isfinite(value):
            raise InvalidValue(where, member, say("{figure} cannot be sent", figure=value), 0x401)
        return str(np.format_float_positional(value, trim="0"))
    return str(value)


def _lane() -> _Lane:
    limit = _Limit()

    class Connection(urllib3.connection.HTTPConnection):
        def _new_conn(self) -> socket.socket:
            plain = super()._new_conn()
            timeout_s = plain.gettimeout()
            limited = _LimitedSocket(fileno=plain.detach())
            limited.limit = limit
            limited.settimeout(timeout_s)
            limit.begin()
            return limited

    class Pool(urllib3.HTTPConnectionPool):
        ConnectionCls = Connection

    session = requests.Session()
    session.trust_env = False
    session.headers.update(
        {
            "User-Agent": f"polewright/{__version__}",
            "Accept": "application/json",
            "Accept-Encoding": "identity",
        }
    )
    adapter = HTTPAdapter(pool_connections=1, pool_maxsize=1, max_retries=0)
    adapter.poolmanager.pool_classes_by_scheme = {"http": Pool}
    session.mount("http://", adapter)
    return _Lane(session, limit)


class AlpacaConnection:
    """The way to one server; devices of that server share it. Safe to use from several threads.

    Args:
        host: name or address; IPv6 without brackets.
        port: TCP port.
        timeout_s: longest silence while waiting for an answer, unless a call says otherwise.
        connect_timeout_s: longest wait for the connection itself.
        client_id: Alpaca ClientID, 1 to 65535; random when None.
        patience: seconds to wait before each repetition of a GET or setting, by kind of failure. A
            path that failed through all of them gets none until it has answered again.
        threads: of the run's clock (`threads_of`); they measure those waits.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        timeout_s: float = 5.0,
        connect_timeout_s: float = 3.0,
        client_id: int | None = None,
        patience: Mapping[type[AlpacaError], Sequence[float]] | None = None,
        threads: Threads = REAL_THREADS,
    ) -> None:
        self._threads = threads
        self.patience = dict(patience or {})
        self._answered = False
        self._given_up: set[str] = set()
        self.host, self.port = host.strip().strip("[]"), port
        self.timeout_s, self.connect_timeout_s = timeout_s, connect_timeout_s
        self.client_id = random.randint(1, 65535) if client_id is None else client_id
        self.where = Where(self.host, port)
        self._ids = itertools.count(1)
        self._normal, self._urgent, self._images = _lane(), _lane(), _lane()
        self._target: str | None = None

    def close(self) -> None:
        """Close the connections; a later call opens new ones."""
        for lane in (self._normal, self._urgent, self._images):
            lane.session.close()

    def __enter__(self) -> AlpacaConnection:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def get(
        self,
        path: str,
        *,
        where: Where | None = None,
        params: Mapping[str, Param] | None = None,
        timeout_s: float | None = None,
        urgent: bool = False,
        check: Callable[[Reply], object] | None = None,
    ) -> Reply:
        """Return the checked answer to a GET of ``path`` (no leading slash).

        ``check`` may raise a `BadReply` for an answer that makes no sense to the caller, who then
        gets another one as the patience allows.

        Raises: the classes of `polewright.devices.alpaca.errors`.
        """

        def ask() -> Reply:
            reply = self._json("GET", path, where, params, timeout_s, urgent)
            if check is not None:
                check(reply)
            return reply

        return self._patiently(path, ask, urgent=urgent)

    def _patiently(self, path: str, ask: Callable[[], Reply], *, urgent: bool = False) -> Reply:
        used: dict[type[AlpacaError], int] = {}
        while True:
            try:
                reply = ask()
            except AlpacaError as exc:
                wait_s = None if urgent else self._next_wait(path, exc, used)
                if wait_s is None:
                    raise
                log.info("alpaca.again path=%s in_s=%g because=%s", path, wait_s, exc)
                self._threads.pause(wait_s)
            else:
                self._answered = True
                self._given_up.discard(path)
                return reply

    def _next_wait(
        self, path: str, error: AlpacaError, used: dict[type[AlpacaError], int]
    ) -> float | None:
        """Return how long to wait before asking again; None to give up."""
        if not self._answered or path in self._given_up:
            return None
        if member_of(path) == "connecting" and isinstance(error, RefusedByDevice):
            return None  # how connecting ended; drivers tell it once
        for kind, waits_s in self.patience.items():
            if isinstance(error, kind):
                used[kind] = used.get(kind, 0) + 1
                if used[kind] <= len(waits_s):
                    return waits_s[used[kind] - 1]
                self._given_up.add(path)
                return None
        return None

    def put(
        self,
        path: str,
        *,
        where: Where | None = None,
        params: Mapping[str, Param] | None = None,
        timeout_s: float | None = None,
        urgent: bool = False,
    ) -> Reply:
        """Send a command once; return the checked answer. Raises as `get`."""
        return self._json("PUT", path, where, params, timeout_s, urgent)

    def set(self, path: str, params: Mapping[str, Param], *, where: Where | None = None) -> Reply:
        """Send a setting, again as the patience allows: sent twice it is the same setting.

        Returns the checked answer. Raises as `get`.
        """
        return self._patiently(path, lambda: self.put(path, where=where, params=params))

    def _json(
        self,
        method: Method,
        path: str,
        where: Where | None,
        params: Mapping[str, Param] | None,
        timeout_s: float | None,
        urgent: bool,
    ) -> Reply:
        at = where or self.where
        transaction = self.next_id()
        limit = self.timeout_s if timeout_s is None else timeout_s
        request = Request(
            method,
            path,
            at,
            timeout_s=limit,
            # A trickle of bytes resets the socket's own timer, so the whole has a limit as well.
            total_s=limit if urgent else 2.0 * limit,
            params=params,
            urgent=urgent,
            transaction=transaction,
        )
        raw, member = self.raw(request), request.member
        reply = parse_reply(raw.body, at, member)
        self.check_id(at, member, transaction, reply.ClientTransactionID, urgent=urgent)
        if reply.ErrorNumber:
            raise refusal(at, member, reply.ErrorNumber, excerpt(reply.ErrorMessage, LONGEST))
        return reply

    def check_id(
        self,
        where: Where,
        member: str,
        sent: int,
        received: int | None,
        *,
        urgent: bool = False,
        image: bool = False,
    ) -> None:
        """Refuse an answer to another question; servers that send none, or 0, are believed.

        The connection is given up with it: the answer to this question may still come over it.

        Raises: `ForeignAnswer`.
        """
        if received in {sent, 0, None}:
            return
        lane = self._lane_for(urgent=urgent, image=image)
        with lane.lock:
            lane.session.close()
        raise ForeignAnswer(where, member, sent, received or 0)

    def _lane_for(self, *, urgent: bool, image: bool) -> _Lane:
        return self._urgent if urgent else self._images if image else self._normal

    def next_id(self) -> int:
        """Return a new transaction id, 1 and counting."""
        return (next(self._ids) - 1) % 0xFFFFFFFF + 1

    def raw(self, request: Request) -> RawReply:
        """Return body and type of an answer with status 200.

        A question whose connection was dropped is asked once more; a command never is.

        Raises:
            AlpacaError: as `get`.
        """
        where, member = request.where, request.member
        fields = {key: wire_text(v, where, member) for key, v in (request.params or {}).items()}
        fields["ClientID"] = str(self.client_id)
        fields["ClientTransactionID"] = str(request.transaction or self.next_id())
        lane = self._lane_for(urgent=request.urgent, image=request.image)
        if not lane.lock.acquire(timeout=LANE_WAIT_S):
            raise DeviceSilent(where, member, say("another call to this server does not end"))
        try:
            for attempt in (1, 2):
                if request.method == "PUT" and time.monotonic() - lane.last_used_s > FRESH_S:
                    lane.session.close()
                try:
                    return self._once(lane, request, fields)
                except ConnectionDropped:
                    lane.session.close()
                    if request.method == "PUT" or attempt == 2:
                        raise
                    log.info("alpaca.retry server=%s member=%s", where.address, member)
                finally:
                    lane.last_used_s = time.monotonic()
        finally:
            lane.lock.release()
        raise AssertionError("unreachable")  # pragma: no cover

    def _once(self, lane: _Lane, request: Request, fields: Mapping[str, str]) -> RawReply:
        where, member = request.where, request.member
        url = f"http://{self._authority()}/{request.path}"
        lane.limit.total_s = request.total_s * self._threads.stretch
        lane.limit.begin()
        try:
            with (
                self._threads.within(request.timeout_s),
                lane.session.request(
                    request.method,
                    url,
                    params=fields if request.method == "GET" else None,
                    data=fields if request.method == "PUT" else None,
                    headers={"Accept": request.accept},
                    timeout=(
                        self.connect_timeout_s * self._threads.stretch,
                        request.timeout_s * self._threads.stretch,
                    ),
                    allow_redirects=False,
                    stream=True,
                ) as response,
            ):
                if request.on_head is not None and response.status_code == 200:
                    request.on_head()
                body = _read_body(response, where, member, request.max_bytes)
        except AlpacaError:
            raise
        except (requests.RequestException, urllib3.exceptions.HTTPError, OSError, ValueError) as e:
            if time.monotonic() >= lane.limit.end_s:
                late = say("not complete after {total_s:.0f} s", total_s=request.total_s)
                raise DeviceSilent(where, member, late) from e
            raise _transport_error(e, where, member, request.timeout_s) from e
        if response.status_code != 200:
            raise self._status_error(response.status_code, body, where, member)
        return RawReply(response.headers.get("Content-Type", "").lower(), body)

    @staticmethod
    def _status_error(status: int, body: bytearray, where: Where, member: str) -> AlpacaError:
        # Some servers wrap a proper error number into a 4xx or 5xx.
        try:
            reply = parse_reply(body, where, member)
        except BadReply:
            return rejection(where, member, status, excerpt(body))
        if reply.ErrorNumber:
            return refusal(where, member, reply.ErrorNumber, excerpt(reply.ErrorMessage, LONGEST))
        return rejection(where, member, status, excerpt(body))

    def _authority(self) -> str:
        """``host:port``; localhost is settled once.

        A name with an IPv6 and an IPv4 address costs a refusal (on Windows about 2 s) with every
        new connection when the server listens on the other one.
        """
        if self._target is not None:
            return self._target
        host: str | None = self.host
        if self.host.lower() == "localhost":
            host = _loopback_that_answers(self.port, self.connect_timeout_s)
        shown = host or "127.0.0.1"
        if ":" in shown:
            shown = f"[{shown.replace('%', '%25')}]"
        target = f"{shown}:{self.port}"
        if host is not None:  # nothing answered: look again next time
            self._target = target
        return target


def member_of(path: str) -> str:
    """Last part of a path: the member's name."""
    return path.rsplit("/", 1)[-1]


def _loopback_that_answers(port: int, timeout_s: float) -> str | None:
    for host in ("127.0.0.1", "::1"):
        try:
            with socket.create_connection((host, port), timeout=timeout_s):
                return host
        except OSError:
            continue
    return None


def _read_body(response: requests.Response, where: Where, member: str, max_bytes: int) -> bytearray:
    """Read into one buffer, allocated once when the length is known (a frame is 50 to 100 MB)."""
    length = response.headers.get("Content-Length", "")
    encoded = response.headers.get("Content-Encoding", "identity").lower() != "identity"
    known = int(length) if length.isascii() and length.isdigit() and not encoded else None
    if known is not None and known > max_bytes:
        raise BadReply(
            where,
            member,
            say("{known} bytes announced, {max_bytes} allowed", known=known, max_bytes=max_bytes),
        )
    body = bytearray(known or 0)
    filled = 0
    read = getattr(response.raw, "read1", response.raw.read)
    while chunk := read(CHUNK, decode_content=True):
        end = filled + len(chunk)
        if end > max_bytes:
            raise BadReply(where, member, say("more than {max_bytes} bytes", max_bytes=max_bytes))
        if end > len(body):
            body.extend(bytes(end - len(body)))
        body[filled:end] = chunk
        filled = end
    if known is not None and filled < known:
        raise ConnectionDropped(
            where, member, say("{filled} of {known} bytes came", filled=filled, known=known)
        )
    return body


def _causes(error: BaseException) -> list[BaseException]:
    """The error and everything it wraps (requests wraps urllib3, which wraps http.client)."""
    found: list[BaseException] = []
    pending: list[BaseException | None] = [error]
    while pending:
        this = pending.pop()
        if this is None or this in found:
            continue
        found.append(this)
        pending += [this.__cause__, this.__context__, getattr(this, "reason", None)]
        pending += [arg for arg in this.args if isinstance(arg, BaseException)]
    return found


def _transport_error(error: Exception, where: Where, member: str, timeout_s: float) -> AlpacaError:
    chain = _causes(error)

    def has(*kinds: type[BaseException]) -> bool:
        return any(isinstance(e, kinds) for e in chain)

    if has(requests.exceptions.InvalidURL, urllib3.exceptions.LocationParseError, UnicodeError):
        return ServerUnreachable(where, member, say("'{host}' is not a host name", host=where.host))
    if has(socket.gaierror):
        unknown = ServerUnreachable(
            where, member, say("host name '{host}' is not known", host=where.host)
        )
        unknown.likely = say(
            "the host's name is misspelt, or this network does not know it: an address in numbers "
            "always works."
        )
        return unknown
    if has(ConnectionRefusedError):
        return ServerUnreachable(
            where, member, say("connection refused: nothing listens on this port")
        )
    if has(urllib3.exceptions.NewConnectionError):
        told = [e for e in chain if isinstance(e, OSError) and e.strerror]
        return ServerUnreachable(where, member, excerpt(str(told[0] if told else error)))
    if isinstance(error, requests.ConnectTimeout) or has(urllib3.exceptions.ConnectTimeoutError):
        return ServerUnreachable(where, member, say("no answer to the attempt to connect"))
    if has(urllib3.exceptions.ReadTimeoutError, TimeoutError, requests.ReadTimeout):
        return DeviceSilent(where, member, say("nothing for {timeout_s:g} s", timeout_s=timeout_s))
    if has(RemoteDisconnected):
        return ConnectionDropped(where, member, say("it was closed without an answer"))
    if has(ConnectionError, urllib3.exceptions.IncompleteRead):
        words = [e.strerror for e in chain if isinstance(e, OSError) and e.strerror]
        return ConnectionDropped(where, member, excerpt(words[0] if words else str(error)))
    if has(BadStatusLine):
        return BadReply(where, member, say("the server does not speak HTTP"))
    if has(OSError) and not isinstance(error, requests.RequestException):
        return ConnectionDropped(where, member, excerpt(str(error)))
    return BadReply(where, member, excerpt(str(error)))
