"""Whether a drift is steady: a jump or a bend is no axis error but something that moved."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.drift.estimator import FieldFit
from polewright.foundation.angles import ARCSEC, Vector

FEWEST = 12
"""Frames below which no jump or bend is looked for (own choice)."""
SIGMAS = 6.0
"""Many places for a jump are tried on each of two series again and again; by chance less than one
check in a thousand exceeds this (own simulation, see the tests)."""
CLIP = 3.0
"""Sigmas."""
WORTH_NAMING = 0.5 * ARCSEC
"""Rad; smaller jumps and bends are not reported (own choice)."""
_MARGIN = 4
"""Frames on either side of a jump: gusts come in ones and twos."""


class Change(Enum):
    """How a drift was not steady."""

    JUMP = "jump"
    BEND = "bend"


class Part(Enum):
    """Which motion showed it."""

    DECLINATION = "declination"
    ROLL = "roll"


@dataclass(frozen=True)
class Unsteady:
    """The clearest sign that something moved."""

    change: Change
    part: Part
    size: float
    """Rad: the height of the jump, or how far the bend departs from a straight line."""
    sigmas: float
    seconds: float
    """When the jump was, after the first frame; the middle for a bend."""


def unsteady(field: FieldFit) -> Unsteady | None:
    """Return the clearest jump or bend in what the fit left over; None while all is steady.

    Each is fitted beside the straight drift, with the noise that neighbouring frames show. A
    running median of three takes single gusts out first, and what is left of pairs is clipped; a
    jump that lasts shows all the same.
    """
    if len(field.seconds) < FEWEST:
        return None
    found: list[Unsteady] = []
    for k, part in enumerate((Part.DECLINATION, Part.ROLL)):
        sigma = field.sigmas[:, k]
        whole = _median_of_three(field.residuals[:, k])
        y = np.clip(whole, -CLIP * sigma, CLIP * sigma)
        jump = _jump(field.seconds, y, whole, sigma, part)
        bend = _bend(field.seconds, y, whole, sigma, part)
        found += [
            item for item in (jump, bend) if item.sigmas >= SIGMAS and abs(item.size) > WORTH_NAMING
        ]
    return max(found, key=lambda item: item.sigmas, default=None)


def _median_of_three(y: Vector) -> NDArray[np.float64]:
    padded = np.concatenate([y[1:2], y, y[-2:-1]])
    return np.asarray(np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0))


def _beside_a_line(
    seconds: Vector, y: Vector, sigma: Vector, extra: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Amplitudes (m,) and their sigmas (m,) of shapes (m, n), each fitted beside a line."""
    w = 1.0 / sigma
    u = seconds / max(float(seconds[-1]), 1e-9)
    line, _ = np.linalg.qr(np.column_stack([w, u * w]))
    data = y * w
    data = data - line @ (line.T @ data)
    shapes = extra * w
    shapes = shapes - (shapes @ line) @ line.T
    power = np.maximum(np.sum(shapes**2, axis=1), 1e-30)
    return shapes @ data / power, 1.0 / np.sqrt(power)


def _jump(seconds: Vector, y: Vector, whole: Vector, sigma: Vector, part: Part) -> Unsteady:
    n = len(seconds)
    places = np.arange(_MARGIN, n - _MARGIN + 1)
    shapes = (np.arange(n)[None, :] >= places[:, None]).astype(np.float64)
    size, error = _beside_a_line(seconds, y, sigma, shapes)
    best = int(np.argmax(np.abs(size) / error))
    at = 0.5 * float(seconds[places[best] - 1] + seconds[places[best]])
    full, _ = _beside_a_line(seconds, whole, sigma, shapes[best : best + 1])
    return Unsteady(Change.JUMP, part, float(full[0]), float(abs(size[best]) / error[best]), at)


def _bend(seconds: Vector, y: Vector, whole: Vector, sigma: Vector, part: Part) -> Unsteady:
    u = seconds / max(float(seconds[-1]), 1e-9)
    shape = (4.0 * u * (1.0 - u))[None, :]
    size, error = _beside_a_line(seconds, y, sigma, shape)
    full, _ = _beside_a_line(seconds, whole, sigma, shape)
    return Unsteady(
        Change.BEND,
        part,
        float(full[0]),
        float(abs(size[0]) / error[0]),
        0.5 * float(seconds[-1]),
    )
