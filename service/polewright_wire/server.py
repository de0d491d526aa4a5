"""The HTTP server: routes, the JSON envelope, the management API, and a thread that runs it."""

from __future__ import annotations

import html
import itertools
import logging
import re
import socket
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from types import TracebackType

import anyio
import anyio.to_thread
import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Receive, Scope, Send

from polewright_wire.connections import BACKLOG, QUEUE, Guarded, Limits, guarded
from polewright_wire.device import CALLER, Device
from polewright_wire.discovery import DiscoveryResponder
from polewright_wire.errors import DeviceFault, DriverTrouble, NotUnderstood
from polewright_wire.image_payload import IMAGE_BYTES, ImagePayload
from polewright_wire.parameters import Parameters
from polewright_wire.reply import JSON, Call, Interceptor, Reply, ReplyResponse

_log = logging.getLogger(__name__)
_DEVICE_NUMBER = re.compile(r"(0|[1-9][0-9]{0,9})\Z")
_BODY_LIMIT = 64 * 1024
_WORKERS = 64


@dataclass(frozen=True)
class ServerDescription:
    """What /management/v1/description tells."""

    server_name: str
    manufacturer: str
    manufacturer_version: str
    location: str = ""


class AlpacaServer:
    """Devices behind one port. ``app`` is an ASGI application that can also be mounted."""

    def __init__(
        self,
        devices: Sequence[Device],
        description: ServerDescription,
        *,
        extra_routes: Sequence[BaseRoute] = (),
        interceptor: Interceptor | None = None,
    ) -> None:
        """Join devices to a server.

        Args:
            devices: one number per type must not occur twice.
            description: for the management API.
            extra_routes: Starlette routes that are looked at first.
            interceptor: stands between every Alpaca call and its answer; may be set later.

        Raises:
            ValueError: two devices have the same type and number.
        """
        self.devices = {(device.type_name, device.number): device for device in devices}
        if len(self.devices) != len(devices):
            raise ValueError("two devices share one type and number")
        self.description = description
        self.interceptor = interceptor
        self._transactions = itertools.count(1)
        self._workers: anyio.CapacityLimiter | None = None
        self.app: ASGIApp = Starlette(routes=list(extra_routes))
        # Whatever no extra route takes is ours: the standard wants 400, not 404.
        self.app.router.default = self._endpoint

    def start(
        self,
        host: str = "127.0.0.1",
        port: int = 0,
        *,
        discovery_port: int | None = None,
        limits: Limits | None = None,
    ) -> RunningServer:
        """Serve in a background thread; port 0 takes a free one.

        Args:
            host: address to listen on.
            port: TCP port.
            discovery_port: UDP port to answer discovery on; None stays silent, 0 takes a free
                one.
            limits: on connections; None takes all of them.

        Raises:
            OSError: an address cannot be bound.
        """
        return RunningServer(self.app, host, port, discovery_port=discovery_port, limits=limits)

    async def _endpoint(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        if self._workers is None:
            self._workers = anyio.CapacityLimiter(_WORKERS)
        request = Request(scope, receive)
        try:
            body = await _read_body(request)
        except ClientDisconnect:
            return
        # Abandoned on cancellation: a device that hangs must not keep the server from stopping.
        reply = await anyio.to_thread.run_sync(
            self.reply, request, body, abandon_on_cancel=True, limiter=self._workers
        )
        await ReplyResponse(reply)(scope, receive, send)

    def reply(self, request: Request, body: bytes | None) -> Reply:
        """Answer a request whose body was read (None: it was too long), by way of the faults."""
        server_transaction = next(self._transactions)
        if body is None:
            return Reply.text(400, f"the request body is longer than {_BODY_LIMIT} bytes")
        try:
            call = _read_call(request, body, server_transaction)
        except NotUnderstood as fault:
            return Reply.text(400, str(fault))

        def proceed() -> Reply:
            return self.answer(call)

        return self.interceptor(call, proceed) if self.interceptor else proceed()

    def answer(self, call: Call) -> Reply:
        """Answer a call without any fault layer."""
        try:
            if call.device_type:
                return self._answer_device(call)
            return self._answer_management(call)
        except NotUnderstood as fault:
            return Reply.text(400, str(fault))
        except Exception:  # noqa: BLE001 - a fault of one device must not end the server
            _log.exception("%s %s failed", call.method, call.path)
            return Reply.text(500, f"{call.path} failed inside the server; see its log")

    def _answer_device(self, call: Call) -> Reply:
        device = self.devices.get((call.device_type, call.device_number))
        if device is None:
            here = ", ".join(f"{kind}/{number}" for kind, number in self.devices)
            raise NotUnderstood(
                f"there is no {call.device_type}/{call.device_number} here, only {here}"
            )
        CALLER.set((call.client_address, call.client_id))
        try:
            value = device.call(call.method, call.member, call.parameters)
        except NotImplementedError as fault:
            return _refusal(call, 0x400, str(fault) or f"{call.member} is not implemented")
        except DeviceFault as fault:
            return _refusal(call, fault.number, str(fault))
        if isinstance(value, ImagePayload):
            return _image(call, value)
        envelope = _envelope(call)
        if value is not None:
            envelope["Value"] = value
        try:
            return Reply.json(envelope)
        except ValueError:
            trouble = DriverTrouble(f"{device.name} has no finite value for {call.member}")
            return _refusal(call, trouble.number, str(trouble))

    def _answer_management(self, call: Call) -> Reply:
        path = call.path
        page = re.fullmatch(r"/setup(?:/v1/([a-z]+)/([0-9]+)/setup)?", path)
        value: object
        if call.method != "GET":
            raise NotUnderstood(f"{path} takes GET, not {call.method}")
        if page is not None:
            return self._setup_page(page.group(1), page.group(2))
        if path.startswith("/setup"):
            return Reply.text(403, f"no such page: {path[:200]}")
        if path == "/management/apiversions":
            value = [1]
        elif path == "/management/v1/description":
            value = {
                "ServerName": self.description.server_name,
                "Manufacturer": self.description.manufacturer,
                "ManufacturerVersion": self.description.manufacturer_version,
                "Location": self.description.location,
            }
        elif path == "/management/v1/configureddevices":
            value = [
                {
                    "DeviceName": device.name,
                    "DeviceType": device.standard.title,
                    "DeviceNumber": device.number,
                    "UniqueID": device.unique_id,
                }
                for device in self.devices.values()
            ]
        else:
            raise NotUnderstood(
                f"no such path: {path[:200]}; devices are under /api/v1/<type>/<number>/<member>, "
                "all lower case"
            )
        return Reply.json({**_envelope(call), "Value": value})

    def _setup_page(self, kind: str | None, number: str | None) -> Reply:
        chosen = list(self.devices.values())
        if kind is not None and number is not None:
            device = self.devices.get((kind, int(number)))
            if device is None:
                raise NotUnderstood(f"there is no {kind}/{number} here")
            chosen = [device]
        rows = "".join(
            f"<li>{html.escape(device.standard.title)} {device.number}: "
            f"{html.escape(device.name)}</li>"
            for device in chosen
        )
        about = self.description
        page = (
            f"<!doctype html><title>{html.escape(about.server_name)}</title>"
            f"<h1>{html.escape(about.server_name)} {html.escape(about.manufacturer_version)}</h1>"
            f"<p>{html.escape(about.manufacturer)}. Nothing can be set up on this page.</p>"
            f"<ul>{rows}</ul>"
        )
        return Reply(200, "text/html; charset=utf-8", [page.encode()])


async def _read_body(request: Request) -> bytes | None:
    """The body, or None when it is too long (the rest is read and thrown away)."""
    pieces: list[bytes] = []
    length = 0
    async for piece in request.stream():
        length += len(piece)
        if length <= _BODY_LIMIT:
            pieces.append(piece)
    return b"".join(pieces) if length <= _BODY_LIMIT else None


def _read_call(request: Request, body: bytes, server_transaction: int) -> Call:
    path = request.scope["path"]
    if request.method == "GET":
        parameters = Parameters.of_query(request.scope["query_string"].decode("latin-1"))
    elif request.method == "PUT":
        parameters = Parameters.of_form(body, request.headers.get("content-type", ""))
    else:
        raise NotUnderstood(f"method {request.method} is not used here, only GET and PUT")
    kind, number, member = "", 0, ""
    parts = path.split("/")
    if parts[1:2] == ["api"]:
        if len(parts) != 6 or parts[2] != "v1":
            raise NotUnderstood(
                f"no such path: {path[:200]}; it must be /api/v1/<type>/<number>/<member>, "
                "all lower case"
            )
        kind, number_text, member = parts[3:]
        if not _DEVICE_NUMBER.match(number_text):
            raise NotUnderstood(f"a device number is a whole number from 0, not {number_text!r}")
        number = int(number_text)
        if not kind:
            raise NotUnderstood("the device type is missing from the path")
    wants = (
        part.partition(";")[0].strip() for part in request.headers.get("accept", "").split(",")
    )
    return Call(
        method=request.method,
        path=path,
        device_type=kind,
        device_number=number,
        member=member,
        parameters=parameters,
        client_id=parameters.client_number("ClientID"),
        client_address=request.client.host if request.client else "",
        client_transaction=parameters.client_number("ClientTransactionID"),
        server_transaction=server_transaction,
        wants_image_bytes=any(want.lower() == IMAGE_BYTES for want in wants),
    )


def _envelope(call: Call) -> dict[str, object]:
    return {
        "ClientTransactionID": call.client_transaction,
        "ServerTransactionID": call.server_transaction,
        "ErrorNumber": 0,
        "ErrorMessage": "",
    }


def _refusal(call: Call, number: int, message: str) -> Reply:
    # JSON even when ImageBytes were asked for: both are standard, but the official client library
    # (3.1.3) breaks on an error in ImageBytes form.
    return Reply.json({**_envelope(call), "ErrorNumber": number, "ErrorMessage": message})


def _image(call: Call, image: ImagePayload) -> Reply:
    ids = (call.client_transaction, call.server_transaction)
    if call.wants_image_bytes:
        return Reply(200, IMAGE_BYTES, image.image_bytes(*ids))
    return Reply(200, JSON, list(image.json_pieces(*ids)))


class RunningServer:
    """An application being served by a thread of this process, until `stop`."""

    def __init__(
        self,
        app: ASGIApp,
        host: str = "127.0.0.1",
        port: int = 0,
        *,
        discovery_port: int | None = None,
        limits: Limits | None = None,
        start_timeout_s: float = 10.0,
    ) -> None:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listener = socket.create_server((host, port), family=family, backlog=128)
        self.host = host
        self.port: int = listener.getsockname()[1]
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                http=Guarded if limits is None else guarded(limits),
                backlog=BACKLOG,
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                timeout_keep_alive=75,
                timeout_graceful_shutdown=1,
            )
        )
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [listener]}, name="alpaca", daemon=True
        )
        self._thread.start()
        deadline = time.monotonic() + start_timeout_s
        while not self._server.started:
            if not self._thread.is_alive() or time.monotonic() > deadline:
                listener.close()
                raise OSError(f"the server on {host}:{port} did not start")
            time.sleep(0.005)
        listener.listen(QUEUE)  # once more: asyncio takes its own backlog for both
        self.discovery: DiscoveryResponder | None = None
        if discovery_port is not None:
            try:
                self.discovery = DiscoveryResponder(
                    self.port,
                    port=discovery_port,
                    host=listener.getsockname()[0],
                )
            except OSError:
                self.stop()
                raise

    @property
    def url(self) -> str:
        """Base address, without a slash at the end."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}"

    def stop(self) -> None:
        """Close the port and end the threads; may be called twice."""
        if self.discovery is not None:
            self.discovery.stop()
            self.discovery = None
        self._server.should_exit = True
        self._thread.join(timeout=10.0)

    def __enter__(self) -> RunningServer:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.stop()
