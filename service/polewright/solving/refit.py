"""From an attitude that is roughly right to one fitted on every star, or to a refusal.

Two models are used on purpose. *Matching* runs on a smooth map from the ideal gnomonic field to
pixels (similarity, affine, quadratic or cubic, as many terms as there are stars for), because
refraction and lenses squeeze a real field by several pixels at its edge and stars would be lost.
The *result* is a rotation, a scale and, where many stars allow it, one radial term: the attitude
that the geometry downstream needs. The stars matched go along, so it can refit them in the
observed frame, where refraction is no longer in the way.

Whether a match is accidental is computed, not felt: see `log10_accident`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import betainc

from polewright.angles import Matrix, Vector
from polewright.images.frame import StarList
from polewright.solving.catalogue import ConeStars, StarSource

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ACCIDENT_LIMIT = -5.0
"""log10 of the accident probability above which a match is refused."""
RMS_LIMIT_PX = 2.5
FOUND_LIMIT = 0.4
"""Of the catalogue's stars as bright as the matched half, this share must be in the frame."""
MIN_MATCHED = 4

_SYSTEMATIC_PX = 0.05
_MAX_STARS = 3000
_MAGNITUDE_SLACK = 1.7
_PULL_PX = 0.15
_SQUEEZE = 1e-3
"""Size of the anisotropy that refraction brings at 25 to 30 degrees of altitude."""


@dataclass(frozen=True)
class Prior:
    """How much was known before anything was compared: the room in which an accident may hide."""

    solid_angle: float
    """Steradians in which the boresight may lie."""
    scale_tolerance: float
    """Fraction by which the scale may be off, either way."""
    parities: int
    """1 when the parity is known, else 2."""
    roll_range: float = 2.0 * math.pi
    """Radians that the roll may take."""

    def log10_places(self, radius_px: float, scale: float, corner_px: float) -> float:
        """log10 of the number of hypotheses that differ by more than ``radius_px`` somewhere."""
        step = radius_px / corner_px
        places = max(1.0, self.solid_angle / (math.pi * (radius_px * scale) ** 2))
        rolls = max(1.0, self.roll_range / step)
        scales = max(1.0, 2.0 * self.scale_tolerance / step)
        return math.log10(places * rolls * scales * self.parities)


@dataclass(frozen=True)
class Approximation:
    """A hypothesis: where the camera points, good to ``reach_px`` anywhere in the frame."""

    attitude: Matrix
    """Camera axes as columns, ICRS."""
    parity: int
    scale: float
    reach_px: float
    log10_trials: float
    """How many hypotheses were compared with the stars to find this one; inf: not counted."""
    fixed_stars: int
    """Stars that made the hypothesis, so that their agreement proves nothing."""
    prior: Prior
    k1: float = 0.0


@dataclass(frozen=True)
class Refit:
    """An attitude fitted on all stars that match, with what is needed to judge it."""

    attitude: Matrix
    parity: int
    scale: float
    k1: float
    covariance: Matrix
    detections: Ints
    """Indices into the star list, (N,)."""
    icrs: Vector
    """(N, 3) catalogue vectors of the same stars."""
    rms_px: float
    """About the smooth matching map (module docstring), so refraction does not inflate it."""
    log10_accident: float
    found: float
    """Share of the expected bright catalogue stars that are in the frame."""
    expected: int
    """Catalogue stars in the frame."""

    @property
    def matched(self) -> int:
        """Stars in the fit."""
        return int(self.detections.size)

    @property
    def objection(self) -> str:
        """Why this fit must not be believed; empty when it may."""
        if self.matched < MIN_MATCHED:
            return f"{self.matched} stars match, {MIN_MATCHED} needed"
        if not self.rms_px <= RMS_LIMIT_PX:
            return f"rms of the matched stars {self.rms_px:.1f} px, limit {RMS_LIMIT_PX} px"
        if not self.found >= FOUND_LIMIT:
            return f"only {self.found:.0%} of the bright catalogue stars are in the frame"
        if not self.log10_accident <= ACCIDENT_LIMIT:  # so that a NaN is refused too
            return (
                f"{self.matched} matches could be an accident "
                f"(probability 1e{self.log10_accident:+.1f})"
            )
        return ""


def centred(stars: StarList, parity: int) -> Floats:
    """Pixels (N, 2) from the centre of the frame in the camera's handedness."""
    return np.stack(
        [parity * (stars.x - (stars.width - 1) / 2), stars.y - (stars.height - 1) / 2], axis=1
    )


