"""Follow a field that moved a little since it was last solved, without recognising it anew.

The brightest catalogue stars are projected with the predicted attitude; every pair of a projected
and a detected star votes for the shift between them. Right pairs agree, wrong ones scatter. Small
turns about the boresight only blur the votes, so a few are tried. Own design.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from polewright.calculation.geometry.rotation import rotation_matrix
from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import DEG, Matrix
from polewright.solving.catalogue.catalogue import StarSource
from polewright.solving.embedded.evidence import Approximation, Prior
from polewright.solving.embedded.fitting import Floats, centred, gnomonic

_BRIGHT = 60
"""Brightest detections, and catalogue stars a frame, that vote."""
_CELL_PX = 16.0
"""Side of a cell in which votes are counted."""
_ROLLS_DEG = (0.0, -0.25, 0.25, -0.5, 0.5)
"""Turns about the boresight that are tried."""


def follow(
    stars: StarList,
    predicted: Matrix,
    parity: int,
    scale: float,
    off: float,
    source: StarSource,
    epoch_year: float,
    k1: float = 0.0,
) -> Iterator[Approximation]:
    """Yield the likeliest attitude for each of a few turns about the boresight.

    Args:
        stars: brightest first.
        predicted: camera axes as columns (3, 3), ICRS.
        parity: +1 or -1.
        scale: rad per pixel at the centre.
        off: how far (rad) the boresight may have moved.
        source: the catalogue.
        epoch_year: Julian year for proper motions.
        k1: radial distortion.
    """
    corner = math.atan(0.5 * scale * math.hypot(stars.width, stars.height))
    cone = source.cone(predicted[:, 2], corner + off, epoch_year)
    limit = off / scale
    area = math.pi * (corner + off) ** 2 / (scale**2 * stars.width * stars.height)
    cone = cone.take(slice(0, math.ceil(_BRIGHT * max(1.0, area))))
    pixels = centred(stars.take(slice(0, _BRIGHT)), parity)
    half = stars.width / 2.0
    prior = Prior(math.pi * off**2, 0.002, 1, 2.0 * _ROLLS_DEG[-1] * DEG + 0.01)
    straight = pixels * (1.0 + k1 * np.sum(pixels**2, axis=1, keepdims=True) / half**2)
    for roll in _ROLLS_DEG:
        attitude = predicted @ rotation_matrix(np.array([0.0, 0.0, roll * DEG]))
        ideal, _ = gnomonic(cone.vectors, attitude)
        shift = _vote(straight, ideal / scale, limit)
        if shift is None:
            continue
        # a shift of the image is a turn about the camera's x and y axes
        turn = rotation_matrix(np.array([-shift[1] * scale, shift[0] * scale, 0.0]))
        yield Approximation(
            attitude @ turn,
            parity,
            scale,
            reach_px=3.0 * _CELL_PX,
            log10_trials=math.inf,
            fixed_stars=1,
            prior=prior,
            k1=k1,
        )


def _vote(seen: Floats, expected: Floats, limit: float) -> Floats | None:
    """Most popular shift expected - seen (pixels) not longer than ``limit``; None without votes."""
    expected = expected[np.all(np.isfinite(expected), axis=1)]
    shifts = (expected[None, :, :] - seen[:, None, :]).reshape(-1, 2)
    shifts = shifts[np.hypot(shifts[:, 0], shifts[:, 1]) <= limit + _CELL_PX]
    if shifts.shape[0] < 2:
        return None
    cells = np.floor(shifts / _CELL_PX).astype(np.int64)
    cells -= cells.min(axis=0)
    wide = int(cells[:, 1].max()) + 2
    tally = np.zeros((int(cells[:, 0].max()) + 2, wide))
    np.add.at(tally, (cells[:, 0], cells[:, 1]), 1.0)
    # the peak may sit on a border between cells: look at blocks of 2 x 2
    blocks = tally[:-1, :-1] + tally[1:, :-1] + tally[:-1, 1:] + tally[1:, 1:]
    row, column = np.unravel_index(int(np.argmax(blocks)), blocks.shape)
    chosen = (
        (cells[:, 0] >= row)
        & (cells[:, 0] <= row + 1)
        & (cells[:, 1] >= column)
        & (cells[:, 1] <= column + 1)
    )
    return np.asarray(np.median(shifts[chosen], axis=0))
