"""Stars of a frame: found on a binned picture, measured on the full one.

Steps: bin 2 x 2 (more when stars are wide), background and detection with `sep`, drop hot pixels
by the ratio of their neighbours to their peak, learn the star image from the brightest, fit all
kept stars (`psf_fit.fit_stars`), drop what is narrower than a star or too faint.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import erf

from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.luminance import Canvas, Floats, halved
from polewright.calculation.images.psf_fit import (
    Expected,
    Fits,
    Shape,
    Stamps,
    fit_stars,
    fitted_light,
    samples_pixel,
)
from polewright.calculation.images.star_candidates import (
    Candidates,
    DetectOptions,
    Level,
    find_candidates,
    first_level,
    flattened,
    quick_search,
    typical_fwhm,
)

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

__all__ = ["DetectOptions", "centroid_floor", "detect_stars"]

_FWHM_PER_SIGMA = float(np.sqrt(8 * np.log(2)))
#: Stars that tell of wings, how far they are looked for (fitted FWHM: within 4 are 99.7 % of a
#: Moffat star of exponent 3), and the most light beyond the stamps that is believed.
_WINGED, _WING_REACH, _MOST_BEYOND = 60, 4.0, 0.5
#: Light (over the fitted flux) that the fitted level of a stamp holds and that lies beyond it, for
#: such a star, and how much stars differ in that.
_USUAL_EXCESS, _USUAL_BEYOND, _USUAL_SIGMA = 0.1, 0.03, 0.05
_SHARE_STEPS = 20
#: Unsaturated stars among the brightest that tell the star image well enough, and the ratio of
#: neighbours to peak that no hot pixel has (own choice).
_ENOUGH_EXAMPLES, _SURELY_STARS = 20, 0.2


def detect_stars(frame: Frame, options: DetectOptions | None = None) -> StarList:
    """Return the stars of a frame, brightest first; an empty list when there are none.

    Positions, widths and errors are in pixels of the full frame. Widths include the pixel.

    Raises:
        BadFrame: the pixels cannot be an image of that sensor kind.
        EmptyFrame: no pixels, or no finite number among them.
    """
    options = options or DetectOptions()
    canvas = Canvas.of(frame)
    noise = canvas.pixel_noise()
    quick = quick_search(canvas, noise, options)
    if quick is None:
        level, background, found, fwhm = _search(canvas, frame, noise, options)
    else:
        level, background, found, fwhm = quick
    found = found.take(found.ratio > 0.05)  # the final limit needs the width of the stars
    if found.x.size == 0:
        return _no_stars(frame, background, noise)
    saturation = saturation_level(canvas, frame, found)
    measured = measure(canvas, frame, level, found, fwhm, noise, background, saturation, options)
    if measured is None:
        return _no_stars(frame, background, noise)
    return listed(measured, canvas, frame, background, noise, options)


def _search(
    canvas: Canvas, frame: Frame, noise: float, options: DetectOptions
) -> tuple[Level, float, Candidates, float]:
    """Search on finer pictures first, on coarser ones when stars are wide.

    Returns:
        The picture, the typical sky, what stands out of it, and the usual width of a star.
    """
    level, background = first_level(canvas, frame, options)
    found = find_candidates(canvas, level, noise, background, options)
    fwhm = typical_fwhm(found, level.bin)
    while fwhm > 6.0 * level.bin and min(level.image.shape) >= 128:
        level, rest = flattened(
            halved(level.image), 2 * level.bin, level.shift + 0.5 * level.bin, options
        )
        background += rest
        found = find_candidates(canvas, level, noise, background, options)
        fwhm = typical_fwhm(found, level.bin)
    return level, background, found, fwhm


def centroid_floor(fwhm_px: float, floor_px: float, mosaic: bool) -> float:
    """Centroid error (pixels) below which no photon count brings a star.

    Measured on rendered bright stars (tests/images), Gaussian and Moffat: the error left by the
    pixel phase is under 0.005 px from a measured FWHM of 1.8 px on and 0.008 px at 1.5 px. In a
    mosaic each colour is sampled only every second pixel: 0.043 px at 1.6, 0.013 px at 2.1.
    """
    phase = floor_px * max(1.0, min(2.5, 1.0 + 2.5 * (1.8 - fwhm_px)))
    if not mosaic:
        return phase
    return float(np.hypot(phase, 0.043 * np.exp(-(max(fwhm_px, 1.2) - 1.6) / 0.45)))


def _least_ratio(shape: Shape, mosaic: bool) -> float:
    """Neighbours over peak below which a detection is a hot pixel and not a star.

    A star centred on a pixel has the smallest ratio: (t + t^2) / 2 with t the light of a side
    pixel over that of the middle one. Half of it, at most 0.2, is the limit (0.2 keeps stars
    from FWHM 2 px on and drops hot pixels, measured). In a mosaic a coloured star has dimmer
    neighbours.
    """
    sigma = max(_short_axis(np.array([[shape.xx, shape.yy, shape.xy]]))[0], 0.4)
    middle, edge = erf(0.5 / sigma / np.sqrt(2)), erf(1.5 / sigma / np.sqrt(2))
    t = 0.5 * (edge - middle) / middle
    return float(min(0.2, 0.25 * (t + t * t)) * (0.6 if mosaic else 1.0))


def saturation_level(canvas: Canvas, frame: Frame, found: Candidates) -> float:
    """Counts from which a pixel is taken as full."""
    if frame.saturation_adu is not None:
        return 0.98 * frame.saturation_adu
    top = found.take(slice(0, 200))
    peaks = canvas.raw_squares(np.rint(top.y).astype(int), np.rint(top.x).astype(int), 2)
    highest = np.sort(peaks.reshape(len(peaks), -1).max(axis=1))[::-1]
    # Several stars that end at the very same value have met the ceiling of the converter.
    if highest.size >= 3 and highest[2] >= 0.999 * highest[0] and highest[0] > 0:
        return 0.98 * float(highest[0])
    if canvas.data.dtype.kind == "f":
        return float("inf")
    return 0.98 * float(np.iinfo(canvas.data.dtype.str).max)


@dataclass(frozen=True)
class Measured:
    """Fitted stars in pixels of the canvas."""

    fits: Fits
    x: Doubles
    y: Doubles
    flux: Doubles
    peak: Doubles
    hfd: Doubles
    sigma: Doubles
    cov: Doubles
    """(N, 3): xx, yy, xy of the star image, pixel included."""
    saturated: NDArray[np.bool_]
    keep: NDArray[np.bool_]
    stamp_reach: float
    """How far stamps went from their middle, pixels of the canvas."""


def measure(
    canvas: Canvas,
    frame: Frame,
    level: Level,
    found: Candidates,
    fwhm: float,
    noise: float,
    background: float,
    saturation: float,
    options: DetectOptions,
) -> Measured | None:
    """Fit the stars on the finest picture on which they are not needlessly large.

    None when only hot pixels were found.
    """
    bin_, shift = (level.bin, level.shift) if fwhm > 6.0 and level.bin > 1 else (1, 0.0)
    photon = 1.0 / (_gain(canvas, frame, level, background, options) * bin_**2)

    mosaic_variance = 0.5 if canvas.mosaic and bin_ == 1 else 0.0
    sigma2 = max((fwhm / bin_ / _FWHM_PER_SIGMA) ** 2, 0.3) + mosaic_variance
    shape = Shape(sigma2, sigma2, 0.0)
    spread = 0.6

    def fit(some: Candidates) -> tuple[Fits, _Cut]:
        cut = _cut(canvas, level, bin_, some, shape, background, saturation)
        local = max(noise / bin_, 1e-30) * _relative_noise(level, some)
        expected = Expected(shape, spread, photon, roughness=0.3 if bin_ > 1 else 0.01)
        return fit_stars(Stamps(cut.grey, cut.usable, *cut.start, local), expected), cut

    examples = _examples(canvas, found, saturation, options.learn_from)
    for _ in range(2):  # learn the star image, then once more with stamps of the right size
        fits, cut = fit(examples)
        shape, spread = _typical_shape(fits, cut.saturated, shape)
    if bin_ == 1:
        found = found.take(found.ratio > _least_ratio(shape, canvas.mosaic))
        if found.x.size == 0:
            return None
    found = found.take(slice(0, options.max_stars + options.max_stars // 8 + 20))
    fits, cut = fit(found)

    pixel = 1.0 / 12.0 if samples_pixel(shape.fwhm) else 0.0
    cov = np.stack([fits.xx + pixel, fits.yy + pixel, fits.xy], axis=-1) - mosaic_variance * (
        np.array([1.0, 1.0, 0.0])
    )
    cov[:, :2] = np.maximum(cov[:, :2], pixel + 0.02)
    width = _FWHM_PER_SIGMA * np.sqrt(np.sqrt(np.maximum(cov[:, 0] * cov[:, 1], 1e-12)))
    typical = float(np.sqrt(shape.xx + pixel - mosaic_variance)) * _FWHM_PER_SIGMA
    keep = _stars(fits, cut, shape, width > typical, options.min_snr)
    excess, beyond = _wings(canvas, level, bin_, cut, fits, shape)
    hfd = _half_flux_diameter(cut, fits, fits.level - excess * fits.flux, beyond * fits.flux)
    # A mosaic is smoothed, and light is taken as evenly spread over a pixel, of the binned picture
    # where that is measured: all but one pixel of the frame is taken off again, as for Gaussians.
    smoothing = _FWHM_PER_SIGMA**2 * (mosaic_variance + (2.0 - 1.0 / bin_**2) / 12.0)
    floor = centroid_floor(float(np.median(width)) * bin_, options.floor_px, canvas.mosaic)
    sigma = np.hypot(fits.sigma * bin_, floor)
    sigma = np.where(cut.saturated, np.hypot(sigma, 0.1 * width * bin_), sigma)
    x, y = bin_ * (cut.column + fits.x) + shift, bin_ * (cut.row + fits.y) + shift
    # What stands out of the sky grows with the star; a fit to the rim of a full one is a guess.
    flux = np.where(cut.saturated, found.flux, fits.flux * bin_**2)
    hfd = np.sqrt(np.maximum(hfd**2 - smoothing, 0.25 * hfd**2)) * bin_
    burnt = cut.saturated & (~keep | (sigma > 0.5 * found.fwhm)) & (found.ratio > _SURELY_STARS)
    if bin_ == 1 and burnt.any():
        wide = found.fwhm[burnt]
        x[burnt], y[burnt] = _middles(canvas, found.take(burnt), background, noise)
        cov[burnt] = (wide[:, None] / _FWHM_PER_SIGMA) ** 2 * np.array([1.0, 1.0, 0.0])
        sigma[burnt], hfd[burnt] = np.hypot(0.1 * wide, 0.1), wide
        keep = keep | burnt
    return Measured(
        fits=fits,
        x=x,
        y=y,
        flux=flux,
        peak=cut.highest - background,
        hfd=hfd,
        sigma=sigma,
        cov=cov * bin_**2,
        saturated=cut.saturated,
        keep=keep,
        stamp_reach=float(bin_ * (cut.grey.shape[1] // 2)),
    )


def _examples(canvas: Canvas, found: Candidates, saturation: float, most: int) -> Candidates:
    """The brightest stars that are not full, from which the star image is learnt.

    On a long exposure the brightest hundreds may all be full. Where too few are left, the
    brightest of all serve.
    """
    rows, columns = np.rint(found.y).astype(np.int64), np.rint(found.x).astype(np.int64)
    highest = canvas.raw_squares(rows, columns, 2).max(axis=(1, 2))
    brightest = slice(0, most)
    if (highest[brightest] < saturation).sum() >= min(_ENOUGH_EXAMPLES, found.x.size):
        return found.take(brightest)
    below = found.take((highest < saturation) & (found.ratio > _SURELY_STARS))
    return below.take(brightest) if below.x.size >= 3 else found.take(brightest)


def _middles(
    canvas: Canvas, stars: Candidates, background: float, noise: float
) -> tuple[Doubles, Doubles]:
    """Centroids (N,), (N,) of stars so full that no rim is left to fit: of what stands out."""
    column, row = np.rint(stars.x).astype(np.int64), np.rint(stars.y).astype(np.int64)
    reach = int(np.clip(np.ceil(1.5 * float(np.max(stars.fwhm))), 4, 16))
    _, raw, inside = canvas.stamps(row, column, reach)
    light = np.where(inside, raw - background - 5.0 * noise, 0.0).clip(min=0.0)
    offsets = np.arange(-reach, reach + 1)
    x, y = np.zeros(len(row)), np.zeros(len(row))
    for _ in range(3):
        right = offsets[None, None, :] - x[:, None, None]
        down = offsets[None, :, None] - y[:, None, None]
        near = right**2 + down**2 <= np.minimum(1.5 * stars.fwhm, reach)[:, None, None] ** 2
        weight = np.where(near, light, 0.0)
        total = np.maximum(weight.sum(axis=(1, 2)), 1e-30)
        x = x + (weight * right).sum(axis=(1, 2)) / total
        y = y + (weight * down).sum(axis=(1, 2)) / total
    return column + x, row + y


@dataclass(frozen=True)
class _Cut:
    """Stamps around stars and where they were cut, in pixels of the picture they come from."""

    row: Integers
    column: Integers
    start: tuple[Doubles, Doubles]
    """x and y of each star from the middle pixel of its stamp."""
    grey: Floats
    usable: NDArray[np.bool_]
    full: NDArray[np.bool_]
    """Pixels of the star that hold no more than the converter can tell."""
    highest: Doubles
    saturated: NDArray[np.bool_]


def _gain(
    canvas: Canvas, frame: Frame, level: Level, background: float, options: DetectOptions
) -> float:
    """Electrons per count: as told, else as usual, also where counts are scaled to 0 ... 1."""
    if frame.gain_e_per_adu:
        return frame.gain_e_per_adu
    unit = background + float(level.image.max(initial=0.0)) <= 1.5
    scaled = frame.gain_e_per_adu is None and canvas.data.dtype.kind == "f" and unit
    return options.gain_e_per_adu * (65535.0 if scaled else 1.0)


def _stars(
    fits: Fits, cut: _Cut, shape: Shape, wide: NDArray[np.bool_], min_snr: float
) -> NDArray[np.bool_]:
    """Which fits are stars: sure, near where they were found, and not sharper than the lens."""
    snr = fits.flux / np.maximum(fits.flux_sigma, 1e-30)
    moved = np.hypot(fits.x - cut.start[0], fits.y - cut.start[1])
    short = _short_axis(np.stack([fits.xx, fits.yy, fits.xy], axis=-1))
    usual = _short_axis(np.array([[shape.xx, shape.yy, shape.xy]]))[0]
    keep = fits.good & (snr >= min_snr) & (moved < 1.0 + 1.2 * shape.long_sigma * 2.0)
    return np.asarray(keep & (cut.saturated | (short > 0.4 * usual) | wide))


def _cut(
    canvas: Canvas,
    level: Level,
    bin_: int,
    stars: Candidates,
    shape: Shape,
    background: float,
    saturation: float,
) -> _Cut:
    """Cut the stamps that hold the stars, with full pixels and far corners masked."""
    shift = 0.0 if bin_ == 1 else level.shift
    x, y = (stars.x - shift) / bin_, (stars.y - shift) / bin_
    column, row = np.rint(x).astype(np.int64), np.rint(y).astype(np.int64)
    reach = int(np.clip(np.ceil(2.8 * shape.long_sigma + 1.0), 3, 24))
    offsets = np.arange(-reach, reach + 1)
    circle = offsets[:, None] ** 2 + offsets**2 <= (reach + 0.5) ** 2
    grey, raw, inside = _squares(canvas, level, bin_, row, column, reach)
    if bin_ == 1:
        middle = slice(max(0, reach - 2), reach + 3)
        highest = raw[:, middle, middle].max(axis=(1, 2)).astype(np.float64)
        full = raw >= saturation
    else:
        area = canvas.raw_squares(bin_ * row + bin_ // 2, bin_ * column + bin_ // 2, bin_ * 2)
        highest = area.max(axis=(1, 2)).astype(np.float64)
        full = grey + background >= saturation
    return _Cut(
        row=row,
        column=column,
        start=(x - column, y - row),
        grey=grey,
        usable=inside & circle & ~full,
        full=inside & circle & full,
        highest=highest,
        saturated=highest >= saturation,
    )


def _squares(
    canvas: Canvas, level: Level, bin_: int, row: Integers, column: Integers, reach: int
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Squares of the picture that is measured: grey, highest, and whether inside; (N, S, S)."""
    if bin_ == 1:
        return canvas.stamps(row, column, reach)
    offsets = np.arange(reach + 1 + reach)
    pad = np.pad(level.image, reach, mode="edge")
    rows, columns = row[:, None] + offsets, column[:, None] + offsets
    grey = pad[rows[:, :, None], columns[:, None]]
    inside = np.ones(grey.shape, dtype=bool)
    inside &= ((rows >= reach) & (rows < level.image.shape[0] + reach))[:, :, None]
    inside &= ((columns >= reach) & (columns < level.image.shape[1] + reach))[:, None]
    return grey, grey, inside