def gnomonic(vectors: Vector, attitude: Matrix) -> tuple[Floats, Floats]:
    """Tangent-plane coordinates (N, 2) about the boresight, and the third component (N,)."""
    camera = vectors @ attitude
    z = camera[:, 2]
    return np.asarray(camera[:, :2] / np.where(z > 0.05, z, np.nan)[:, None]), z


def rotation(vector: Vector) -> Matrix:
    """Rotation matrix of a rotation vector (3,), Rodrigues' formula."""
    angle = float(np.linalg.norm(vector))
    x, y, z = vector
    k = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    a = math.sin(angle) / angle if angle > 1e-12 else 1.0
    b = (1.0 - math.cos(angle)) / angle**2 if angle > 1e-6 else 0.5
    return np.asarray(np.eye(3) + a * k + b * (k @ k))


def log10_accident(
    hits: NDArray[np.bool_], chance: Floats, fixed: float, log10_trials: float
) -> float:
    """log10 of a bound on the probability that so many matches are accidental.

    Args:
        hits: for each catalogue star of the frame, brightest first, whether a detection is there.
        chance: for each of these stars, the probability that a detection which could be it lies
            there by accident: density times area.
        fixed: matches that agree by construction (stars of the hypothesis, fitted parameters / 2).
        log10_trials: number of hypotheses that were compared.

    The tail of a binomial distribution with the mean chance, which bounds the tail for unequal
    chances (Hoeffding, Ann. Math. Statist. 27, 713, 1956), for the best of several cuts in
    magnitude, times the number of cuts and of hypotheses (union bound). Own derivation.
    """
    total = hits.size
    cuts = [k for k in (4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 256) if k < total] + [total]
    found = np.cumsum(hits)
    mean = np.cumsum(chance) / np.arange(1, total + 1)
    best = 0.0
    for cut in cuts:
        free_hits = float(found[cut - 1]) - fixed
        if free_hits >= 1.0:
            hits_needed = math.floor(free_hits)
            trials = max(hits_needed, cut - math.ceil(fixed))
            # P(X >= k) of a binomial is a regularised incomplete beta function
            # (DLMF 8.17.5, from memory)
            tail = float(betainc(hits_needed, trials - hits_needed + 1, mean[cut - 1]))
            best = min(best, math.log10(max(tail, 1e-300)))
    return best + math.log10(len(cuts)) + log10_trials


def _terms(u: Floats, degree: int) -> Floats:
    """Monomials (N, K) of scaled coordinates up to ``degree``."""
    x, y = u[:, 0], u[:, 1]
    columns = [np.ones_like(x), x, y]
    if degree >= 2:
        columns += [x * x, x * y, y * y]
    if degree >= 3:
        columns += [x**3, x * x * y, x * y * y, y**3]
    return np.stack(columns, axis=1)


class _SmoothMap:
    """Ideal pixels to measured pixels; starts as the radial model, then is fitted."""

    def __init__(self, half_width: float, k1: float) -> None:
        self.half = half_width
        self.degree = 0
        self.parameters = 4.0
        self._k1 = k1
        self._coefficients: Floats | None = None

    def __call__(self, ideal: Floats) -> Floats:
        u = ideal / self.half
        if self._coefficients is None:
            r2 = np.sum(u * u, axis=1, keepdims=True)
            p = u
            for _ in range(3):  # true = p (1 + k1 p^2), turned round by repeated substitution
                r2 = np.sum(p * p, axis=1, keepdims=True)
                p = u / (1.0 + self._k1 * r2)
            return p * self.half
        return np.asarray(_terms(u, self.degree) @ self._coefficients)

    def fit(self, ideal: Floats, pixels: Floats, weights: Floats) -> None:
        """Least squares with as many terms as the stars can carry."""
        count = ideal.shape[0]
        u = ideal / self.half
        if count < 12:
            self._fit_squeezed(u, pixels, weights)
            return
        self.degree = 1 if count < 24 else 2 if count < 60 else 3
        design = _terms(u, self.degree)
        self.parameters = 2.0 * design.shape[1]
        solved = np.linalg.lstsq(design * weights[:, None], pixels * weights[:, None], rcond=None)
        self._coefficients = np.asarray(solved[0], dtype=np.float64)

    def _fit_squeezed(self, u: Floats, pixels: Floats, weights: Floats) -> None:
        """Fit a similarity and, held near none, the two terms of an anisotropic squeeze."""
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
        self.degree, self.parameters = 1, 5.0  # the two held terms count as half
        self._coefficients = np.array([[c, d], [a + e, b + f], [f - b, a - e]], dtype=np.float64)


