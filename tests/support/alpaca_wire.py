"""A small Alpaca server on loopback with scripted answers: what the client's tests talk to."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl, urlsplit


class Refuse(Exception):
    """A member raises this to answer with an Alpaca error."""

    def __init__(self, number: int, message: str = "") -> None:
        self.number, self.message = number, message


class Status(Exception):
    """A member raises this to answer with another HTTP status."""

    def __init__(self, code: int, body: bytes = b"", headers: dict[str, str] | None = None) -> None:
        self.code, self.body, self.headers = code, body, headers or {}


class Raw(Exception):
    """A member raises this to write to the socket itself."""

    def __init__(self, write: Callable[[BaseHTTPRequestHandler], object]) -> None:
        self.write = write


@dataclass
class Request:
    """One request as it arrived."""

    method: str
    path: str
    params: dict[str, str]
    headers: dict[str, str]
    peer: tuple[str, int]

    @property
    def member(self) -> str:
        return self.path.rsplit("/", 1)[-1]


@dataclass
class WireServer:
    """Members by ``type/number/member``: a value, or a callable of the request's parameters."""

    port: int = 0
    members: dict[str, Any] = field(default_factory=dict)
    requests: list[Request] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def sent(self, member: str, method: str = "PUT") -> list[dict[str, str]]:
        """Parameters of the requests for a member so far."""
        return [r.params for r in self.requests if r.member == member and r.method == method]

    def order(self) -> list[str]:
        """Members written to, in order."""
        return [r.member for r in self.requests if r.method == "PUT"]


