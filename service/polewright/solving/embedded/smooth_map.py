"""A smooth map from the ideal field to measured pixels, with as many terms as stars can carry."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from polewright.solving.embedded.fitting import Floats

_SQUEEZE = 1e-3
"""Size of the anisotropy that refraction brings at 25 to 30 degrees of altitude."""


def _terms(u: Floats, degree: int) -> Floats:
    """Monomials (N, K) of scaled coordinates up to ``degree``."""
    x, y = u[:, 0], u[:, 1]
    columns = [np.ones_like(x), x, y]
    if degree >= 2:
        columns += [x * x, x * y, y * y]
    if degree >= 3:
        columns += [x**3, x * x * y, x * y * y, y**3]
    return np.stack(columns, axis=1)


class SmoothMap:
    """Ideal pixels to measured pixels: a radial model, then a polynomial fitted on top of it."""

    def __init__(self, half_width: float, k1: float) -> None:
        self.half = half_width
        self.degree = 0
        self.parameters = 4.0
        self._k1 = k1
        self._radial = 0.0
        self._coefficients: Floats | None = None

    def __call__(self, ideal: Floats) -> Floats:
        """Map ideal places (N, 2) to pixels, both from the frame's centre."""
        u = self._bent(ideal)
        if self._coefficients is None:
            return u * self.half
        fitted = _terms(u, self.degree) @ self._coefficients
        return np.asarray(fitted + self._radial * u * np.sum(u * u, axis=1, keepdims=True))

    def _bent(self, ideal: Floats) -> Floats:
        """Ideal places as the radial model shows them, in units of half the width."""
        u = ideal / self.half
        p = u
        for _ in range(3):  # true = p (1 + k1 p^2), turned round by repeated substitution
            p = u / (1.0 + self._k1 * np.sum(p * p, axis=1, keepdims=True))
        return np.asarray(p)

    def fit(self, ideal: Floats, pixels: Floats, weights: Floats) -> None:
        """Least squares with as many terms as the stars can carry."""
        count = ideal.shape[0]
        u = self._bent(ideal)
        if count < 12:
            self._fit_squeezed(u, pixels, weights)
            return
        self.degree = 1 if count < 24 else 2 if count < 60 else 3
        terms = _terms(u, self.degree)
        self.parameters = 2.0 * terms.shape[1]
        if self.degree == 2:
            self._fit_with_radial(terms, u, pixels, weights)
            return
        solved = np.linalg.lstsq(terms * weights[:, None], pixels * weights[:, None], rcond=None)
        self._radial, self._coefficients = 0.0, np.asarray(solved[0], dtype=np.float64)

    def _fit_with_radial(self, terms: Floats, u: Floats, pixels: Floats, weights: Floats) -> None:
        """Fit a quadratic and the one cubic term that a lens has: squares alone cannot bend so."""
        count, k = terms.shape
        design = np.zeros((2 * count, 2 * k + 1))
        design[:count, :k] = design[count:, k : 2 * k] = terms
        design[:, -1] = (u * np.sum(u * u, axis=1, keepdims=True)).T.reshape(-1)
        w = np.concatenate([weights, weights])
        solved = np.linalg.lstsq(design * w[:, None], pixels.T.reshape(-1) * w, rcond=None)[0]
        self.parameters += 1.0
        self._radial = float(solved[-1])
        self._coefficients = np.stack([solved[:k], solved[k : 2 * k]], axis=1)

    def _fit_squeezed(self, u: Floats, pixels: Floats, weights: Floats) -> None:
        """Fit a similarity and, held near zero, the two terms of an anisotropic squeeze."""
        x, y = u[:, 0], u[:, 1]
        one, zero = np.ones_like(x), np.zeros_like(x)
        w = np.concatenate([weights, weights])
        rows = np.concatenate(
            [
                np.stack([x, -y, one, zero, x, y], axis=1),
                np.stack([y, x, zero, one, -y, x], axis=1),
            ]
        )
        hold = np.zeros((2, 6))
        hold[0, 4] = hold[1, 5] = 1.0 / (_SQUEEZE * self.half)
        design = np.concatenate([rows * w[:, None], hold])
        target = np.concatenate([pixels[:, 0] * weights, pixels[:, 1] * weights, [0.0, 0.0]])
        a, b, c, d, e, f = np.linalg.lstsq(design, target, rcond=None)[0]
        self._radial = 0.0
        self.degree, self.parameters = 1, 5.0  # the two held terms count as half
        self._coefficients = np.array([[c, d], [a + e, b + f], [f - b, a - e]], dtype=np.float64)


def radial_scan(ideal: Floats, tree: cKDTree, half: float, reach: float) -> float:
    """Return the radial term that lets most catalogue stars find a detection."""
    best, best_count = 0.0, -1.0
    for k1 in sorted(np.linspace(-0.06, 0.06, 25), key=abs):
        distance, _ = tree.query(SmoothMap(half, k1)(ideal), distance_upper_bound=reach)
        # a little more must be gained before a lens is believed to be distorted
        count = float(np.count_nonzero(np.isfinite(distance))) - 20.0 * abs(k1)
        if count > best_count:
            best, best_count = float(k1), count
    return best