def _mutual(predicted: Floats, tree: cKDTree, radius: float) -> tuple[Ints, Ints]:
    """Pairs (catalogue, detection) that are each other's nearest within ``radius``."""
    distance, index = tree.query(predicted, distance_upper_bound=radius)
    candidates = np.flatnonzero(np.isfinite(distance))
    order = candidates[np.argsort(distance[candidates], kind="stable")]
    _, first = np.unique(index[order], return_index=True)
    chosen = np.sort(order[first])
    return chosen, index[chosen].astype(np.int64)


def _radial_scan(ideal: Floats, tree: cKDTree, half: float, reach: float) -> float:
    """Return the radial term that lets most catalogue stars find a detection."""
    best, best_count = 0.0, -1.0
    for k1 in sorted(np.linspace(-0.06, 0.06, 25), key=abs):
        distance, _ = tree.query(_SmoothMap(half, k1)(ideal), distance_upper_bound=reach)
        # a little more must be gained before a lens is believed to be distorted
        count = float(np.count_nonzero(np.isfinite(distance))) - 20.0 * abs(k1)
        if count > best_count:
            best, best_count = float(k1), count
    return best


def _crowded(predicted: Floats, magnitude: NDArray[np.float32], radius: float) -> NDArray[np.bool_]:
    """Catalogue stars whose centroid a neighbour within ``radius`` pulls by over `_PULL_PX`."""
    crowded = np.zeros(predicted.shape[0], dtype=bool)
    pairs = cKDTree(predicted).query_pairs(radius, output_type="ndarray")
    for a, b in ((0, 1), (1, 0)) if pairs.size else ():
        star, other = pairs[:, a], pairs[:, b]
        apart = np.linalg.norm(predicted[star] - predicted[other], axis=1)
        share = 1.0 / (1.0 + 10.0 ** (0.4 * (magnitude[other] - magnitude[star])))
        crowded[star[apart * share > _PULL_PX]] = True
    return crowded


def refit(
    stars: StarList, start: Approximation, source: StarSource, epoch_year: float
) -> Refit | None:
    """Match and fit all stars from an approximate attitude; None when hardly any matches.

    The caller must look at `Refit.objection` before using the result.
    """
    half = stars.width / 2.0
    pixels = centred(stars, start.parity)
    corner = math.atan(0.5 * start.scale * math.hypot(stars.width, stars.height) * 1.05)
    cone = source.cone(start.attitude[:, 2], corner, epoch_year)
    ideal, _ = gnomonic(cone.vectors, start.attitude)
    ideal /= start.scale
    inside = np.all(np.abs(ideal) < 1.15 * np.array([half, stars.height / 2.0]), axis=1)
    rows = np.flatnonzero(inside)[: min(_MAX_STARS, 40 + 4 * len(stars))]
    if rows.size < 3:
        return None
    cone, ideal = cone.take(rows), ideal[rows]
    matched = _match(stars, pixels, cone, ideal, start, half)
    return None if matched is None else _finish(stars, pixels, cone, start, matched)


@dataclass(frozen=True)
class _Matched:
    catalogue: Ints
    detections: Ints
    residual: Floats
    sigma: Floats
    usable: NDArray[np.bool_]
    accident: float
    found: float
    expected: int


