"""Requests that reach a simulated rig of this process by a call: half a night's time is sockets."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.client import RemoteDisconnected
from typing import Any
from unittest.mock import patch
from urllib.parse import urlencode, urlsplit

import requests
from requests.structures import CaseInsensitiveDict
from starlette.requests import Request

from polewright.devices.alpaca import client
from polewright_sim.server.server import RunningRig
from polewright_wire import Reply


class ByCall:
    """Stands where a connection has its `requests.Session`; the rig answers in the same thread."""

    def __init__(self, running: RunningRig, elsewhere: requests.Session) -> None:
        self._running, self._elsewhere = running, elsewhere

    def close(self) -> None:
        """Nothing is open but what leads elsewhere."""
        self._elsewhere.close()

    def request(
        self,
        method: str,
        url: str,
        *,
        params: Mapping[str, str] | None,
        data: Mapping[str, str] | None,
        headers: Mapping[str, str],
        **how: Any,
    ) -> Any:
        """Return the answer, or raise what a connection would that was refused or broke off."""
        if not url.startswith(f"{self._running.url}/"):
            return self._elsewhere.request(
                method, url, params=params, data=data, headers=headers, **how
            )
        if self._running.stopped:
            raise requests.ConnectionError(ConnectionRefusedError("nothing listens"))
        sent = {**headers, "Content-Type": "application/x-www-form-urlencoded"}
        scope = {
            "type": "http",
            "method": method,
            "path": urlsplit(url).path,
            "query_string": urlencode(params or {}).encode(),
            "headers": [(k.lower().encode(), v.encode()) for k, v in sent.items()],
            "client": ("127.0.0.1", 0),
        }
        reply = self._running.server.reply(Request(scope), urlencode(data or {}).encode())
        if reply.dropped:
            raise requests.ConnectionError(RemoteDisconnected("closed without an answer"))
        return Answer(reply)


class Answer:
    """What is used of a `requests.Response`; ``raw`` is the answer itself."""

    def __init__(self, reply: Reply) -> None:
        self.status_code, self.raw = reply.status, self
        about = {"Content-Length": str(reply.length), "Content-Type": reply.media_type}
        self.headers = CaseInsensitiveDict({**about, **reply.headers})
        self._body = io.BytesIO(b"".join(reply.body)[: reply.cut_after])

    def read(self, size: int, *, decode_content: bool) -> bytes:
        """Return the next bytes of the body, empty at its end."""
        del decode_content
        return self._body.read(size)

    def __enter__(self) -> Answer:
        return self

    def __exit__(self, *_: object) -> None:
        pass


@contextmanager
def without_sockets(running: RunningRig) -> Iterator[None]:
    """Have connections that are made in the block reach this rig by calls."""
    usual = client._lane

    def lane() -> Any:
        made: Any = usual()
        made.session = ByCall(running, made.session)
        return made

    with patch.object(client, "_lane", lane):
        yield