def _wings(
    canvas: Canvas, level: Level, bin_: int, cut: _Cut, fits: Fits, shape: Shape
) -> tuple[float, float]:
    """What the frame's stars have outside of a Gaussian, as fractions of their fitted flux.

    The fit takes wings inside its stamp for sky, and what is farther out is not in it. Wider
    stamps of the brightest stars tell both; medians over stars and over pixels of a ring leave
    neighbours out.

    As far as the stars are too faint to tell, usual wings are taken: those of a Moffat star of
    exponent 3 (between Gaussian and 2.5, common practice), by what is measured on bright ones.

    Returns:
        Light a pixel that the fitted levels hold, and light beyond the stamps.
    """
    inner = cut.grey.shape[1] // 2 + 0.5
    within = np.pi * inner**2
    usual = _USUAL_EXCESS / within, _USUAL_BEYOND
    sure = np.flatnonzero(fits.good & ~cut.saturated & (fits.flux > 0.0))
    sure = sure[np.argsort(-fits.flux[sure], kind="stable")][:_WINGED]
    if sure.size == 0:
        return usual
    outer = max(_WING_REACH * shape.fwhm, inner + 1.0)
    reach = int(np.ceil(outer + 3.0))
    grey, _, inside = _squares(canvas, level, bin_, cut.row[sure], cut.column[sure], reach)
    offsets = np.arange(-reach, reach + 1)
    radius = np.hypot(
        offsets[None, None, :] - fits.x[sure, None, None],
        offsets[None, :, None] - fits.y[sure, None, None],
    )
    flux = fits.flux[sure, None, None]
    rim = np.where(inside & (radius > outer), grey, np.nan).reshape(sure.size, -1)
    sky = np.nanmedian(rim, axis=1)
    noise = 1.4826 * np.nanmedian(np.abs(rim - sky[:, None]), axis=1)
    light = np.where(inside, grey - sky[:, None, None], np.nan) / flux
    area = np.pi * (outer**2 - inner**2)
    doubt = np.maximum(1.25 * np.sqrt(area) * noise / fits.flux[sure], 1e-6)
    variance = 1.0 / np.sum(doubt**-2.0)
    told = _USUAL_SIGMA**2 / (_USUAL_SIGMA**2 + variance)
    edges = np.linspace(inner, outer, max(2, round(outer - inner) + 1))
    beyond = 0.0
    for low, high in itertools.pairwise(edges):
        ring = light[(radius >= low) & (radius < high)]
        if ring.size:
            beyond += float(np.nanmedian(ring)) * np.pi * (high**2 - low**2)
    excess = float(np.median((fits.level[sure] - sky) / fits.flux[sure]))
    measured = max(excess, 0.0), min(max(beyond, 0.0), _MOST_BEYOND)
    return (
        told * measured[0] + (1.0 - told) * usual[0],
        told * measured[1] + (1.0 - told) * usual[1],
    )


