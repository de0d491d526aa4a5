"""The service on a socket, in a thread of its own."""

from __future__ import annotations

import socket
import threading
import time
from types import TracebackType

import uvicorn
from starlette.types import ASGIApp

from polewright.foundation.errors import in_words
from polewright.foundation.language import say
from polewright.interfaces.web.errors import CannotListen
from polewright.interfaces.web.feed import Feed
from polewright_wire.connections import BACKLOG, QUEUE, Limits, guarded

START_S = 20.0
MOST_CONNECTIONS = 512
DRAIN_S = 2


def listening_socket(host: str, port: int) -> socket.socket:
    """Return a bound socket; port 0 takes a free one. Raises `CannotListen`."""
    try:
        family, kind, protocol, _name, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        found = socket.socket(family, kind, protocol)
    except OSError as exc:
        raise CannotListen(host, port, str(exc)) from exc
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind(address)
        found.listen(128)
    except OSError as exc:
        found.close()
        raise CannotListen(host, port, in_words(exc)) from exc
    return found


class RunningService:
    """Serves an application until it is stopped. Use it as a context manager."""

    def __init__(self, app: ASGIApp, host: str, port: int, feed: Feed) -> None:
        """Bind and start. Raises `CannotListen`."""
        self._feed = feed
        self._socket = listening_socket(host, port)
        self.host, self.port = self._socket.getsockname()[:2]
        # No access log: it would hold links with tokens. No proxy headers: anyone can send them.
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                http=guarded(Limits.share_of_files(1 / 3, MOST_CONNECTIONS)),
                ws="none",
                loop="asyncio",
                backlog=BACKLOG,
                log_config=None,
                access_log=False,
                proxy_headers=False,
                server_header=False,
                lifespan="off",
                timeout_graceful_shutdown=DRAIN_S,
            )
        )
        self._thread = threading.Thread(
            target=self._server.run,
            kwargs={"sockets": [self._socket]},
            name="service",
            daemon=True,
        )
        self._thread.start()
        deadline = time.monotonic() + START_S
        while not self._server.started:
            if not self._thread.is_alive() or time.monotonic() > deadline:
                raise CannotListen(host, self.port, say("the server did not start"))
            time.sleep(0.01)
        self._socket.listen(QUEUE)  # once more: asyncio takes its own backlog for both

    @property
    def alive(self) -> bool:
        """Whether the thread that answers still runs."""
        return self._thread.is_alive()

    @property
    def url(self) -> str:
        """The page's address on this computer."""
        host = "127.0.0.1" if self.host == "0.0.0.0" else self.host  # noqa: S104 - compared only
        host = "::1" if host == "::" else host
        return f"http://[{host}]:{self.port}/" if ":" in host else f"http://{host}:{self.port}/"

    def stop(self) -> None:
        """End open streams and stop serving."""
        self._feed.close()
        self._server.should_exit = True
        self._thread.join(DRAIN_S + 5.0)
        self._socket.close()

    def __enter__(self) -> RunningService:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _value: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.stop()
