"""Fits Gaussians, integrated over pixels, to many stars at once.

Model of a stamp: ``flux * g(x - x0, y - y0; C) + level``, with g a two-dimensional Gaussian of
covariance matrix C averaged over the pixel by Gauss-Legendre points, so that stars narrower than
two pixels are not pulled towards pixel centres. Weighted Gauss-Newton steps on seven parameters;
the derivative by C follows from the heat equation (dg/dCxx = gxx / 2, dg/dCxy = gxy). Weights are
the inverse variance of background plus photon noise of the model, so that the error of each
position stays close to its Cramer-Rao bound, pixels and all. Own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

#: Fraction by which real stars differ from the model, used to weigh pixels of bright stars.
_MODEL_ERROR = 0.02
_FLUX, _X, _Y, _LEVEL, _XX, _YY, _XY = range(7)
_PARAMETERS = ("flux", "x", "y", "level", "xx", "yy", "xy")


@dataclass(frozen=True)
class Shape:
    """Covariance (pixels squared) of the star image before it is integrated over pixels."""

    xx: float
    yy: float
    xy: float

    @property
    def fwhm(self) -> float:
        """Geometric mean of both widths (pixels)."""
        return float(np.sqrt(8 * np.log(2)) * max(self.xx * self.yy - self.xy**2, 1e-12) ** 0.25)

    @property
    def long_sigma(self) -> float:
        """Standard deviation along the long axis (pixels)."""
        mean, half = 0.5 * (self.xx + self.yy), np.hypot(0.5 * (self.xx - self.yy), self.xy)
        return float(np.sqrt(mean + half))


@dataclass(frozen=True)
class Fits:
    """Results, each (N,); positions relative to the middle pixel of the stamp."""

    flux: Doubles
    x: Doubles
    y: Doubles
    level: Doubles
    xx: Doubles
    yy: Doubles
    xy: Doubles
    flux_sigma: Doubles
    sigma: Doubles
    """Error of the position along one coordinate; larger where the model does not fit."""
    good: NDArray[np.bool_]
    """Whether the steps converged inside the stamp."""


@dataclass(frozen=True)
class Stamps:
    """What is fitted: N squares of S by S pixels (S odd) around stars."""

    counts: Floats
    """(N, S, S)"""
    usable: NDArray[np.bool_]
    """(N, S, S); False for pixels that are left out."""
    x: Doubles
    """(N,) where the star is thought to be, from the middle of its stamp."""
    y: Doubles
    noise: Doubles
    """(N,) background noise of a pixel, counts."""

    def part(self, low: int, high: int) -> Stamps:
        """Return the stamps ``low`` up to ``high``."""
        return Stamps(*(getattr(self, field.name)[low:high] for field in fields(self)))


@dataclass(frozen=True)
class Expected:
    """What is known of the stars of a frame before they are fitted."""

    shape: Shape
    """Of a usual star; each star's own shape is pulled to it."""
    spread: float
    """1-sigma relative freedom of the widths about ``shape``."""
    photon_variance: float
    """Variance (counts squared) that one count of light adds."""
    roughness: float = 0.01
    """How far (over the star's peak) real stars may be from a Gaussian before their pixels are
    taken for a neighbour's: much for rings out of focus."""


def fit_stars(stamps: Stamps, expected: Expected, *, steps: int = 7) -> Fits:
    """Fit all stamps, in so many Gauss-Newton steps."""
    count, side, _ = stamps.counts.shape
    if count == 0:  # a cloud, a cap: every candidate was a hot pixel
        none = np.empty(0)
        return Fits(*(none,) * 9, good=np.empty(0, dtype=np.bool_))
    chunk = max(16, 40_000 // side**2)  # some megabytes at once, so that the work stays in cache
    # A fit that runs away squares to infinity and on to no number: `good` throws it out.
    with np.errstate(over="ignore", invalid="ignore"):
        parts = [
            _fit_chunk(stamps.part(low, low + chunk), expected, steps)
            for low in range(0, count, chunk)
        ]
    return Fits(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Fits)))