def _relative_noise(level: Level, stars: Candidates) -> Doubles:
    """Background noise at the stars over its typical value."""
    rows, columns = level.local_noise.shape
    y = np.clip(stars.y / (2 * level.bin), 0, rows - 1).astype(int)
    x = np.clip(stars.x / (2 * level.bin), 0, columns - 1).astype(int)
    return np.asarray(level.local_noise[y, x], dtype=np.float64)


def _typical_shape(fits: Fits, saturated: NDArray[np.bool_], before: Shape) -> tuple[Shape, float]:
    """Median star image of the well measured stars, and how freely single ones may differ."""
    sure = fits.good & ~saturated & (fits.flux > 20.0 * fits.flux_sigma)
    if sure.sum() < 3:
        sure = fits.good & ~saturated & (fits.flux > 7.0 * fits.flux_sigma)
    if not sure.any():
        return before, 0.3
    xx, yy, xy = (np.median(v[sure]) for v in (fits.xx, fits.yy, fits.xy))
    size = np.sqrt(np.maximum((fits.xx + fits.yy)[sure], 1e-12))
    scatter = 1.4826 * float(np.median(np.abs(size / np.median(size) - 1.0)))
    limit = 0.97 * float(np.sqrt(xx * yy))
    shape = Shape(float(xx), float(yy), float(np.clip(xy, -limit, limit)))
    return shape, float(np.clip(2.0 * scatter, 0.1, 0.6))


