"""The image of a star, integrated over pixels at any sub-pixel place.

A Moffat profile (seeing, diffraction and optics together), spread over the defocus disc if there
is one. Stamps are tabulated on a grid of sub-pixel shifts and interpolated between them, which
keeps the centroid exact: the mean of two shifted copies has the mean shift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import ARCSEC
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, pixel_arcsec

_BETA = 3.0
"""Moffat's exponent: between a Gaussian (infinite) and the 2.5 of broad wings (common practice)."""
_LARGEST_RADIUS = 160
_WAVELENGTH_M = 0.55e-6
_CHUNK = 2_000_000

Floats32 = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class StarImage:
    """Tabulated stamps of one star shape."""

    radius: int
    """Stamps reach this many pixels from the central one."""
    phases: int
    """Sub-pixel steps per pixel."""
    stamps: Floats32
    """(phases + 1, phases + 1, 2 radius + 1, 2 radius + 1): y shift, x shift, row, column; shifts
    from -1/2 to +1/2 pixel; each sums to 1 for an unshifted star."""
    edge: NDArray[np.float64]
    """(radius + 1,) brightest value at or beyond each distance from the centre, central star."""


def width_px(optics: OpticsSpec, sensor: SensorSpec, binning: int, extra_px: float) -> float:
    """Return the full width at half maximum of a star in focus, in binned pixels.

    Widths add in squares (exact for Gaussians, close enough here). Diffraction: 1.03
    wavelengths over the aperture, the width of the Airy pattern.
    """
    arcsec = pixel_arcsec(optics, sensor, binning)
    diffraction = 1.03 * _WAVELENGTH_M / (optics.aperture_mm * 1e-3) / ARCSEC
    return math.sqrt(
        (optics.seeing_fwhm_arcsec / arcsec) ** 2
        + (diffraction / arcsec) ** 2
        + (optics.spot_fwhm_um / (sensor.pixel_um * binning)) ** 2
        + (extra_px / binning) ** 2
    )


def star_image(
    optics: OpticsSpec, sensor: SensorSpec, binning: int = 1, extra_px: float = 0.0
) -> StarImage:
    """Return the star shape; ``extra_px`` is further blur (FWHM, unbinned pixels)."""
    disc = optics.defocus_um / (sensor.pixel_um * binning)
    return _tabulate(
        round(max(0.3, width_px(optics, sensor, binning, extra_px)), 3),
        round(disc, 2),
        optics.obstruction,
    )