def _match(
    stars: StarList,
    pixels: Floats,
    cone: ConeStars,
    ideal: Floats,
    start: Approximation,
    half: float,
) -> _Matched | None:
    tree = cKDTree(pixels)
    limits = np.array([stars.width / 2.0, stars.height / 2.0])
    k1 = start.k1
    if k1 == 0.0 and len(stars) >= 40 and len(cone) >= 40 and start.scale * stars.width > 0.1:
        k1 = _radial_scan(ideal[:400], tree, half, min(start.reach_px, 8.0))
    smooth = _SmoothMap(half, k1)
    sigma = np.hypot(stars.sigma_px, _SYSTEMATIC_PX)
    radius = start.reach_px
    catalogue, detections = np.empty(0, np.int64), np.empty(0, np.int64)
    for _ in range(8):
        predicted = smooth(ideal)
        catalogue, detections = _mutual(predicted, tree, radius)
        if catalogue.size < 3:
            return None
        keep, _ = _same_brightness(stars, cone, catalogue, detections)
        catalogue, detections = catalogue[keep], detections[keep]
        usable = cone.fit[catalogue]
        if np.count_nonzero(usable) < 3:
            return None
        chosen, seen = catalogue[usable], detections[usable]
        weights = 1.0 / sigma[seen]
        for _ in range(2):
            smooth.fit(ideal[chosen], pixels[seen], weights)
            off = np.linalg.norm(smooth(ideal[chosen]) - pixels[seen], axis=1)
            spread = max(float(np.median(off)) / 1.1774, 0.1)  # median of a Rayleigh distribution
            weights = 1.0 / sigma[seen] / np.maximum(1.0, off / (3.0 * spread))
        smaller = min(start.reach_px, max(1.5, 5.0 * spread))
        if radius == smaller:
            break
        radius = max(smaller, 0.4 * radius)
    predicted = smooth(ideal)
    catalogue, detections = _mutual(predicted, tree, radius)
    keep, zero_point = _same_brightness(stars, cone, catalogue, detections)
    catalogue, detections = catalogue[keep], detections[keep]
    if catalogue.size < 3:
        return None
    in_frame = np.all(np.abs(predicted) < limits, axis=1)
    hit = np.zeros(len(cone), dtype=bool)
    hit[catalogue] = True
    judged = in_frame | hit
    chance = _chances(stars, cone.magnitude[judged], zero_point, radius)
    accident = _accident(hit[judged], chance, radius, smooth.parameters, start, limits)
    fwhm = float(np.median(stars.fwhm_px)) if len(stars) else 3.0
    crowded = _crowded(predicted, cone.magnitude, max(6.0, 2.5 * fwhm))
    bright = in_frame & (cone.magnitude <= np.median(cone.magnitude[catalogue])) & ~crowded
    found = float(np.mean(hit[bright])) if np.any(bright) else 1.0
    residual = pixels[detections] - predicted[catalogue]
    usable = cone.fit[catalogue] & ~crowded[catalogue]
    return _Matched(
        catalogue,
        detections,
        residual,
        sigma[detections],
        usable,
        accident,
        found,
        int(np.count_nonzero(in_frame)),
    )


def _accident(
    hits: NDArray[np.bool_],
    chance: Floats,
    radius: float,
    parameters: float,
    start: Approximation,
    limits: Floats,
) -> float:
    """Return the smaller of two bounds: by hypotheses tried, and by hypotheses that exist."""
    fixed = max(float(start.fixed_stars), parameters / 2.0)
    tried = log10_accident(hits, chance, fixed, start.log10_trials)
    places = start.prior.log10_places(radius, start.scale, float(np.hypot(*limits)))
    # the four parameters of a similarity are those that the places count
    existing = log10_accident(hits, chance, (parameters - 4.0) / 2.0, places)
    # two bounds, up to five searches of one frame, and some five zero points of the magnitudes
    return min(tried, existing) + 1.7


def _same_brightness(
    stars: StarList, cone: ConeStars, catalogue: Ints, detections: Ints
) -> tuple[NDArray[np.bool_], float]:
    """Matches whose flux agrees with the magnitude, and the zero point they agree on.

    A saturated star may look too faint.
    """
    offset = cone.magnitude[catalogue] + 2.5 * np.log10(np.maximum(stars.flux[detections], 1e-3))
    zero_point = float(np.median(offset)) if offset.size else 0.0
    deviation = offset - zero_point
    full = stars.saturated[detections]
    keep = (np.abs(deviation) < _MAGNITUDE_SLACK) | (full & (deviation < 0.0))
    return np.asarray(keep), zero_point


def _chances(
    stars: StarList, magnitude: NDArray[np.float32], zero_point: float, radius: float
) -> Floats:
    """Probability for each catalogue star that a detection of its brightness is near by accident.

    Saturated detections count for every star.
    """
    full = stars.saturated
    seen = np.sort(zero_point - 2.5 * np.log10(np.maximum(stars.flux[~full], 1e-3)))
    fits = np.searchsorted(seen, magnitude + _MAGNITUDE_SLACK) - np.searchsorted(
        seen, magnitude - _MAGNITUDE_SLACK
    )
    number = fits + np.count_nonzero(full)
    share = math.pi * radius**2 / stars.area_px
    return np.asarray(np.minimum(1.0, number * share), dtype=np.float64)


