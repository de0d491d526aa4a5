"""Carries "something changed" from a session's thread to whoever waits on an event loop."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from polewright.interfaces.web.errors import TooManyPages

MOST_PAGES = 32


class Feed:
    """Waiters are woken, not fed: each reads the newest snapshot by itself, so none can lag."""

    def __init__(self, most: int = MOST_PAGES) -> None:
        self._lock = threading.Lock()
        self._waiters: dict[asyncio.Event, asyncio.AbstractEventLoop] = {}
        self.most = most
        self.closed = False

    @contextmanager
    def listening(self) -> Iterator[asyncio.Event]:
        """Give an event that is set at every change. Call it on the event loop.

        Raises:
            TooManyPages: as many listen as may.
        """
        event = asyncio.Event()
        with self._lock:
            if len(self._waiters) >= self.most:
                raise TooManyPages(self.most)
            self._waiters[event] = asyncio.get_running_loop()
        try:
            yield event
        finally:
            with self._lock:
                del self._waiters[event]

    @property
    def listeners(self) -> int:
        """How many listen."""
        with self._lock:
            return len(self._waiters)

    @property
    def full(self) -> bool:
        """Whether no more may listen."""
        return self.listeners >= self.most

    def wake(self) -> None:
        """Tell everybody that something changed; from any thread."""
        with self._lock:
            for event, loop in self._waiters.items():
                if not loop.is_closed():
                    loop.call_soon_threadsafe(event.set)

    def close(self) -> None:
        """Let every listener end."""
        self.closed = True
        self.wake()
