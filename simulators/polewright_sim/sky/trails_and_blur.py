"""Lights that cross the frame, and the wind that shakes it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from polewright_sim.sky.disturbance import Disturbance, Pixel

Floats = NDArray[np.float64]

_SHAKE_STEPS = 24


def _line(start: Pixel, end: Pixel, e_per_px: float) -> tuple[Floats, Floats, Floats]:
    """Return x, y and electrons of points half a pixel apart along a line."""
    length = float(np.hypot(end[0] - start[0], end[1] - start[1]))
    count = max(1, int(2.0 * length))
    at = (np.arange(count) + 0.5) / count
    x = start[0] + at * (end[0] - start[0])
    y = start[1] + at * (end[1] - start[1])
    return x, y, np.full(count, e_per_px * length / count)


def passing_lights(spoil: Disturbance) -> Iterator[tuple[Floats, Floats, Floats]]:
    """Yield x, y (unbinned pixels) and electrons of the points of light of each passer-by."""
    for trail in spoil.satellites:
        yield _line(trail.start_px, trail.end_px, trail.e_per_px)
    for craft in spoil.aircraft:
        way = np.subtract(craft.end_px, craft.start_px)
        length = max(float(np.hypot(*way)), 1e-9)
        side = np.array([-way[1], way[0]]) / length * craft.span_px / 2.0
        for offset in (side, -side):
            start, end = np.add(craft.start_px, offset), np.add(craft.end_px, offset)
            yield _line(
                (float(start[0]), float(start[1])),
                (float(end[0]), float(end[1])),
                craft.steady_e_per_px,
            )
        at = (np.arange(craft.flashes) + 0.5) / max(craft.flashes, 1)
        places = np.asarray(craft.start_px) + at[:, None] * way
        yield places[:, 0], places[:, 1], np.full(craft.flashes, craft.flash_e)


def shake(x: Floats, y: Floats, rms_px: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return star places (M, N), every row moved by a wind that wanders from row to row."""
    if len(x) < _SHAKE_STEPS:
        repeat = -(-_SHAKE_STEPS // len(x))
        x, y = np.repeat(x, repeat, axis=0), np.repeat(y, repeat, axis=0)
    kept = 0.7
    offsets = np.empty((len(x), 2))
    at = rng.normal(size=2)
    for i in range(len(x)):
        offsets[i] = at
        at = kept * at + np.sqrt(1.0 - kept**2) * rng.normal(size=2)
    offsets *= rms_px
    return x + offsets[:, :1], y + offsets[:, 1:]