@lru_cache(maxsize=6)
def _tabulate(fwhm: float, disc: float, obstruction: float) -> StarImage:
    size = max(fwhm, disc / 2.0)
    phases = 8 if size < 3.0 else 4 if size < 8.0 else 2
    fine = phases if fwhm > 0.8 else 2 * phases
    radius = min(_LARGEST_RADIUS, math.ceil(disc / 2.0 + max(12.0, 15.0 * fwhm)))
    half = radius + 1
    at = (np.arange(2 * half * fine) + 0.5) / fine - half
    squared = at[:, None] ** 2 + at[None, :] ** 2
    alpha = fwhm / (2.0 * math.sqrt(2.0 ** (1.0 / _BETA) - 1.0))
    profile = (1.0 + squared / alpha**2) ** -_BETA
    if disc > 0.3:
        reach = math.ceil(disc / 2.0 * fine) + 1
        ring = np.arange(-reach, reach + 1) / fine
        distance = np.sqrt(ring[:, None] ** 2 + ring[None, :] ** 2)
        # Edges fade over one fine cell, so that small discs keep their size.
        pupil = np.clip((disc / 2.0 - distance) * fine + 0.5, 0.0, 1.0)
        pupil *= np.clip((distance - obstruction * disc / 2.0) * fine + 0.5, 0.0, 1.0)
        from scipy.signal import fftconvolve  # slow to load

        profile = np.maximum(fftconvolve(profile, pupil, mode="same"), 0.0)
    summed = np.zeros((profile.shape[0] + 1, profile.shape[1] + 1))
    np.cumsum(np.cumsum(profile, axis=0), axis=1, out=summed[1:, 1:])
    summed /= summed[-1, -1]
    pixels = fine * (np.arange(-radius, radius + 1) + half)
    step = fine // phases
    stamps = np.empty((phases + 1, phases + 1, pixels.size, pixels.size), dtype=np.float32)
    for down in range(phases + 1):
        for right in range(phases + 1):
            # A pixel's lower edge seen from a star shifted by -1/2 + p/phases lies on a fine edge.
            y, x = pixels - down * step, pixels - right * step
            stamps[down, right] = (
                summed[np.ix_(y + fine, x + fine)]
                - summed[np.ix_(y, x + fine)]
                - summed[np.ix_(y + fine, x)]
                + summed[np.ix_(y, x)]
            )
    row = stamps[phases // 2, phases // 2, radius, radius:].astype(np.float64)
    return StarImage(radius, phases, stamps, np.maximum.accumulate(row[::-1])[::-1])


def _stamp_radii(image: StarImage, flux: NDArray[np.float64], floor: float) -> NDArray[np.intp]:
    """Per star, the smallest radius of a coarse ladder beyond which it adds less than ``floor``."""
    ladder = [r for r in (2, 3, 4, 5, 7, 10, 14, 20, 28, 40, 56, 80, 113) if r < image.radius]
    radii = np.array([*ladder, image.radius])
    at_edge = image.edge[radii]
    # edge falls outwards: count the rungs that are still too bright.
    needed = np.sum(flux[:, None] * at_edge[None, :-1] > floor, axis=1)
    return np.asarray(radii[needed])


def add_stars(
    canvas: Floats32,
    image: StarImage,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    flux: NDArray[np.float64],
    floor: float,
    tiles: NDArray[np.float64] | None = None,
) -> None:
    """Add stars to a canvas (H, W) in place.

    Args:
        canvas: electrons.
        image: the star shape.
        x: (N,) pixel columns; may lie outside the canvas.
        y: (N,) pixel rows.
        flux: (N,) electrons.
        floor: a stamp ends where the star adds less than this (electrons per pixel).
        tiles: (N, 2, 2) factor of the pixels of a 2x2 mosaic, [row & 1, column & 1].
    """
    height, width = canvas.shape
    flat = canvas.reshape(-1)
    radii = _stamp_radii(image, flux, floor)
    column, row = np.rint(x), np.rint(y)
    near = (column >= -radii) & (column < width + radii) & (row >= -radii) & (row < height + radii)
    for radius in np.unique(radii[near]):
        group = np.flatnonzero(near & (radii == radius))
        side = 2 * int(radius) + 1
        chunk = max(1, _CHUNK // side**2)
        crop = image.stamps[
            :,
            :,
            image.radius - radius : image.radius + radius + 1,
            image.radius - radius : image.radius + radius + 1,
        ]
        for start in range(0, group.size, chunk):
            part = group[start : start + chunk]
            _add_group(
                flat,
                width,
                height,
                crop,
                x[part],
                y[part],
                flux[part],
                None if tiles is None else tiles[part],
            )


def _add_group(
    flat: Floats32,
    width: int,
    height: int,
    crop: Floats32,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    flux: NDArray[np.float64],
    tiles: NDArray[np.float64] | None,
) -> None:
    phases = crop.shape[0] - 1
    radius = crop.shape[2] // 2
    column, row = np.rint(x).astype(np.int64), np.rint(y).astype(np.int64)
    right, down = (x - column + 0.5) * phases, (y - row + 0.5) * phases
    i = np.clip(right.astype(np.int64), 0, phases - 1)
    j = np.clip(down.astype(np.int64), 0, phases - 1)
    u, v = right - i, down - j
    corners = ((j, i, (1 - v) * (1 - u)), (j, i + 1, (1 - v) * u),
               (j + 1, i, v * (1 - u)), (j + 1, i + 1, v * u))  # fmt: skip
    value = np.zeros((x.size, *crop.shape[2:]), dtype=np.float32)
    for at_j, at_i, weight in corners:
        value += crop[at_j, at_i] * (weight * flux).astype(np.float32)[:, None, None]
    steps = np.arange(-radius, radius + 1)
    rows, columns = row[:, None] + steps, column[:, None] + steps
    if tiles is not None:
        star = np.arange(x.size)[:, None, None]
        value *= tiles[star, (rows & 1)[:, :, None], (columns & 1)[:, None, :]].astype(np.float32)
    index = rows[:, :, None] * width + columns[:, None, :]
    inside = ((rows >= 0) & (rows < height)).all(1) & ((columns >= 0) & (columns < width)).all(1)
    np.add.at(flat, index[inside].ravel(), value[inside].ravel())
    if not inside.all():
        cut = ~inside
        ok = ((rows >= 0) & (rows < height))[cut][:, :, None] & (
            (columns >= 0) & (columns < width)
        )[cut][:, None, :]
        np.add.at(flat, index[cut][ok], value[cut][ok])
