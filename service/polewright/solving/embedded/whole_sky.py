"""The whole sky's four-star shapes, made when a frame first needs them and kept in memory."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable

import numpy as np

from polewright.foundation.angles import DEG, Vector
from polewright.foundation.language import say
from polewright.solving.catalogue.catalogue import StarSource
from polewright.solving.embedded import quads

Progress = Callable[[str], None]
"""Called with a sentence when slow work starts."""

NARROWEST = 1.2 * DEG
"""Fields narrower than this are not looked for in the whole sky: the bundled catalogue shows too
few of their stars, and the next level would take ten seconds and 200 MB (measured)."""
_FAINTEST = 10.0
"""Magnitude to which the bundled catalogue goes; deeper ones would serve narrower fields."""


_LOCK = threading.Lock()
_LEVELS: dict[tuple[str, int, float], quads.Level | None] = {}
"""By name of the stars, year and width: one process needs each once, however many its runs."""


class WholeSky:
    """Makes the levels of the whole sky and keeps them; safe to use from several threads."""

    def __init__(self, source: StarSource, on_progress: Progress | None = None) -> None:
        self._source = source
        self._say = on_progress or (lambda _sentence: None)
        self._told = False
        self._stars: tuple[int, Vector] | None = None

    def level(
        self, width: float, epoch_year: float, check: Callable[[], None]
    ) -> quads.Level | None:
        """Return the shapes for frames about ``width`` (rad) wide; see `quads.level_of`."""
        year = round(epoch_year)
        key = (self._source.name, year, width)
        with _LOCK:
            if key not in _LEVELS:
                if not self._told:
                    self._say(
                        say("Searching the whole sky: the first time takes about ten seconds.")
                    )
                    self._told = True
                if self._stars is None or self._stars[0] != year:
                    pole = np.array([0.0, 0.0, 1.0])
                    every = self._source.cone(pole, math.pi, year, faintest=_FAINTEST)
                    self._stars = year, every.vectors
                _LEVELS[key] = quads.level_of(self._stars[1], 4.0 * math.pi, width, check)
            return _LEVELS[key]
