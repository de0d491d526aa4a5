"""Invented star fields with known truth, for the tests of detection only.

Stars are Gaussians integrated over each pixel (error function), or any radial profile sampled
finely; noise is Poisson for the light plus Gaussian read noise. Nothing here is shared with the
code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from polewright.calculation.images.frame import Frame, SensorKind

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Field:
    """What to draw. Fluxes and levels in electrons."""

    width: int = 900
    height: int = 600
    x: Array = field(default_factory=lambda: np.zeros(0))
    y: Array = field(default_factory=lambda: np.zeros(0))
    flux_e: Array = field(default_factory=lambda: np.zeros(0))
    fwhm_px: float = 2.6
    elongation: float = 1.0
    """Long over short width before pixels; the long one is along ``theta``."""
    theta: float = 0.0
    sky_e: float = 300.0
    gradient: float = 0.0
    """Sky at the right edge is higher than at the left by this fraction."""
    vignetting: float = 0.0
    """Light lost in the corners, fraction."""
    read_noise_e: float = 3.0
    gain_e_per_adu: float = 0.8
    bias_adu: float = 500.0
    full_adu: float = 65535.0


def random_stars(
    rng: np.random.Generator,
    count: int,
    width: int,
    height: int,
    *,
    faint_e: float = 2e3,
    bright_e: float = 2e5,
    apart_px: float = 25.0,
    edge_px: float = 15.0,
) -> tuple[Array, Array, Array]:
    """Places at least ``apart_px`` apart and fluxes spread evenly in magnitude."""
    xs: list[float] = []
    ys: list[float] = []
    while len(xs) < count:
        x = rng.uniform(edge_px, width - 1 - edge_px)
        y = rng.uniform(edge_px, height - 1 - edge_px)
        if not xs or np.min(np.hypot(np.array(xs) - x, np.array(ys) - y)) > apart_px:
            xs.append(x)
            ys.append(y)
    flux = np.exp(rng.uniform(np.log(faint_e), np.log(bright_e), count))
    return np.array(xs), np.array(ys), flux


def _stamp(dx: Array, dy: Array, spec: Field) -> Array:
    """Light of a star of flux 1 in pixels at offsets dx (W,), dy (H,) from its centre."""
    sigma = spec.fwhm_px / np.sqrt(8 * np.log(2))
    if spec.elongation == 1.0:

        def edge(d: Array) -> Array:
            return 0.5 * (erf((d + 0.5) / sigma / np.sqrt(2)) - erf((d - 0.5) / sigma / np.sqrt(2)))

        return edge(dy)[:, None] * edge(dx)[None, :]
    total = np.zeros((dy.size, dx.size))
    fine = (np.arange(7) - 3) / 7
    long, short = sigma * np.sqrt(spec.elongation), sigma / np.sqrt(spec.elongation)
    for oy in fine:
        for ox in fine:
            gx, gy = np.meshgrid(dx + ox, dy + oy)
            u = gx * np.cos(spec.theta) + gy * np.sin(spec.theta)
            v = -gx * np.sin(spec.theta) + gy * np.cos(spec.theta)
            total += np.exp(-0.5 * ((u / long) ** 2 + (v / short) ** 2))
    return total / (49 * 2 * np.pi * sigma**2)


def ideal(spec: Field) -> Array:
    """Expected electrons of light in every pixel (H, W)."""
    yy, xx = np.mgrid[0 : spec.height, 0 : spec.width].astype(np.float64)
    image = spec.sky_e * (1.0 + spec.gradient * xx / spec.width)
    reach = int(np.ceil(4 * spec.fwhm_px * np.sqrt(spec.elongation))) + 2
    for x, y, flux in zip(spec.x, spec.y, spec.flux_e, strict=True):
        x0, x1 = max(0, round(x) - reach), min(spec.width, round(x) + reach + 1)
        y0, y1 = max(0, round(y) - reach), min(spec.height, round(y) + reach + 1)
        if x0 < x1 and y0 < y1:
            image[y0:y1, x0:x1] += flux * _stamp(np.arange(x0, x1) - x, np.arange(y0, y1) - y, spec)
    if spec.vignetting:
        r2 = (xx - spec.width / 2) ** 2 + (yy - spec.height / 2) ** 2
        image *= 1.0 - spec.vignetting * r2 / (spec.width**2 / 4 + spec.height**2 / 4)
    return image


def expose(light_e: Array, spec: Field, rng: np.random.Generator) -> NDArray[np.uint16]:
    """Counts of a camera that caught ``light_e`` electrons (any shape)."""
    electrons = rng.poisson(light_e) + rng.normal(0.0, spec.read_noise_e, light_e.shape)
    counts = np.rint(electrons / spec.gain_e_per_adu + spec.bias_adu)
    return np.clip(counts, 0, spec.full_adu).astype(np.uint16)


def mono_frame(spec: Field, rng: np.random.Generator, *, tell_gain: bool = True) -> Frame:
    """An exposure of the field by a monochrome camera."""
    return Frame(
        pixels=expose(ideal(spec), spec, rng),
        utc_mid_s=0.0,
        exposure_s=1.0,
        sensor=SensorKind.MONO,
        saturation_adu=spec.full_adu,
        gain_e_per_adu=spec.gain_e_per_adu if tell_gain else None,
    )
