"""A TCP proxy that can swallow every packet: connections stay open and nothing comes through."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress

_PIECE = 65536


class SwallowingProxy:
    """Passes bytes on to a port of this computer, until ``swallow`` is set. A context manager."""

    def __init__(self, upstream: int) -> None:
        self.swallow = False
        self._upstream = upstream
        self._open: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=64)
        self.port: int = self._listener.getsockname()[1]
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    def _accept(self) -> None:
        while True:
            try:
                near = self._listener.accept()[0]
            except OSError:
                return
            try:
                far = socket.create_connection(("127.0.0.1", self._upstream))
            except OSError:
                near.close()
                continue
            self._open += [near, far]
            for ends in ((near, far), (far, near)):
                threading.Thread(target=self._pass_on, args=ends, daemon=True).start()

    def _pass_on(self, source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while piece := source.recv(_PIECE):
                if not self.swallow:
                    target.sendall(piece)
        if not self.swallow:
            for end in (source, target):
                with suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

    def __enter__(self) -> SwallowingProxy:
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes who waits in it
        self._accepting.join(10.0)
        self._listener.close()
        for one in self._open:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
