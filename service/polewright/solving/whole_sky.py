"""The whole sky's four-star shapes, made when a frame first needs them and kept in memory."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable

import numpy as np

from polewright.angles import DEG, Vector
from polewright.solving import quads
from polewright.solving.catalogue import StarSource

Progress = Callable[[str], None]
"""Called with a sentence when slow work starts."""

NARROWEST = 1.2 * DEG
"""Fields narrower than this are not looked for in the whole sky: the bundled catalogue shows too
few of their stars, and the next level would take ten seconds and 200 MB (measured)."""
_FAINTEST = 10.0
"""Magnitude to which the bundled catalogue goes; deeper ones would serve narrower fields."""


class WholeSky:
    """Makes and keeps the levels of the whole sky; safe to use from several threads."""

    def __init__(self, source: StarSource, on_progress: Progress | None = None) -> None:
        self._source = source
        self._say = on_progress or (lambda _sentence: None)
        self._levels: dict[tuple[float, int], quads.Level | None] = {}
        self._stars: tuple[int, Vector] | None = None
        self._lock = threading.Lock()

    def level(
        self, width: float, epoch_year: float, check: Callable[[], None]
    ) -> quads.Level | None:
        """Return the shapes for frames about ``width`` (rad) wide; see `quads.level_of`."""
        year = round(epoch_year)
        with self._lock:
            if (width, year) not in self._levels:
                if self._stars is None or self._stars[0] != year:
                    self._say("Looking in the whole sky: the first time takes some ten seconds.")
                    pole = np.array([0.0, 0.0, 1.0])
                    every = self._source.cone(pole, math.pi, year, faintest=_FAINTEST)
                    self._stars = year, every.vectors
                made = quads.level_of(self._stars[1], 4.0 * math.pi, width, check)
                self._levels[width, year] = made
            return self._levels[width, year]