def _fit_chunk(stamps: Stamps, expected: Expected, steps: int) -> Fits:
    count, side, _ = stamps.counts.shape
    shape = expected.shape
    data = stamps.counts.reshape(count, -1)
    mask = stamps.usable.reshape(count, -1).astype(np.float32)
    py, px = (v.reshape(1, -1) for v in np.indices((side, side), dtype=np.float32) - side // 2)
    nodes = _nodes(shape.fwhm)

    prior = np.array([shape.xx, shape.yy, shape.xy])
    mean = 0.5 * (shape.xx + shape.yy)
    precision = 1.0 / (2.0 * expected.spread * mean) ** 2
    p = np.zeros((count, 7))
    p[:, _X], p[:, _Y] = stamps.x, stamps.y
    p[:, _XX:] = prior
    p[:, _LEVEL] = _rim_level(data, mask, px, py)
    base = (stamps.noise.astype(np.float32) ** 2)[:, None]
    reach = 0.5 * side
    p[:, _FLUX] = _first_flux(data, mask, p, px, py, nodes)
    for step in range(steps):
        basis = _basis(p, px, py, nodes)
        flux = p[:, _FLUX].astype(np.float32)[:, None]
        light = basis[:, _FLUX] * flux
        residual = data - light - p[:, _LEVEL].astype(np.float32)[:, None]
        lit = np.maximum(light, 0.0)
        counted = base + lit * np.float32(expected.photon_variance)
        variance = counted + (np.float32(_MODEL_ERROR) * lit) ** 2
        weight = mask / variance
        if step >= 2:
            loose = _loosely(variance, lit, expected.roughness)
            weight /= np.square(1.0 + residual**2 / (np.float32(25.0) * loose))
        basis[:, _X : _Y + 1] *= flux[:, None]
        basis[:, _XX:] *= flux[:, None]
        weighted = basis * weight[:, None]
        across = basis.transpose(0, 2, 1)
        normal = np.matmul(weighted, across).astype(np.float64)
        right = np.matmul(weighted, residual[:, :, None])[:, :, 0].astype(np.float64)
        delta = _step(normal, right, p, prior, precision, 0.4 * reach)
        p += delta
        _keep_sane(p, prior, mean, reach)
    covariance = _estimator_covariance(normal, weighted, across, weight * counted, precision)
    # Star images that differ a little from a Gaussian are no misfit, a neighbour is.
    misfit = (weight * variance / loose * residual**2).sum(axis=1)
    misfit /= np.maximum(mask.sum(axis=1) - 7.0, 1.0)
    worse = np.sqrt(np.maximum(misfit / (1.0 + 3.0 * np.sqrt(2.0) / side), 1.0))
    return _judged(p, delta, covariance, worse, reach)


def _judged(
    p: Doubles, last_step: Doubles, covariance: Doubles, worse: Doubles, reach: float
) -> Fits:
    """Name the parameters, and judge each fit; errors are ``worse`` than pure noise makes them."""
    sigma = np.sqrt(np.maximum(covariance[:, _X, _X] + covariance[:, _Y, _Y], 0.0) / 2) * worse
    change = np.hypot(last_step[:, _X], last_step[:, _Y])
    good = (
        (np.abs(p[:, _X]) < reach)
        & (np.abs(p[:, _Y]) < reach)
        & np.isfinite(sigma)
        & (sigma > 0.0)
        & (p[:, _FLUX] > 0.0)
        & (change < 0.1 + 3.0 * sigma)
    )
    return Fits(
        flux=p[:, _FLUX],
        x=p[:, _X],
        y=p[:, _Y],
        level=p[:, _LEVEL],
        xx=p[:, _XX],
        yy=p[:, _YY],
        xy=p[:, _XY],
        flux_sigma=np.sqrt(np.maximum(covariance[:, _FLUX, _FLUX], 1e-30)),
        sigma=sigma,
        good=good,
    )


def fitted_light(fits: Fits, which: NDArray[np.int64], side: int) -> Floats:
    """Return the light (M, S, S) that the fits have in the pixels of stamps of some stars (M,)."""
    py, px = (v.reshape(1, -1) for v in np.indices((side, side), dtype=np.float32) - side // 2)
    p = np.stack([getattr(fits, name)[which] for name in _PARAMETERS], axis=1)
    nodes = _nodes(Shape(*(float(np.median(p[:, k])) for k in (_XX, _YY, _XY))).fwhm)
    light = _basis(p, px, py, nodes)[:, _FLUX] * p[:, _FLUX].astype(np.float32)[:, None]
    return np.asarray(light.reshape(which.size, side, side))


def samples_pixel(fwhm: float) -> bool:
    """Whether a shape of this width is integrated over the pixel (else C contains the pixel)."""
    return len(_nodes(fwhm)) > 1


def _nodes(fwhm: float) -> list[tuple[float, float, float]]:
    """(dx, dy, weight) of the points that stand for a pixel: more for narrower stars."""
    order = 3 if fwhm < 1.8 else 2 if fwhm < 3.5 else 1
    at, weight = np.polynomial.legendre.leggauss(order)
    return [
        (0.5 * float(u), 0.5 * float(v), 0.25 * float(wu * wv))
        for u, wu in zip(at, weight, strict=True)
        for v, wv in zip(at, weight, strict=True)
    ]


def _basis(p: Doubles, px: Floats, py: Floats, nodes: list[tuple[float, float, float]]) -> Floats:
    """Derivatives (N, 7, P) of the model; those by position and shape for a flux of 1."""
    det = p[:, _XX] * p[:, _YY] - p[:, _XY] ** 2
    a = (p[:, _YY] / det).astype(np.float32)[:, None]
    b = (-p[:, _XY] / det).astype(np.float32)[:, None]
    c = (p[:, _XX] / det).astype(np.float32)[:, None]
    height = (1.0 / (2 * np.pi * np.sqrt(det))).astype(np.float32)[:, None]
    x0 = p[:, _X].astype(np.float32)[:, None]
    y0 = p[:, _Y].astype(np.float32)[:, None]
    out = np.zeros((p.shape[0], 7, px.shape[1]), dtype=np.float32)
    for ox, oy, part in nodes:
        dx = px + (np.float32(ox) - x0)
        dy = py + (np.float32(oy) - y0)
        u = a * dx + b * dy
        v = b * dx + c * dy
        g = np.exp(np.float32(-0.5) * (dx * u + dy * v)) * (height * np.float32(part))
        out[:, _FLUX] += g
        out[:, _X] += g * u
        out[:, _Y] += g * v
        out[:, _XX] += (0.5 * g) * (u * u - a)
        out[:, _YY] += (0.5 * g) * (v * v - c)
        out[:, _XY] += g * (u * v - b)
    out[:, _LEVEL] = 1.0
    return out


def _rim_level(data: Floats, mask: Floats, px: Floats, py: Floats) -> Doubles:
    """Median of the pixels outside the largest circle of each stamp: a first background."""
    rim = (px**2 + py**2)[0] > float(px.max()) ** 2
    values = np.where(mask[:, rim] > 0, data[:, rim], np.nan)
    lost = np.isnan(values).all(axis=1)
    values[lost] = 0.0
    return np.asarray(np.nanmedian(values, axis=1), dtype=np.float64)


def _first_flux(
    data: Floats,
    mask: Floats,
    p: Doubles,
    px: Floats,
    py: Floats,
    nodes: list[tuple[float, float, float]],
) -> Doubles:
    g = _basis(p, px, py, nodes)[:, _FLUX] * mask
    over = (data - p[:, _LEVEL].astype(np.float32)[:, None]) * g
    return np.asarray(
        np.maximum(over.sum(axis=1) / np.maximum((g * g).sum(axis=1), 1e-12), 1e-6), np.float64
    )


def _loosely(variance: Floats, lit: Floats, roughness: float) -> Floats:
    """Variance beyond which a pixel counts less: a neighbour, a hot pixel or a ray in the stamp."""
    rough = np.float32(roughness) * lit.max(axis=1, keepdims=True)
    return np.asarray(variance + (0.1 * lit) ** 2 + rough**2, dtype=variance.dtype)


def _step(
    normal: Doubles,
    right: Doubles,
    p: Doubles,
    prior: Doubles,
    precision: float,
    longest: float,
) -> Doubles:
    """Put the known shape into the normal equations and solve them; no farther than ``longest``."""
    for k, centre in zip((_XX, _YY, _XY), prior, strict=True):
        normal[:, k, k] += precision
        right[:, k] += precision * (centre - p[:, k])
    delta = _solve(normal, right)
    for k in (_X, _Y):
        delta[:, k] = np.clip(delta[:, k], -longest, longest)
    return delta


def _solve(normal: Doubles, right: Doubles) -> Doubles:
    """Solve each (7, 7) system, scaled to a unit diagonal; a singular one gives no step."""
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-30))
    scaled = normal * scale[:, :, None] * scale[:, None, :] + 1e-6 * np.eye(7)
    step = np.linalg.solve(scaled, (right * scale)[:, :, None])[:, :, 0] * scale
    return np.where(np.isfinite(step), step, 0.0)