def _short_axis(cov: Doubles) -> Doubles:
    """Standard deviation along the short axis of (N, 3) covariances."""
    mean = 0.5 * (cov[:, 0] + cov[:, 1])
    half = np.hypot(0.5 * (cov[:, 0] - cov[:, 1]), cov[:, 2])
    return np.asarray(np.sqrt(np.maximum(mean - half, 1e-6)))


def _half_flux_diameter(cut: _Cut, fits: Fits, sky: Doubles, beyond: Doubles) -> Doubles:
    """Diameter of the circle about the centroid that holds half of a star's light (pixels).

    Args:
        cut: the stamps.
        fits: centroids.
        sky: (N,) counts a pixel without the star.
        beyond: (N,) light outside of the stamp.
    """
    side = cut.grey.shape[1]
    offsets = np.arange(side, dtype=np.float32) - side // 2
    x = fits.x.astype(np.float32)[:, None, None]
    y = fits.y.astype(np.float32)[:, None, None]
    radius = np.hypot(offsets[None, None, :] - x, offsets[None, :, None] - y)
    radii, shares = _pixel_shares(side)
    place = np.minimum(np.rint(radius * _SHARE_STEPS).astype(np.intp), shares.shape[1] - 1)
    light = np.where(cut.usable, cut.grey - sky.astype(np.float32)[:, None, None], 0.0)
    burnt = np.flatnonzero(cut.full.any(axis=(1, 2)))
    if burnt.size:  # else the middle of a full star would be a hole
        light[burnt] += np.where(cut.full[burnt], fitted_light(fits, burnt, side), 0.0)
    growth = np.stack([(light * share[place]).sum(axis=(1, 2)) for share in shares], axis=1)
    half = 0.5 * np.maximum(growth[:, -1] + beyond, 1e-30)
    above = growth >= half[:, None]
    k = np.maximum(above.argmax(axis=1), 1)
    index = np.arange(len(growth))
    low, high = growth[index, k - 1], growth[index, k]
    part = np.clip((half - low) / np.maximum(high - low, 1e-30), 0.0, 1.0)
    # Between two circles the light goes as the area.
    squared = radii[k - 1] ** 2 + part * (radii[k] ** 2 - radii[k - 1] ** 2)
    return np.asarray(2.0 * np.sqrt(squared), dtype=np.float64)


