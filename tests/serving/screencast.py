"""Every frame that a headless Chromium presents, as pixels."""

from __future__ import annotations

import base64
import io
import json
import threading
from types import TracebackType
from typing import Any

import numpy as np
import requests
from numpy.typing import NDArray
from PIL import Image


class Screencast:
    """Collects what the page of a driver shows while it is open. Use it as a context manager."""

    def __init__(self, driver: Any) -> None:
        import websocket  # comes with selenium

        address = driver.capabilities["goog:chromeOptions"]["debuggerAddress"]
        pages = requests.get(f"http://{address}/json", timeout=300).json()
        (page,) = [one for one in pages if one["type"] == "page"]
        self._line = websocket.create_connection(
            page["webSocketDebuggerUrl"], timeout=300, suppress_origin=True
        )
        self._ident = 0
        self._frames: list[str] = []
        self._lock = threading.Lock()
        self._open = True
        self._thread = threading.Thread(target=self._listen, daemon=True)

    def _send(self, method: str, **params: Any) -> None:
        with self._lock:
            self._ident += 1
            self._line.send(json.dumps({"id": self._ident, "method": method, "params": params}))

    def _listen(self) -> None:
        import websocket

        while self._open:
            try:
                data = self._line.recv()
            except websocket.WebSocketTimeoutException:
                continue
            except (OSError, websocket.WebSocketException):
                return
            message = json.loads(data or "{}")
            if message.get("method") == "Page.screencastFrame":
                self._frames.append(message["params"]["data"])
                self._send("Page.screencastFrameAck", sessionId=message["params"]["sessionId"])

    def __enter__(self) -> Screencast:
        self._send("Page.startScreencast", format="png", everyNthFrame=1)
        self._thread.start()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _value: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self._open = False
        self._line.close()
        self._thread.join(10.0)

    def taken(self) -> list[NDArray[np.uint8]]:
        """Return the frames since this was last asked, each (height, width, 3)."""
        frames, self._frames = self._frames, []
        found = []
        for data in frames:
            with Image.open(io.BytesIO(base64.b64decode(data))) as picture:
                found.append(np.asarray(picture.convert("RGB")))
        return found
