"""What a solver says while it works, passed on to whoever listens to the run."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Tell = Callable[[str], None]


class SolverWords:
    """Tells sentences at once, or, from a thread that may tell nobody, by way of that thread."""

    def __init__(self) -> None:
        self.tell: Tell = lambda _sentence: None
        """Who is told; set by whoever makes the rig."""
        self._here = threading.local()

    def __call__(self, sentence: str) -> None:
        """Pass a sentence on."""
        instead: Tell | None = getattr(self._here, "instead", None)
        (instead or self.tell)(sentence)

    @contextmanager
    def by_way_of(self, instead: Tell) -> Iterator[None]:
        """Have sentences said in this thread go to ``instead``."""
        self._here.instead = instead
        try:
            yield
        finally:
            self._here.instead = None
