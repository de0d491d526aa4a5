"""Requests that reach a simulated rig of this process by a call: half a night's time is sockets."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.client import RemoteDisconnected
from typing import Any
from unittest.mock import patch
from urllib.parse import urlsplit

import requests
import urllib3
from requests.adapters import HTTPAdapter
from starlette.requests import Request

from polewright.devices.alpaca import client
from polewright_sim.server.server import RunningRig


class ByCall(HTTPAdapter):
    """Has a server of this process answer in the thread that asks."""

    def __init__(self, running: RunningRig) -> None:
        super().__init__()
        self._running = running

    def send(
        self,
        request: requests.PreparedRequest,
        stream: bool = False,
        timeout: Any = None,
        verify: Any = True,
        cert: Any = None,
        proxies: Mapping[str, str] | None = None,
    ) -> requests.Response:
        """Return the answer, or raise what a connection would that was refused or broke off."""
        del stream, timeout, verify, cert, proxies
        if self._running.stopped:
            raise requests.ConnectionError(ConnectionRefusedError("nothing listens"))
        to = urlsplit(str(request.url))
        scope = {
            "type": "http",
            "method": request.method,
            "path": to.path,
            "query_string": to.query.encode(),
            "headers": [(k.lower().encode(), str(v).encode()) for k, v in request.headers.items()],
            "client": ("127.0.0.1", 0),
        }
        body = request.body or b""
        asked = Request(scope)
        reply = self._running.server.reply(
            asked, body if isinstance(body, bytes) else body.encode()
        )
        if reply.dropped:
            gone = RemoteDisconnected("Remote end closed connection without response")
            raise requests.ConnectionError(urllib3.exceptions.ProtocolError("closed", gone))
        whole = b"".join(bytes(piece) for piece in reply.body)
        raw = urllib3.HTTPResponse(
            body=io.BytesIO(whole[: reply.cut_after]),
            headers={
                "Content-Length": str(len(whole)),
                "Content-Type": reply.media_type,
                **reply.headers,
            },
            status=reply.status,
            preload_content=False,
        )
        return self.build_response(request, raw)


@contextmanager
def without_sockets(running: RunningRig) -> Iterator[None]:
    """Have connections that are made in the block reach this rig by calls."""
    usual = client._lane

    def lane() -> client._Lane:
        made = usual()
        made.session.mount(running.url, ByCall(running))
        return made

    with patch.object(client, "_lane", lane):
        yield
