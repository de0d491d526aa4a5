"""One grey picture out of any sensor's frame, without copying the frame.

A `Canvas` reads the frame in the order in which it lies in memory (cameras deliver columns
first, so a frame is often a transposed view) and hands out what detection needs: the picture
binned two by two, and small full-resolution cut-outs ("stamps") around stars.

One-shot colour: a stamp is the mosaic smoothed with [1 2 1] x [1 2 1] / 16. Every 3 x 3
neighbourhood of a 2 x 2 mosaic then contributes red : green : blue = 1 : 2 : 1, each colour
placed symmetrically about the pixel, whatever the pixel's own colour is. So centroids need no
shift for the colour of a star or the offset of the mosaic. (Own derivation.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.images.errors import BadFrame, EmptyFrame
from polewright.calculation.images.frame import Frame, SensorKind
from polewright.foundation.language import say

Floats = NDArray[np.float32]

#: Rows handled at once: a few megabytes of float32, so that the work stays in the cache.
_ROWS = 64


@dataclass(frozen=True)
class Canvas:
    """A frame in memory order: ``data`` is (rows, columns) or (rows, columns, 3)."""

    data: NDArray[np.generic]
    swapped: bool
    """Whether rows of ``data`` are columns of the frame."""
    mosaic: bool

    @classmethod
    def of(cls, frame: Frame) -> Canvas:
        """Look at a frame.

        Raises:
            BadFrame: the pixels do not have the shape or type that the sensor kind calls for.
            EmptyFrame: there are no pixels, or none is a finite number.
        """
        data = frame.pixels
        planes = frame.sensor is SensorKind.PLANES
        if data.ndim != (3 if planes else 2) or (planes and data.shape[2] != 3):
            wanted = say("(height, width, 3)") if planes else say("(height, width)")
            raise BadFrame(
                say(
                    "pixels of shape {shape} where a {sensor} sensor gives {layers}",
                    shape=data.shape,
                    sensor=frame.sensor.value,
                    layers=wanted,
                )
            )
        if data.dtype.kind not in "uif":
            raise BadFrame(
                say("pixels of type {dtype} are not whole or floating numbers", dtype=data.dtype)
            )
        if data.size == 0:
            raise EmptyFrame(say("it has no pixels"), frame.width, frame.height)
        if min(data.shape[:2]) < 16:
            raise BadFrame(
                say(
                    "{width} x {height} pixels are too few to measure stars",
                    width=frame.width,
                    height=frame.height,
                )
            )
        swapped = abs(data.strides[0]) < abs(data.strides[1])
        if swapped:
            data = data.swapaxes(0, 1)
        if data.dtype.kind == "f":
            data = _finite(data, frame)
        return cls(data=data, swapped=swapped, mosaic=frame.sensor is SensorKind.BAYER)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of ``data``."""
        return int(self.data.shape[0]), int(self.data.shape[1])

    def grey(self) -> Floats:
        """Return the whole picture as float32, colour planes averaged (for small frames)."""
        if self.data.ndim == 3:
            return np.ascontiguousarray(self.data.mean(axis=2, dtype=np.float32))
        return np.ascontiguousarray(self.data, dtype=np.float32)

    def binned(self, *, halve: bool = False) -> Floats:
        """Return means of 2 x 2 pixels, float32; an odd last row or column is left out.

        ``halve`` bins the result by two once more, as `halved` does, without making it whole.

        Of a mosaic it returns every second pixel of the smoothed picture instead, those at odd
        rows and columns: 2 x 2 cells would shift red stars against blue ones. So pixel (i, j)
        lies at (2 i + 1/2, 2 j + 1/2) of the frame, or (2 i + 1, 2 j + 1) for a mosaic.
        """
        rows, columns = self.shape[0] // 2, self.shape[1] // 2
        size = (rows // 2, columns // 2) if halve else (rows, columns)
        out = np.empty(size, dtype=np.float32)
        for top in range(0, rows, _ROWS):
            bottom = min(top + _ROWS, rows)
            part = self._binned_rows(top, bottom, columns)
            if halve:
                part = halved(part)
                out[top // 2 : top // 2 + len(part)] = part
            else:
                out[top:bottom] = part
        return out

    def _binned_rows(self, top: int, bottom: int, columns: int) -> Floats:
        """Rows ``top`` to ``bottom`` of the picture that `binned` returns."""
        if self.mosaic:
            take = _reflect(np.arange(2 * top, 2 * bottom + 1), self.shape[0])
            block = self.data[take[0] : take[-2] + 2, : 2 * columns].astype(np.float32)
            block = block[take - take[0]]
            tall = block[0:-1:2] + 2 * block[1::2] + block[2::2]
            right = np.concatenate([tall[:, 2::2], tall[:, -2:-1]], axis=1)
            sixteenth = np.float32(0.0625)
            return np.asarray((tall[:, 0::2] + 2 * tall[:, 1::2] + right) * sixteenth)
        block = self.data[2 * top : 2 * bottom, : 2 * columns].astype(np.float32)
        if block.ndim == 3:
            block = block.mean(axis=2)
        pairs = block[0::2] + block[1::2]
        return np.asarray((pairs[:, 0::2] + pairs[:, 1::2]) * np.float32(0.25))

    def stamps(
        self, rows: NDArray[np.int64], columns: NDArray[np.int64], reach: int
    ) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Cut squares of side 2 reach + 1 around pixels (rows, columns), each (N,).

        Returns:
            grey (N, S, S): mean counts, smoothed where the sensor is a mosaic;
            highest (N, S, S): the largest raw count that went into each grey pixel;
            inside (N, S, S): False where the square leaves the picture.
        """
        rim = 1 if self.mosaic else 0
        offsets = np.arange(-reach - rim, reach + rim + 1)
        r = rows[:, None] + offsets
        c = columns[:, None] + offsets
        inside = ((r >= 0) & (r < self.shape[0]))[:, :, None] & ((c >= 0) & (c < self.shape[1]))[
            :, None, :
        ]
        # Reflecting by 2-pixel periods keeps the colours of a mosaic in place beyond the border.
        cut = self.data[_reflect(r, self.shape[0])[:, :, None], _reflect(c, self.shape[1])[:, None]]
        if cut.ndim == 4:
            return cut.mean(axis=3, dtype=np.float32), cut.max(axis=3).astype(np.float32), inside
        raw = cut.astype(np.float32)
        if not self.mosaic:
            return raw, raw, inside
        tall = (raw[:, :-2] + 2 * raw[:, 1:-1] + raw[:, 2:]) * np.float32(0.25)
        grey = (tall[:, :, :-2] + 2 * tall[:, :, 1:-1] + tall[:, :, 2:]) * np.float32(0.25)
        peak = np.maximum(np.maximum(raw[:, :-2], raw[:, 1:-1]), raw[:, 2:])
        peak = np.maximum(np.maximum(peak[:, :, :-2], peak[:, :, 1:-1]), peak[:, :, 2:])
        return grey, peak, inside[:, 1:-1, 1:-1]

    def raw_squares(
        self, rows: NDArray[np.int64], columns: NDArray[np.int64], reach: int
    ) -> Floats:
        """Cut unsmoothed squares (N, S, S); pixels beyond the border are reflected."""
        offsets = np.arange(-reach, reach + 1)
        r = _reflect(rows[:, None] + offsets, self.shape[0])
        c = _reflect(columns[:, None] + offsets, self.shape[1])
        cut = self.data[r[:, :, None], c[:, None]]
        grey: Floats = cut.astype(np.float32)
        return grey.mean(axis=3) if grey.ndim == 4 else grey

    def pixel_noise(self) -> float:
        """1-sigma noise (counts) of a full-resolution pixel.

        From differences of pixels two apart (same colour in a mosaic) in some rows: gradients
        and vignetting cancel, stars are outliers that the median and a 3-sigma clip ignore.
        """
        step = max(1, self.shape[0] // 200)
        sample = self.data[step // 2 :: step].astype(np.float32)
        if sample.ndim == 3:
            sample = sample.mean(axis=2)
        change = (sample[:, 2:] - sample[:, :-2]).ravel()
        change = change[:: max(1, change.size // 300_000)]
        sigma = 1.4826 * float(np.median(np.abs(change)) / np.sqrt(2.0))
        # Whole counts hide a noise below one count from the median; the clipped rms sees it.
        limit = 3.0 * np.sqrt(2.0) * max(sigma, 1e-6 * float(np.abs(change).max(initial=0.0)))
        if self.data.dtype.kind != "f":
            limit = max(limit, 2.5)
        kept = change[np.abs(change) <= limit]
        if kept.size == 0:
            return sigma
        return float(np.sqrt(np.mean(kept.astype(np.float64) ** 2) / 2.0)) / 0.9866


def halved(image: Floats) -> Floats:
    """Return means of 2 x 2 pixels; an odd last row or column is left out."""
    rows, columns = image.shape[0] // 2, image.shape[1] // 2
    out = np.empty((rows, columns), dtype=np.float32)
    for top in range(0, rows, _ROWS):
        part = image[2 * top : 2 * min(top + _ROWS, rows), : 2 * columns]
        pairs = part[0::2] + part[1::2]
        np.add(pairs[:, 0::2], pairs[:, 1::2], out=out[top : top + _ROWS])
    out *= np.float32(0.25)
    return out


def _reflect(index: NDArray[np.int64], size: int) -> NDArray[np.int64]:
    """Mirror indices at the first and last pixel, which keeps odd and even apart."""
    index = np.abs(index)
    return np.clip(np.where(index >= size, 2 * (size - 1) - index, index), 0, size - 1)


def _finite(data: NDArray[np.generic], frame: Frame) -> NDArray[np.generic]:
    """Return ``data`` with numbers that are not finite replaced by the median."""
    bad = ~np.isfinite(data)
    if not bad.any():
        return data
    if bad.all():
        raise EmptyFrame(say("no pixel is a finite number"), frame.width, frame.height)
    mended = data.copy()
    mended[bad] = np.median(data[~bad].astype(np.float64))
    return mended