@lru_cache(maxsize=32)
def _pixel_shares(side: int) -> tuple[Doubles, Floats]:
    """Radii (R,) of circles, and the part of a pixel inside each by the pixel's distance (R, D).

    Distances are in steps of 1 / `_SHARE_STEPS`; a pixel is turned to any angle.
    """
    radii = np.linspace(0.0, side // 2 + 0.5, max(12, side))
    distance = np.arange(int(1.5 * side * _SHARE_STEPS)) / _SHARE_STEPS
    at = (np.arange(9) - 4.0) / 9.0
    right, up = (v.ravel() for v in np.meshgrid(at, at))
    shares = np.zeros((radii.size, distance.size), dtype=np.float32)
    for turn in np.pi / 4.0 * (np.arange(4) + 0.5) / 4.0:
        u = np.cos(turn) * right - np.sin(turn) * up
        v = np.sin(turn) * right + np.cos(turn) * up
        away = np.hypot(distance[:, None] + u, v)
        for row, radius in enumerate(radii):
            shares[row] += (away <= radius).mean(axis=1, dtype=np.float32) / 4.0
    return radii, shares


def listed(
    m: Measured,
    canvas: Canvas,
    frame: Frame,
    background: float,
    noise: float,
    options: DetectOptions,
) -> StarList:
    """Sort, drop what fell on the same star or off the frame, and turn back to frame axes."""
    rows, columns = canvas.shape
    keep = m.keep & (m.x >= -0.5) & (m.x <= columns - 0.5) & (m.y >= -0.5) & (m.y <= rows - 0.5)
    order = np.flatnonzero(keep)
    order = order[np.argsort(-m.flux[order], kind="stable")]
    if order.size:
        place = np.stack([m.x[order], m.y[order]], axis=-1)
        near = float(np.clip(0.25 * np.median(m.hfd[order]), 0.5, 8.0))
        pairs = cKDTree(place).query_pairs(near, output_type="ndarray")
        order = np.delete(order, np.unique(pairs.max(axis=1))) if pairs.size else order
    order = order[: options.max_stars]
    xx, yy, xy = m.cov[order].T
    x, y = m.x[order], m.y[order]
    if canvas.swapped:
        x, y, xx, yy = y, x, yy, xx
    mean, half = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    long, short = mean + half, np.maximum(mean - half, 1e-3)
    return StarList(
        x=x,
        y=y,
        flux=m.flux[order],
        peak=m.peak[order],
        sigma_px=m.sigma[order],
        hfd_px=m.hfd[order],
        fwhm_px=_FWHM_PER_SIGMA * (long * short) ** 0.25,
        elongation=np.sqrt(long / short),
        theta=0.5 * np.arctan2(2.0 * xy, xx - yy),
        saturated=m.saturated[order],
        width=frame.width,
        height=frame.height,
        background_adu=background,
        noise_adu=noise,
    )


def _no_stars(frame: Frame, background: float, noise: float) -> StarList:
    nothing = np.zeros(0)
    return StarList(
        *(nothing,) * 9,
        saturated=np.zeros(0, dtype=np.bool_),
        width=frame.width,
        height=frame.height,
        background_adu=background,
        noise_adu=noise,
    )