def _invert(normal: Doubles) -> Doubles:
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-30))
    scaled = normal * scale[:, :, None] * scale[:, None, :] + 1e-9 * np.eye(7)
    return np.asarray(np.linalg.inv(scaled) * scale[:, :, None] * scale[:, None, :])


def _estimator_covariance(
    normal: Doubles, weighted: Floats, across: Floats, trust: Floats, precision: float
) -> Doubles:
    """Covariance of an estimate whose weights are not quite the best ones.

    inverse(normal) . (sum of weight^2 variance basis basis^T) . inverse(normal), where ``trust``
    is weight times variance and ``across`` the transposed basis.
    """
    inverse = _invert(normal)
    spread = np.matmul(weighted * trust[:, None], across).astype(np.float64)
    for k in (_XX, _YY, _XY):
        spread[:, k, k] += precision
    return np.asarray(inverse @ spread @ inverse)


def _keep_sane(p: Doubles, prior: Doubles, mean: float, reach: float) -> None:
    """Hold position, flux and shape within what a stamp can show, in place."""
    p[:, _X] = np.clip(p[:, _X], -1.2 * reach, 1.2 * reach)
    p[:, _Y] = np.clip(p[:, _Y], -1.2 * reach, 1.2 * reach)
    p[:, _FLUX] = np.maximum(p[:, _FLUX], 1e-6)
    narrow = 0.04 * mean
    p[:, _XX] = np.clip(p[:, _XX], narrow, 16.0 * prior[0] + narrow)
    p[:, _YY] = np.clip(p[:, _YY], narrow, 16.0 * prior[1] + narrow)
    limit = 0.97 * np.sqrt(p[:, _XX] * p[:, _YY])
    p[:, _XY] = np.clip(p[:, _XY], -limit, limit)
