"""From an attitude that is roughly right to one fitted on every star, or to a refusal.

Two models are used on purpose. *Matching* runs on a smooth map from the ideal gnomonic field to
pixels (similarity, affine, quadratic or cubic, as many terms as there are stars for), because
refraction and lenses squeeze a real field by several pixels at its edge and stars would be lost.
The *result* is a rotation, a scale and, where many stars allow it, one radial term: the attitude
that the geometry downstream needs. The stars matched go along, so it can refit them in the
observed frame, where refraction is no longer in the way.

Whether a match is accidental `polewright.solving.embedded.evidence` computes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from polewright.calculation.geometry.attitude import fit_camera
from polewright.calculation.geometry.errors import FitDiverged
from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import Matrix, Vector
from polewright.foundation.language import say
from polewright.solving.catalogue.catalogue import ConeStars, StarSource
from polewright.solving.embedded.evidence import Approximation, accident, chances, same_brightness
from polewright.solving.embedded.fitting import Floats, Ints, centred, gnomonic
from polewright.solving.embedded.smooth_map import SmoothMap, radial_scan

ACCIDENT_LIMIT = -4.0
"""log10 of the accident probability above which a match is refused (own choice; a bound, and a wide
one: see tests/bench/false_alarms.py for what happens)."""
RMS_LIMIT_PX = 2.5
"""Scatter of the matched stars above which a match is refused (own choice)."""
FOUND_LIMIT = 0.4
"""Of the catalogue's stars as bright as the matched half, this share must be in the frame."""
MIN_MATCHED = 4
"""Fewest stars of a solution."""

_SYSTEMATIC_PX = 0.05
"""Error along one coordinate that is added to every star's own (own choice)."""
_MAX_STARS = 3000
"""Catalogue stars of a frame that are matched, brightest first."""
_PULL_PX = 0.15
"""A neighbour that pulls a centroid farther than this makes the star unfit to be fitted."""


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
    drift: NDArray[np.float32]
    """(N,) see `ConeStars.drift`."""
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
            return say(
                "{matched} stars match, {min_matched} needed",
                matched=self.matched,
                min_matched=MIN_MATCHED,
            )
        if not self.rms_px <= RMS_LIMIT_PX:
            return say(
                "rms of the matched stars {rms_px:.1f} px, limit {rms_limit_px} px",
                rms_px=self.rms_px,
                rms_limit_px=RMS_LIMIT_PX,
            )
        if not self.found >= FOUND_LIMIT:
            return say(
                "only {found:.0%} of the bright catalogue stars are in the frame", found=self.found
            )
        if not self.log10_accident <= ACCIDENT_LIMIT:  # so that a NaN is refused too
            return say(
                "{matched} matches could be an accident",
                matched=self.matched,
            )
        return ""


def _mutual(predicted: Floats, tree: cKDTree, radius: float) -> tuple[Ints, Ints]:
    """Pairs (catalogue, detection) that are each other's nearest within ``radius``."""
    distance, index = tree.query(predicted, distance_upper_bound=radius)
    candidates = np.flatnonzero(np.isfinite(distance))
    order = candidates[np.argsort(distance[candidates], kind="stable")]
    _, first = np.unique(index[order], return_index=True)
    chosen = np.sort(order[first])
    return chosen, index[chosen].astype(np.int64)


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


def _align(
    smooth: SmoothMap,
    stars: StarList,
    pixels: Floats,
    cone: ConeStars,
    ideal: Floats,
    tree: cKDTree,
    reach_px: float,
    sigma: Floats,
) -> float | None:
    """Fit the map to ever closer pairs; return within what distance (px), None with under three."""
    radius = reach_px
    for _ in range(8):
        catalogue, detections = _mutual(smooth(ideal), tree, radius)
        if catalogue.size < 3:
            return None
        keep, _ = same_brightness(stars, cone, catalogue, detections)
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
        smaller = min(reach_px, max(1.5, 5.0 * spread))
        if radius == smaller:
            break
        radius = max(smaller, 0.4 * radius)
    return radius


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
        k1 = radial_scan(ideal[:400], tree, half, min(start.reach_px, 8.0))
    smooth = SmoothMap(half, k1)
    sigma = np.hypot(stars.sigma_px, _SYSTEMATIC_PX)
    radius = _align(smooth, stars, pixels, cone, ideal, tree, start.reach_px, sigma)
    if radius is None:
        return None
    predicted = smooth(ideal)
    catalogue, detections = _mutual(predicted, tree, radius)
    keep, zero_point = same_brightness(stars, cone, catalogue, detections)
    catalogue, detections = catalogue[keep], detections[keep]
    if catalogue.size < 3:
        return None
    in_frame = np.all(np.abs(predicted) < limits, axis=1)
    hit = np.zeros(len(cone), dtype=bool)
    hit[catalogue] = True
    judged = in_frame | hit
    chance = chances(stars, cone.magnitude[judged], zero_point, radius)
    likely = accident(hit[judged], chance, radius, smooth.parameters, start, limits)
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
        likely,
        found,
        int(np.count_nonzero(in_frame)),
    )


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
    try:
        fit = fit_camera(
            pixels[detections],
            cone.vectors[catalogue],
            m.sigma[keep],
            start.attitude,
            start.scale,
            half,
            with_k1=radial,
            k1=start.k1,
        )
    except FitDiverged:
        return None
    return Refit(
        attitude=fit.matrix,
        parity=start.parity,
        scale=fit.scale,
        k1=fit.k1,
        covariance=fit.covariance,
        detections=detections,
        icrs=cone.vectors[catalogue],
        drift=cone.drift[catalogue],
        rms_px=float(np.sqrt(np.mean(off[keep] ** 2))),
        log10_accident=m.accident,
        found=m.found,
        expected=m.expected,
    )
