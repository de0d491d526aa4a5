"""Finds likely stars on a binned picture; `detect` judges and measures them."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import sep
from numpy.typing import NDArray

from polewright.calculation.images.frame import Frame, SensorKind
from polewright.calculation.images.luminance import Canvas, Floats, halved

Doubles = NDArray[np.float64]

#: Places for pixels of unfinished stars that sep begins with.
_PLACES = 100_000
#: So many stars tell all that a frame has to tell.
_QUICK_ENOUGH = 200
#: Frames from this size on are searched on coarse bins first.
_QUICK_FROM_PX = 8_000_000
#: What bins of four add to the width of a star, in squares, and the widest star for them: 3 px
#: wide stars come out 7.7 px wide (measured).
_QUICK_WIDENING_PX, _QUICK_WIDEST_PX = 7.0, 9.0

_KERNEL = np.array([[1.0, 2.0, 1.0], [2.0, 4.0, 2.0], [1.0, 2.0, 1.0]])
#: What the kernel leaves of white noise: sqrt(sum k^2) / sum k.
_KERNEL_NOISE = 0.375


@dataclass(frozen=True)
class DetectOptions:
    """How to look for stars."""

    max_stars: int = 500
    """Only the brightest so many are measured and returned."""
    learn_from: int = 120
    """Brightest stars from which the star image is learnt."""
    threshold: float = 5.0
    """Detection limit over the noise of the smoothed picture, sigma."""
    min_snr: float = 6.0
    """Fitted flux over its error that a star must reach."""
    gain_e_per_adu: float = 1.0
    """Assumed when the frame does not tell. Only bright stars depend on it (photon noise)."""
    floor_px: float = 0.005
    """Smallest centroid error stated, pixels of the frame; see `centroid_floor`."""
    mesh_px: int = 128
    """Side of the boxes in which the background is estimated, pixels of the frame."""


@dataclass(frozen=True)
class Level:
    """The picture binned ``bin`` times, background taken off; bins are means, not sums."""

    image: Floats
    bin: int
    shift: float
    """Where the picture's first pixel lies in the frame: at (shift, shift)."""
    local_noise: Floats
    """Background noise over its typical value, on a grid twice as coarse as ``image``."""


@dataclass(frozen=True)
class Candidates:
    """Detections, brightest first; positions in pixels of the canvas."""

    x: Doubles
    y: Doubles
    flux: Doubles
    fwhm: Doubles
    ratio: Doubles
    """Mean of the eight neighbours over the peak, full resolution, background taken off."""

    def take(self, keep: NDArray[np.generic] | slice) -> Candidates:
        """Return those that ``keep`` selects (mask, indices or slice)."""
        return Candidates(
            self.x[keep], self.y[keep], self.flux[keep], self.fwhm[keep], self.ratio[keep]
        )


def first_level(canvas: Canvas, frame: Frame, options: DetectOptions) -> tuple[Level, float]:
    """Small frames of one colour are searched as they are, others binned."""
    rows, columns = canvas.shape
    if rows * columns <= 2_000_000 and frame.sensor is not SensorKind.BAYER:
        return flattened(canvas.grey(), 1, 0.0, options)
    return flattened(canvas.binned(), 2, 1.0 if canvas.mosaic else 0.5, options)