def _handler(server: WireServer) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True

        def log_message(self, *args: Any) -> None:
            pass

        def do_GET(self) -> None:
            self.answer("GET", dict(parse_qsl(urlsplit(self.path).query, keep_blank_values=True)))

        def do_PUT(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
            self.answer("PUT", dict(parse_qsl(body, keep_blank_values=True)))

        def answer(self, method: str, params: dict[str, str]) -> None:
            path = urlsplit(self.path).path
            request = Request(method, path, params, dict(self.headers), self.client_address)
            with server.lock:
                server.requests.append(request)
            key = path.removeprefix("/api/v1/")
            reply: dict[str, Any] = {
                "ClientTransactionID": int(params.get("ClientTransactionID", 0)),
                "ServerTransactionID": len(server.requests),
                "ErrorNumber": 0,
                "ErrorMessage": "",
            }
            try:
                if f"{method} {key}" in server.members:
                    value = server.members[f"{method} {key}"]
                elif key in server.members:
                    value = server.members[key]
                else:
                    raise Status(400, b"unknown member")  # noqa: TRY301
                if callable(value):
                    value = value(params)
                if method == "GET" or value is not None:
                    reply["Value"] = value
            except Refuse as refusal:
                reply |= {"ErrorNumber": refusal.number, "ErrorMessage": refusal.message}
            except Status as status:
                self.send(status.code, status.body, status.headers)
                return
            except Raw as raw:
                raw.write(self)
                return
            self.send(200, json.dumps(reply).encode(), {"Content-Type": "application/json"})

        def send(self, code: int, body: bytes, headers: dict[str, str]) -> None:
            self.send_response(code)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

    return Handler


class _Quiet(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, *args: Any) -> None:
        """Clients that hang up are part of the tests."""


@contextmanager
def wire_server(members: dict[str, Any] | None = None) -> Iterator[WireServer]:
    """Run a server on a free loopback port."""
    state = WireServer(members=dict(members or {}))
    httpd = _Quiet(("127.0.0.1", 0), _handler(state))
    state.port = httpd.server_address[1]
    thread = threading.Thread(target=httpd.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield state
    finally:
        httpd.shutdown()
        httpd.server_close()
        thread.join()


class ScriptedMount:
    """A telescope that slews at a steady speed in real time; members for `WireServer`."""

    def __init__(self, clock: Callable[[], float], speed_deg_s: float = 5.0) -> None:
        self.clock, self.speed = clock, speed_deg_s
        self.ra_hours, self.dec_deg = 2.0, 10.0
        self.goal: tuple[float, float] | None = None
        self.start: tuple[float, float, float] = (0.0, 0.0, 0.0)
        self.rate = [0.0, 0.0]
        self.tracking = True
        self.parked = False
        self.deaf = False
        self.stuck_slewing = False
        self.ignores_slews = False
        self.lag_s = 0.0
        """From a slew's acceptance to its begin."""
        self.flag_lag_s = 0.0
        """From a slew's begin until Slewing says so."""
        self.abort_clears_queue = True
        self.runaway = False
        self._since = clock()
        self.lock = threading.RLock()

    def advance(self) -> None:
        now = self.clock()
        seconds, self._since = now - self._since, now
        self.dec_deg += seconds * self.rate[1]
        self.ra_hours = (self.ra_hours + seconds * self.rate[0] / 15.0) % 24.0
        if self.goal is None or now < self.start[0]:
            return
        gone = self.speed * (now - self.start[0])
        d_ra = ((self.goal[0] - self.start[1] + 12.0) % 24.0 - 12.0) * 15.0
        d_dec = self.goal[1] - self.start[2]
        whole = max(abs(d_ra), abs(d_dec), 1e-9)
        share = min(1.0, gone / whole)
        self.ra_hours = (self.start[1] + share * d_ra / 15.0) % 24.0
        self.dec_deg = self.start[2] + share * d_dec
        if share >= 1.0 and not self.runaway:
            self.goal = None

    def slewing(self) -> bool:
        moving = self.goal is not None and self.clock() >= self.start[0] + self.flag_lag_s
        return moving or any(self.rate) or self.stuck_slewing

    def slew(self, params: dict[str, str]) -> None:
        with self.lock:
            if self.parked:
                raise Refuse(0x408, "parked")
            if self.ignores_slews:
                return
            self.advance()
            self.goal = (float(params["RightAscension"]), float(params["Declination"]))
            self.start = (self.clock() + self.lag_s, self.ra_hours, self.dec_deg)

    def abort(self, _params: dict[str, str]) -> None:
        with self.lock:
            if self.parked:
                raise Refuse(0x408, "parked")
            queued = self.goal is not None and self.clock() < self.start[0]
            if not self.deaf and (self.abort_clears_queue or not queued):
                self.advance()
                self.goal = None

    def move(self, params: dict[str, str]) -> None:
        with self.lock:
            self.advance()
            if not self.deaf:
                self.rate[int(params["Axis"])] = float(params["Rate"])

    def track(self, params: dict[str, str]) -> None:
        self.tracking = params["Tracking"] == "True"

    def now(self, name: str) -> Any:
        with self.lock:
            self.advance()
            return {
                "RightAscension": self.ra_hours,
                "Declination": self.dec_deg,
                "Slewing": self.slewing(),
                "Tracking": self.tracking,
                "AtPark": self.parked,
            }[name]

    def members(self, version: int = 3) -> dict[str, Any]:
        found: dict[str, Any] = {
            f"GET telescope/0/{name.lower()}": lambda _p, name=name: self.now(name)
            for name in ("RightAscension", "Declination", "Slewing", "Tracking", "AtPark")
        }
        found |= {
            "telescope/0/interfaceversion": version,
            "telescope/0/name": "Scripted mount",
            "telescope/0/connected": True,
            "telescope/0/canslewasync": True,
            "telescope/0/canmoveaxis": True,
            "telescope/0/axisrates": [{"Minimum": 0.0, "Maximum": 4.0}],
            "PUT telescope/0/slewtocoordinatesasync": self.slew,
            "PUT telescope/0/abortslew": self.abort,
            "PUT telescope/0/moveaxis": self.move,
            "PUT telescope/0/tracking": self.track,
        }
        return found