def _finish(
    stars: StarList, pixels: Floats, cone: ConeStars, start: Approximation, m: _Matched
) -> Refit | None:
    """Clip on the smooth map's residuals and fit rotation, scale and the radial term."""
    off = np.linalg.norm(m.residual, axis=1)
    if np.count_nonzero(m.usable) < 3:
        return None
    spread = max(float(np.median(off[m.usable])) / 1.1774, 0.05)
    keep = m.usable & (off < 4.5 * np.maximum(spread, m.sigma))
    catalogue, detections = m.catalogue[keep], m.detections[keep]
    if catalogue.size < 3:
        return None
    half = stars.width / 2.0
    radial = catalogue.size >= 40
    attitude, scale, k1, covariance = fit_attitude(
        pixels[detections],
        cone.vectors[catalogue],
        m.sigma[keep],
        start.attitude,
        start.scale,
        half,
        radial=radial,
        k1=start.k1,
    )
    return Refit(
        attitude=attitude,
        parity=start.parity,
        scale=scale,
        k1=k1,
        covariance=covariance,
        detections=detections,
        icrs=cone.vectors[catalogue],
        rms_px=float(np.sqrt(np.mean(off[keep] ** 2))),
        log10_accident=m.accident,
        found=m.found,
        expected=m.expected,
    )


def fit_attitude(
    pixels: Floats,
    vectors: Vector,
    sigma_px: Floats,
    attitude: Matrix,
    scale: float,
    half_width: float,
    *,
    radial: bool,
    k1: float = 0.0,
) -> tuple[Matrix, float, float, Matrix]:
    """Weighted least squares of rotation, scale and (if ``radial``) k1.

    Args:
        pixels: (N, 2) from the frame's centre, in the camera's handedness (`centred`).
        vectors: (N, 3) where those stars are.
        sigma_px: (N,) per coordinate.
        attitude: camera axes as columns to start from, a few degrees off at most.
        scale: rad per pixel to start from.
        half_width: pixels, the unit of radius of ``k1``.
        radial: whether k1 is fitted; otherwise it stays.
        k1: where to start.

    Returns:
        attitude, scale, k1, and the covariance (3, 3) rad^2 of a small rotation about the camera's
        axes, enlarged by chi-square per degree of freedom when that exceeds 1.

    Gauss-Newton with the analytic derivative of the gnomonic projection; own derivation.
    """
    r2 = np.sum(pixels**2, axis=1, keepdims=True) / half_width**2
    weight = np.repeat(1.0 / sigma_px, 2)
    count = 5 if radial else 4
    for _ in range(6):
        u, _z = gnomonic(vectors, attitude)
        residual = pixels * (1.0 + k1 * r2) - u / scale
        ux, uy = u[:, 0], u[:, 1]
        jacobian = np.zeros((pixels.shape[0], 2, count))
        # columns: turn about x, y, z (camera), log scale, k1
        jacobian[:, 0, 0], jacobian[:, 1, 0] = ux * uy, 1.0 + uy * uy
        jacobian[:, 0, 1], jacobian[:, 1, 1] = -(1.0 + ux * ux), -ux * uy
        jacobian[:, 0, 2], jacobian[:, 1, 2] = uy, -ux
        jacobian[:, 0, 3], jacobian[:, 1, 3] = -ux, -uy
        jacobian /= scale
        if radial:
            jacobian[:, :, 4] = -pixels * r2
        design = jacobian.reshape(-1, count) * weight[:, None]
        target = residual.reshape(-1) * weight
        step = np.linalg.lstsq(design, target, rcond=None)[0]
        attitude = attitude @ rotation(step[:3])
        scale *= math.exp(step[3])
        if radial:
            k1 += float(step[4])
        if float(np.max(np.abs(step[:3]))) < 1e-12:
            break
    u, _z = gnomonic(vectors, attitude)
    residual = (pixels * (1.0 + k1 * r2) - u / scale).reshape(-1) * weight
    dof = max(1, residual.size - count)
    inverse = np.linalg.pinv(design.T @ design)
    covariance: Matrix = inverse[:3, :3] * max(1.0, float(residual @ residual) / dof)
    return attitude, scale, k1, covariance
