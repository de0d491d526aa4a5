"""The names by which this computer may be asked: a guard against rebinding a foreign name to it."""

from __future__ import annotations

import ipaddress
import socket

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from polewright.foundation.language import say


def host_names(on_lan: bool) -> frozenset[str]:
    """Return the names, in lower case, by which this computer may be called."""
    names = {"localhost"}
    if on_lan:
        own = socket.gethostname().lower()
        names |= {own, own.partition(".")[0], f"{own.partition('.')[0]}.local"}
    return frozenset(names)


def host_allowed(header: str, names: frozenset[str], on_lan: bool) -> bool:
    """Whether a Host header names this service.

    Addresses in figures are no danger: rebinding needs a name. The port is not looked at, since
    tunnels and containers change it.
    """
    host = header[1:].partition("]")[0] if header.startswith("[") else header.partition(":")[0]
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host.lower().rstrip(".") in names
    return address.is_loopback or on_lan


class OwnHostOnly:
    """ASGI middleware: answers only where the Host header names this service."""

    def __init__(self, app: ASGIApp, *, on_lan: bool) -> None:
        self.app, self.on_lan = app, on_lan
        self.names = host_names(on_lan)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it."""
        if scope["type"] == "http":
            host = Headers(scope=scope).get("host", "")
            if not host_allowed(host, self.names, self.on_lan):
                text = say(
                    "this service is not called {host!r}: use this computer's address or name",
                    host=host,
                )
                await PlainTextResponse(text, status_code=421)(scope, receive, send)
                return
        await self.app(scope, receive, send)
