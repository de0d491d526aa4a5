"""Stars looked for only where they are expected: small windows instead of the whole frame.

The windows are copied side by side onto a sheet of some hundred thousand pixels, and the sheet
goes through the same steps as a whole frame (`detect`): so a star measured here has the same
centroid, error and shape as there, at a tenth of the time, and no picture of the size of the
frame is made. Own design.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.images.detect import listed, measure, saturation_level
from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.luminance import Canvas
from polewright.calculation.images.star_candidates import (
    Candidates,
    DetectOptions,
    Level,
    find_candidates,
    typical_fwhm,
)

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

#: Binned pixels around each window that are blanked, so that no star reaches over the seam.
_SEAM = 2
#: Stars from which the star image is learnt; a whole frame takes more, for its corners.
_LEARN_FROM = 60
#: Offsets within so many pixels of each other agree.
_VOTE_PX = 6.0


@dataclass(frozen=True, eq=False)
class Moved:
    """How a frame's stars lie against where they were expected: seen = place @ turn + shift."""

    turn: NDArray[np.float64]
    """(2, 2)"""
    shift: NDArray[np.float64]
    """(2,) pixels"""
    agreeing: int
    """Windows whose star stands where the others say."""

    def __call__(self, places: Doubles) -> Doubles:
        """Carry places (N, 2) to where the stars are."""
        return np.asarray(places @ self.turn + self.shift)


def margin_for(fwhm_px: float) -> int:
    """Pixels that a star's stamp may reach beyond its middle, for stars of this width."""
    return int(np.clip(np.ceil(2.8 * 1.3 * fwhm_px / 2.3548 + 2.0), 6, 26))


def how_moved(
    frame: Frame,
    places: Doubles,
    reach_px: float,
    fwhm_px: float,
    options: DetectOptions | None = None,
) -> Moved | None:
    """Find the common shift of a few bright stars; None when they do not agree on one.

    Args:
        frame: the frame.
        places: (N, 2) x, y where stars are expected.
        reach_px: how far off they may all be.
        fwhm_px: width of a star, as seen before.
        options: limits of detection.
    """
    options = options or DetectOptions()
    if len(places) < 4:
        return None
    sheet = _Sheet.of(frame, places, int(reach_px) + margin_for(fwhm_px))
    found = sheet.search(options)
    if found.x.size == 0:
        return None
    window, at = sheet.to_frame(found.x, found.y)
    off = at - places[window]
    near = np.all(np.abs(off) <= reach_px, axis=1)
    window, at, off = window[near], at[near], off[near]
    agree = _agreeing(off)
    # At half of all windows another star may stand in the way, or none be bright enough.
    if np.unique(window[agree]).size < max(4, 0.5 * len(places)):
        return None
    return _similarity(places[window[agree]], at[agree])


def stars_at(
    frame: Frame,
    places: Doubles,
    reach_px: float,
    fwhm_px: float,
    options: DetectOptions | None = None,
) -> StarList | None:
    """Return the stars around places, measured as `detect.detect_stars` measures them.

    Args:
        frame: the frame.
        places: (N, 2) x, y where stars are expected.
        reach_px: how far off they may be.
        fwhm_px: width of a star, as seen before.
        options: limits of detection.

    Returns:
        Stars, brightest first, with `StarList.searched_px` set; None when there are none, or when
        they are too large for the windows (smeared, out of focus): the whole frame must be looked
        at then.
    """
    options = options or DetectOptions()
    if len(places) == 0:
        return None
    margin = margin_for(fwhm_px)
    sheet = _Sheet.of(frame, places, int(reach_px) + margin)
    found = sheet.search(options)
    found = found.take(found.ratio > 0.05)
    inside = sheet.clear_of_edges(found, margin)
    found = found.take(inside)
    if found.x.size == 0:
        return None
    full = saturation_level(sheet.canvas, frame, found)
    m = measure(
        sheet.canvas,
        frame,
        sheet.level,
        found,
        typical_fwhm(found, sheet.level.bin),
        sheet.noise,
        sheet.background,
        full,
        dataclasses.replace(options, learn_from=_LEARN_FROM),
    )
    if m is None or not m.keep.any() or m.stamp_reach > margin:
        return None
    _window, at = sheet.to_frame(m.x, m.y)
    canvas = Canvas.of(frame)
    x, y = (at[:, 1], at[:, 0]) if canvas.swapped else (at[:, 0], at[:, 1])
    stars = listed(
        dataclasses.replace(m, x=x, y=y), canvas, frame, sheet.background, sheet.noise, options
    )
    return dataclasses.replace(stars, searched_px=float(sheet.windows * sheet.side**2))