def flattened(
    image: Floats, bin_: int, shift: float, options: DetectOptions
) -> tuple[Level, float]:
    """Take the background off, estimated on a picture binned once more."""
    coarse = halved(image)
    # Star images must stay small against a box, so boxes are never under 16 coarse pixels.
    box = max(16, options.mesh_px // (2 * bin_))
    rows, columns = coarse.shape
    background = sep.Background(coarse, bw=min(box, columns), bh=min(box, rows), fw=3, fh=3)
    del coarse
    flat = image.copy() if bin_ == 1 else image
    sky = background.back()
    for right in (0, 1):
        flat[0 : 2 * rows : 2, right : 2 * columns : 2] -= sky
        flat[1 : 2 * rows : 2, right : 2 * columns : 2] -= sky
    # An odd last row or column has the sky of its neighbour.
    if flat.shape[1] > 2 * columns:
        flat[: 2 * rows, -1] -= np.repeat(sky[:, -1], 2)
    if flat.shape[0] > 2 * rows:
        flat[-1, : 2 * columns] -= np.repeat(sky[-1], 2)
        if flat.shape[1] > 2 * columns:
            flat[-1, -1] -= sky[-1, -1]
    del sky
    typical = float(background.globalrms)
    local = background.rms()
    if typical > 0.0:
        local /= np.float32(typical)
        np.clip(local, 0.5, 3.0, out=local)
    else:
        local = np.ones_like(local)
    return Level(flat, bin_, shift, local), float(background.globalback)


def find_candidates(
    canvas: Canvas, level: Level, noise: float, background: float, options: DetectOptions
) -> Candidates:
    """Return what stands out of the picture, hot pixels included, brightest first.

    Args:
        canvas: the frame, for the look at single pixels.
        level: the picture to search.
        noise: 1-sigma noise of a pixel of the frame, counts.
        background: typical sky, counts.
        options: limits.
    """
    sigma = max(noise / level.bin, _spread(level.image))
    highest = max(float(level.image.max()), -float(level.image.min()))
    floor = 1e-6 * max(abs(background), highest, 1e-30)
    limit = options.threshold * _KERNEL_NOISE * max(sigma, floor)
    objects = _extract(level.image, limit)
    order = np.argsort(-objects["flux"])[: 8 * options.max_stars]
    objects = objects[order]
    fwhm = np.sqrt(4 * np.log(2) * (objects["a"] ** 2 + objects["b"] ** 2) + 1e-6)
    off = np.hypot(objects["x"] - objects["xpeak"], objects["y"] - objects["ypeak"])
    blended = off > fwhm  # start at the brighter of two stars, not between them
    x = np.where(blended, objects["xpeak"], objects["x"])
    y = np.where(blended, objects["ypeak"], objects["y"])
    ratio = _neighbour_ratio(canvas, level, objects, noise, background)
    return Candidates(
        x=level.bin * x + level.shift,
        y=level.bin * y + level.shift,
        flux=objects["flux"] * level.bin**2,
        fwhm=level.bin * fwhm,
        ratio=ratio,
    )


def quick_search(
    canvas: Canvas, noise: float, options: DetectOptions
) -> tuple[Level, float, Candidates, float] | None:
    """Search a large frame on bins of four by four, a quarter of the work of two by two.

    Good for the bright stars of a frame that is full of sharp ones: 99 in a hundred of those that
    the finer picture shows are found (measured on rendered frames, 400 mm, 26 megapixels). None
    when there are fewer than are wanted, or when stars are wide.

    Returns:
        The picture, the typical sky, what stands out of it, and the usual width of a star.
    """
    if canvas.shape[0] * canvas.shape[1] < _QUICK_FROM_PX:
        return None
    shift = 2.0 if canvas.mosaic else 1.5
    level, background = flattened(canvas.binned(halve=True), 4, shift, options)
    found = find_candidates(canvas, level, noise, background, options)
    if np.count_nonzero(found.ratio > 0.05) < min(options.max_stars, _QUICK_ENOUGH):
        return None
    wide = typical_fwhm(found, level.bin)
    if wide > _QUICK_WIDEST_PX:
        return None
    fwhm = math.sqrt(max(wide**2 - _QUICK_WIDENING_PX**2, 4.0))
    return level, background, _on_peaks(canvas, found), fwhm


def _on_peaks(canvas: Canvas, found: Candidates) -> Candidates:
    """Put each candidate on the brightest place about it: coarse bins join close stars."""
    reach = 6
    area = canvas.raw_squares(np.rint(found.y).astype(int), np.rint(found.x).astype(int), reach)
    tall = area[:, :-2] + area[:, 1:-1] + area[:, 2:]
    smooth = tall[:, :, :-2] + tall[:, :, 1:-1] + tall[:, :, 2:]
    place = smooth.reshape(len(smooth), -1).argmax(axis=1)
    side = 2 * reach - 1
    return dataclasses.replace(
        found,
        x=np.rint(found.x) + place % side - (reach - 1),
        y=np.rint(found.y) + place // side - (reach - 1),
    )


def _extract(image: Floats, limit: float) -> NDArray[np.void]:
    """Run sep, giving way when a bright area overflows its buffers.

    Those are made anew in each call, and a million places take as much memory as a frame: they
    are asked for only when fewer did not do.
    """
    for places in (_PLACES, 10 * _PLACES, 10 * _PLACES, 10 * _PLACES, 10 * _PLACES):
        sep.set_extract_pixstack(min(places, max(10_000, image.size)))
        try:
            return np.asarray(
                sep.extract(
                    image,
                    limit,
                    minarea=2,
                    filter_kernel=_KERNEL,
                    filter_type="conv",
                    deblend_cont=1.0,
                    clean=False,
                )
            )
        except Exception as exc:  # sep raises plain Exception with a text
            if "buffer" not in str(exc) and "overflow" not in str(exc):
                raise
            if places > _PLACES:
                limit *= 8.0
    return np.asarray(sep.extract(np.zeros((16, 16), np.float32), 1.0))


def _spread(image: Floats) -> float:
    """Noise of the flattened picture, slow waves included, from a sample of it."""
    step = max(1, int(np.sqrt(image.size / 60_000)))
    sample = image[::step, ::step].ravel()
    return 1.4826 * float(np.median(np.abs(sample - np.median(sample))))


def _neighbour_ratio(
    canvas: Canvas,
    level: Level,
    objects: NDArray[np.void],
    noise: float,
    background: float,
) -> Doubles:
    """Mean of the 8 neighbours over the peak; infinite where one pixel does not rule the flux."""
    if objects.size == 0:
        return np.zeros(0)
    xs = (level.bin * objects["xpeak"] + (level.bin - 1) // 2).astype(np.int64)
    ys = (level.bin * objects["ypeak"] + (level.bin - 1) // 2).astype(np.int64)
    reach = level.bin
    area = canvas.raw_squares(ys, xs, reach)
    place = area.reshape(len(area), -1).argmax(axis=1)
    ys = np.clip(ys + place // (2 * reach + 1) - reach, 0, canvas.shape[0] - 1)
    xs = np.clip(xs + place % (2 * reach + 1) - reach, 0, canvas.shape[1] - 1)
    around = canvas.raw_squares(ys, xs, 2)
    rim = np.ones((5, 5), dtype=bool)
    rim[1:4, 1:4] = False
    sky = np.minimum(np.median(around[:, rim], axis=1), background + 3.0 * noise)
    peak = around[:, 2, 2] - sky
    others = (around[:, 1:4, 1:4].sum(axis=(1, 2)) - around[:, 2, 2]) / 8.0 - sky
    ratio = others / np.maximum(peak, 1e-30)
    ruled = objects["flux"] * level.bin**2 < 3.0 * peak
    return np.where(ruled, ratio, np.inf).astype(np.float64)


def typical_fwhm(found: Candidates, bin_: int) -> float:
    """Width of the brighter half of the likely stars (pixels); 2 when there is none."""
    likely = found.take(found.ratio > 0.08)
    if likely.x.size == 0:
        return 2.0
    best = likely.fwhm[: max(5, min(60, likely.x.size // 2))]
    return float(max(np.median(best), 0.6 * bin_))
