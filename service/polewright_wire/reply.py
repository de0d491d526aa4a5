"""One request and its answer, before they become HTTP, and the hook that stands between them."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from polewright_wire.parameters import Parameters

JSON = "application/json; charset=utf-8"
PLAIN = "text/plain; charset=utf-8"


@dataclass(frozen=True)
class Call:
    """A request as it arrived."""

    method: str
    path: str
    device_type: str
    """Empty for the management API."""
    device_number: int
    member: str
    parameters: Parameters
    client_id: int
    client_transaction: int
    server_transaction: int
    wants_image_bytes: bool
    client_address: str = ""


@dataclass
class Reply:
    """An answer; a fault layer may change any of it."""

    status: int
    media_type: str
    body: Sequence[bytes | memoryview]
    headers: dict[str, str] = field(default_factory=dict)
    cut_after: int | None = None
    """Send only so many bytes of the body, then close the connection."""
    dropped: bool = False
    """Close the connection without a single byte."""

    @property
    def length(self) -> int:
        """Bytes of the whole body."""
        return sum(len(piece) for piece in self.body)

    @classmethod
    def text(cls, status: int, message: str) -> Reply:
        """A plain text, as HTTP 400 and 500 carry it."""
        return cls(status, PLAIN, [message.encode()])

    @classmethod
    def json(cls, document: Mapping[str, object]) -> Reply:
        """A JSON document with status 200."""
        return cls(200, JSON, [json.dumps(document, allow_nan=False).encode()])


Interceptor = Callable[[Call, Callable[[], Reply]], Reply]
"""Called in a worker thread with the call and a function that answers it. It may wait before or
after, call the function or not, change the reply or make its own."""


class ReplyResponse(Response):
    """Sends a `Reply`, or the part of it that a fault layer lets through."""

    def __init__(self, reply: Reply) -> None:
        self.reply = reply
        headers = {"content-length": str(reply.length), **reply.headers}
        super().__init__(b"", reply.status, headers, reply.media_type)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it (ASGI)."""
        if self.reply.dropped:
            await _hang_up(scope, receive)
            return
        await send(
            {
                "type": "http.response.start",
                "status": self.reply.status,
                "headers": self.raw_headers,
            }
        )
        left = self.reply.length if self.reply.cut_after is None else self.reply.cut_after
        for piece in self.reply.body:
            part = piece[:left]
            left -= len(part)
            await send({"type": "http.response.body", "body": part, "more_body": True})
        if self.reply.cut_after is not None and self.reply.cut_after < self.reply.length:
            await _hang_up(scope, receive)
            return
        await send({"type": "http.response.body", "body": b"", "more_body": False})


async def _hang_up(scope: Scope, receive: Receive) -> None:
    """Close the connection under the response, and wait until the server has noticed."""
    transport: asyncio.Transport | None = scope.get("state", {}).get("transport")
    if transport is None:
        raise RuntimeError("this server cannot drop connections: serve with AlpacaServer.start")
    transport.close()
    while (await receive())["type"] != "http.disconnect":
        pass