@dataclass(frozen=True, eq=False)
class _Sheet:
    """Windows side by side, as a canvas of their own."""

    canvas: Canvas
    level: Level
    noise: float
    background: float
    side: int
    across: int
    windows: int
    top: Integers
    left: Integers
    """(N,) first row and column of each window, canvas of the frame."""
    swapped: bool

    @classmethod
    def of(cls, frame: Frame, places: Doubles, half: int) -> _Sheet:
        """Cut windows of about 2 ``half`` pixels a side around places (N, 2), x and y."""
        whole = Canvas.of(frame)
        rows, columns = whole.shape
        # Whole cells of the noise map: 2 binned pixels, so 4 of the frame.
        side = min(4 * ((2 * half + 3) // 4), 4 * (min(rows, columns) // 4))
        x, y = (places[:, 1], places[:, 0]) if whole.swapped else (places[:, 0], places[:, 1])
        # Even starts keep the colours of a mosaic in place.
        top = np.clip(2 * np.rint((y - side / 2) / 2), 0, 2 * ((rows - side) // 2)).astype(np.int64)
        left = np.clip(2 * np.rint((x - side / 2) / 2), 0, 2 * ((columns - side) // 2))
        left = left.astype(np.int64)
        count = len(places)
        across = int(np.ceil(np.sqrt(count)))
        down = -(-count // across)
        shape = (down * side, across * side, *whole.data.shape[2:])
        data = np.empty(shape, dtype=whole.data.dtype)
        cells = [divmod(k, across) for k in range(down * across)]
        for k, (row, column) in enumerate(cells):
            source = min(k, count - 1)  # the last row is filled up with the last window
            r, c = int(top[source]), int(left[source])
            data[row * side : (row + 1) * side, column * side : (column + 1) * side] = whole.data[
                r : r + side, c : c + side
            ]
        canvas = Canvas(data=data, swapped=False, mosaic=whole.mosaic)
        image = canvas.binned()
        small = side // 2
        tiles = image.reshape(down, small, across, small)
        middle = np.median(tiles, axis=(1, 3))
        tiles -= middle[:, None, :, None]
        change = tiles[:, :, :, 2:] - tiles[:, :, :, :-2]
        local = np.median(np.abs(change), axis=(1, 3))
        typical = float(np.median(local))
        relative = np.clip(local / typical, 0.5, 3.0) if typical > 0.0 else np.ones_like(local)
        noise_map = np.repeat(np.repeat(relative, small // 2, axis=0), small // 2, axis=1)
        blank = np.ones(small, dtype=bool)
        blank[_SEAM:-_SEAM] = False
        tiles[:, blank] = 0.0
        tiles[:, :, :, blank] = 0.0
        spare = slice(count, None)  # what fills up the last row holds no star twice
        for row, column in cells[spare]:
            tiles[row, :, column] = 0.0
        return cls(
            canvas=canvas,
            level=Level(image, 2, 1.0 if whole.mosaic else 0.5, noise_map.astype(np.float32)),
            noise=canvas.pixel_noise(),
            background=float(np.median(middle)),
            side=side,
            across=across,
            windows=count,
            top=top,
            left=left,
            swapped=whole.swapped,
        )

    def search(self, options: DetectOptions) -> Candidates:
        """Return what stands out, hot pixels included."""
        found = find_candidates(self.canvas, self.level, self.noise, self.background, options)
        return found.take(self._window(found.x, found.y) < self.windows)

    def _window(self, x: Doubles, y: Doubles) -> Integers:
        row = np.clip(np.rint(y), 0, self.canvas.shape[0] - 1).astype(np.int64) // self.side
        column = np.clip(np.rint(x), 0, self.canvas.shape[1] - 1).astype(np.int64) // self.side
        return np.asarray(row * self.across + column)

    def to_frame(self, x: Doubles, y: Doubles) -> tuple[Integers, Doubles]:
        """Return the window (N,) of points of the sheet and their place (N, 2) in the frame."""
        window = np.minimum(self._window(x, y), self.windows - 1)
        row, column = np.divmod(window, self.across)
        down = y - row * self.side + self.top[window]
        right = x - column * self.side + self.left[window]
        pair = (down, right) if self.swapped else (right, down)
        return window, np.stack(pair, axis=1)

    def clear_of_edges(self, found: Candidates, margin: int) -> NDArray[np.bool_]:
        """Whether a stamp around each candidate stays in its window."""
        window = self._window(found.x, found.y)
        row, column = np.divmod(window, self.across)
        y, x = found.y - row * self.side, found.x - column * self.side
        last = self.side - 1 - margin
        return np.asarray((x >= margin) & (x <= last) & (y >= margin) & (y <= last))


def _agreeing(off: Doubles) -> NDArray[np.bool_]:
    """Mark the offsets (N, 2) of the fullest square of about `_VOTE_PX`, and around it."""
    if off.shape[0] == 0:
        return np.zeros(0, dtype=bool)
    near = np.all(np.abs(off[:, None] - off[None]) <= _VOTE_PX, axis=2)
    chosen = near[int(np.argmax(near.sum(axis=1)))]
    return np.asarray(np.all(np.abs(off - np.median(off[chosen], axis=0)) <= _VOTE_PX, axis=1))


def _similarity(places: Doubles, seen: Doubles) -> Moved:
    """Least squares of a turn, a size and a shift, as one linear map."""
    middle = places.mean(axis=0)
    p, q = places - middle, seen - seen.mean(axis=0)
    size = max(float(np.sum(p * p)), 1e-9)
    a = float(np.sum(p * q)) / size
    b = float(np.sum(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])) / size
    turn = np.array([[a, b], [-b, a]])
    return Moved(turn, seen.mean(axis=0) - middle @ turn, len(places))
