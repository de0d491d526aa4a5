"""Light to one side of the stars: what a turn during the exposure leaves beside them.

The surroundings of the brightest stars are laid upon one another, each in units of its star's own
light. A second image of every star, or a trail from it, adds up there, while neighbours differ from
star to star. What is alike on both sides (wings, spikes, the swing of wind) cancels when the sum is
turned by half a circle and subtracted. Own design.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.luminance import Canvas

Floats = NDArray[np.float64]

#: Stars laid upon one another, and the fewest that tell anything.
MOST_STARS, LEAST_STARS = 40, 6
#: How far from a star is looked, pixels: in every frame, and in one that is suspected.
REACH_PX, FAR_REACH_PX = 40, 100
#: What stands out by so many sigmas, from the scatter of the picture itself, is seen. It has some
#: hundred places for a second image and some dozen directions for a trail; at rest the largest of
#: 350 were 5.6 and 4.5 (measured on rendered frames).
IMAGE_SIGMAS, TRAIL_SIGMAS = 6.0, 5.0
#: Samples of one star further than this from the median of all are a neighbour's, sigmas.
_CLIP_SIGMAS = 4.0
_DIRECTIONS = 120
#: Stars fainter than this share of the brightest one used would only add noise.
_FAINTEST = 0.05


@dataclass(frozen=True)
class OneSided:
    """What lies to one side of the stars, in shares of the light that they have here."""

    found: float
    """What was seen, within reach; 0 when nothing stands out."""
    unseen_image: float
    """A second image within reach could have so much without being seen."""
    unseen_trail_per_px: float
    """A trail could have so much on each pixel of its length without being seen."""


def one_sided(
    frame: Frame, stars: StarList, fwhm_px: float, reach_px: int = REACH_PX
) -> OneSided | None:
    """Look for light to one side of all stars; None when they are too few or too large.

    Args:
        frame: the frame.
        stars: measured in it, brightest first.
        fwhm_px: their typical width.
        reach_px: how far from them is looked.
    """
    canvas = Canvas.of(frame)
    use = np.flatnonzero(~stars.saturated)
    use = use[stars.flux[use] > _FAINTEST * float(stars.flux[use].max(initial=0.0))][:MOST_STARS]
    nearest = 1.5 * fwhm_px + 1.5
    if use.size < LEAST_STARS or nearest > 0.5 * reach_px:
        return None
    x, y, flux = stars.x[use], stars.y[use], stars.flux[use]
    rows, columns = (x, y) if canvas.swapped else (y, x)
    picture = _sum_of(_surroundings(canvas, rows, columns, flux, reach_px))
    sigma = max(fwhm_px, 2.0) / 2.3548
    at = np.arange(-reach_px, reach_px + 1)
    radius = np.hypot(at[:, None], at)
    uneven = _level(picture - picture[::-1, ::-1], radius > nearest)
    smooth = gaussian_filter(uneven, sigma, mode="constant")
    ring = (radius > nearest) & (radius < reach_px - 1.0)
    # A star of Gaussian width sigma, smoothed by as much, has 1 / (4 pi sigma^2) at its middle.
    images = 4.0 * np.pi * sigma**2 * smooth[ring]
    trails, length = _along(smooth, nearest, sigma)
    image_sigma, trail_sigma = (1.4826 * float(np.median(np.abs(v))) for v in (images, trails))
    image, trail = float(images.max()), float(trails.max())
    found = 0.0
    if image > IMAGE_SIGMAS * image_sigma:
        found = image
    if trail > TRAIL_SIGMAS * trail_sigma:
        found = max(found, trail * length)
    return OneSided(found, IMAGE_SIGMAS * image_sigma, TRAIL_SIGMAS * trail_sigma)


def _surroundings(
    canvas: Canvas, rows: Floats, columns: Floats, flux: Floats, reach_px: int
) -> Floats:
    """Squares (N, S, S) centred on the stars, in shares of their light; 0 off the frame."""
    row, column = np.rint(rows).astype(np.int64), np.rint(columns).astype(np.int64)
    grey, _, inside = canvas.stamps(row, column, reach_px + 1)
    squares = np.where(inside, grey, np.nan).astype(np.float64)
    for axis, off in ((1, rows - row), (2, columns - column)):
        squares = np.moveaxis(squares, axis, 0)
        here, ahead, behind = 1.0 - np.abs(off), np.maximum(off, 0.0), np.maximum(-off, 0.0)
        squares = (
            here[:, None] * squares[1:-1]
            + ahead[:, None] * squares[2:]
            + behind[:, None] * squares[:-2]
        )
        squares = np.moveaxis(squares, 0, axis)
    squares -= np.nanmedian(squares, axis=(1, 2), keepdims=True)
    return np.nan_to_num(squares / flux[:, None, None])


def _sum_of(squares: Floats) -> Floats:
    """Mean (S, S) of squares (N, S, S) by their noise, without what only single ones show."""
    noise = np.maximum(1.4826 * np.median(np.abs(squares), axis=(1, 2)), 1e-12)
    kept = np.abs(squares - np.median(squares, axis=0)) < _CLIP_SIGMAS * noise[:, None, None]
    # No star alone may decide what the picture shows.
    weight = noise**-2.0
    weight = np.minimum(weight, np.sort(weight)[-LEAST_STARS])
    weights = weight[:, None, None] * kept
    total = weights.sum(axis=0)
    mean = np.where(kept, squares, 0.0) * weights
    return np.asarray(mean.sum(axis=0) / np.maximum(total, 1e-12))


def _level(uneven: Floats, outside: NDArray[np.bool_]) -> Floats:
    """Take away the slope of the sky, which is uneven, too."""
    at = np.arange(len(uneven)) - len(uneven) // 2
    down, right = np.meshgrid(at, at, indexing="ij")
    slope = np.zeros(2)
    for _ in range(3):
        rest = uneven - slope[0] * down - slope[1] * right
        flat = outside & (np.abs(rest) < 4.5 * float(np.median(np.abs(rest[outside]))))
        terms = np.column_stack([down[flat], right[flat]])
        slope = np.linalg.lstsq(terms, uneven[flat], rcond=None)[0]
    return np.asarray(uneven - slope[0] * down - slope[1] * right)


def _along(smooth: Floats, nearest: float, sigma: float) -> tuple[Floats, float]:
    """Light per pixel of length in each direction from the star, and the length looked at."""
    angle = np.arange(_DIRECTIONS) * (2.0 * np.pi / _DIRECTIONS)
    middle = len(smooth) // 2
    out = np.arange(nearest, middle - 1.0)
    where = np.stack([np.outer(np.sin(angle), out), np.outer(np.cos(angle), out)]) + middle
    mean = map_coordinates(smooth, where, order=1).mean(axis=1)
    # A line of Gaussian cross section sigma, smoothed by as much, has 1 / (sqrt(4 pi) sigma).
    return np.asarray(np.sqrt(4.0 * np.pi) * sigma * mean), float(out.size)
