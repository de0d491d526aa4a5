"""How the camera stands in the observed frame, from the stars of one solved frame.

Refraction squeezes the field by up to several arcseconds a degree, so it is no rotation and a
solver's ICRS attitude cannot simply be turned into the observed frame. Here every matched star is
taken to the direction its light arrives from, and rotation and scale are fitted there. The pinhole
holds in that frame, so what is left is the noise of the centroids.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from polewright.calculation.geometry.errors import FitDiverged, TooFewDirections
from polewright.calculation.geometry.rotation import rotation_matrix, wahba
from polewright.calculation.geometry.solution import Distortion, Solution
from polewright.calculation.sky.frame import ObservedFrame
from polewright.foundation.angles import ARCSEC, Matrix, Vector
from polewright.foundation.language import say

CLIP_SIGMAS = 4.0
"""Stars further from the model than this many (robust) sigmas are left out."""
STARS_FOR_DISTORTION = 30
"""With fewer stars the radial distortion is not fitted."""
DISTORTION_SIGMAS = 4.0
"""A change of the radial distortion must be this significant to be believed."""
SPARSE = 20
"""Up to this many stars, each is left out in turn to find one that spoils the fit."""
CULPRIT_GAIN = 4.0
"""Leaving out the culprit must lower chi-square per degree of freedom by this factor."""
NO_DISTORTION = Distortion()
_ROUNDS = 20
"""Rounds in which a fit must have converged."""


@dataclass(frozen=True, eq=False)
class Attitude:
    """The camera's axes in the observed frame at one moment."""

    matrix: Matrix
    """(3, 3) camera x, y, boresight as columns, observed east-north-up; determinant +1."""
    covariance: Matrix
    """(3, 3) rad^2 of the small rotation d about the CAMERA's axes: true = matrix @ R(d)."""
    utc_s: float
    """Unix seconds UTC of the middle of the exposure."""
    parity: int
    scale: float
    """Radians per pixel at the centre."""
    matched: int
    """Stars used; 0 when the solver gave a grid only."""
    chi2_per_dof: float
    """1 when the centroid errors were stated rightly; NaN when nothing is left over to tell."""
    rms_px: float
    """Root mean square distance of the used stars from the model, pixels."""
    clipped: int = 0
    """Stars left out as outliers."""
    distortion: Distortion = NO_DISTORTION

    @property
    def boresight(self) -> NDArray[np.float64]:
        """Where the frame's centre looks, ENU unit vector (3,)."""
        return self.matrix[:, 2]


def _centred(
    pixels: Vector, width: int, height: int, parity: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Camera-frame pixel offsets (n, 2) from the centre and squared relative radii (n,)."""
    p = np.atleast_2d(np.asarray(pixels, dtype=np.float64))
    offsets = np.column_stack(
        [parity * (p[:, 0] - 0.5 * (width - 1)), p[:, 1] - 0.5 * (height - 1)]
    )
    return offsets, np.sum(offsets**2, axis=1) / (0.5 * width) ** 2


def camera_vectors(
    pixels: Vector,
    width: int,
    height: int,
    parity: int,
    scale: float,
    distortion: Distortion = NO_DISTORTION,
) -> NDArray[np.float64]:
    """Return unit vectors (n, 3) in the camera frame that pixels (n, 2) look along.

    Source: pinhole model and radial distortion of `calculation.geometry.solution`.
    """
    offsets, radius2 = _centred(pixels, width, height, parity)
    plane = offsets * (1.0 + distortion.k1 * radius2)[:, None] * scale
    vectors = np.column_stack([plane, np.ones(len(plane))])
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


def camera_pixels(
    vectors: Vector,
    width: int,
    height: int,
    parity: int,
    scale: float,
    distortion: Distortion = NO_DISTORTION,
) -> NDArray[np.float64]:
    """Return the pixels (n, 2) that see directions (n, 3) of the camera frame.

    The opposite of `camera_vectors`, for directions ahead of the camera (z > 0).
    """
    v = np.atleast_2d(np.asarray(vectors, dtype=np.float64))
    plane = v[:, :2] / v[:, 2:] / scale
    offsets = plane
    for _ in range(6 if distortion.k1 else 0):  # plane = offsets (1 + k1 r^2), turned round
        radius2 = np.sum(offsets**2, axis=1, keepdims=True) / (0.5 * width) ** 2
        offsets = plane / (1.0 + distortion.k1 * radius2)
    return np.column_stack(
        [parity * offsets[:, 0] + 0.5 * (width - 1), offsets[:, 1] + 0.5 * (height - 1)]
    )


STAR_FLOOR = 0.2 * ARCSEC
"""Rad by which the air moves single stars in an exposure of seconds (0.1 to 0.3 arcsec, from
memory). What their unknown proper motions add is in `Solution.catalogue_sigma_rad`."""

_SCATTER_ROUNDS = 3
"""Rounds at most in which the noise common to all stars is found from the fit, and fitted anew."""


def _scatter_px(residuals: NDArray[np.float64], sigma: NDArray[np.float64], dof: int) -> float:
    """Return the noise (pixels) that, added in quadrature to ``sigma``, makes chi-square ``dof``.

    What is missing in stated centroid errors is mostly alike for all stars (pixels too coarse for
    the stars, the air, the catalogue), while the stated ones of bright stars are tiny: widening all
    by the same factor would leave the weights wrong, and the covariance too small.
    """
    square = np.sum(residuals**2, axis=1)
    low, high = 0.0, float(np.sqrt(square.sum() / dof))
    for _ in range(40):
        middle = 0.5 * (low + high)
        more = float(np.sum(square / (sigma**2 + middle**2))) > dof
        low, high = (middle, high) if more else (low, middle)
    return high


def few_stars_factor(dof: int) -> float:
    """Return by how much a sigma from so few degrees of freedom is widened (1 with many).

    Three widened sigmas hold what three of a normal distribution hold, though the noise itself is
    known from the residuals only: Student's t, 99.865 % quantile, over 3. Without any degree of
    freedom nothing is known of the noise, and the stated one is left alone.
    """
    return float(stdtrit(dof, 0.99865)) / 3.0 if dof > 0 else 1.0


@dataclass(frozen=True, eq=False)
class CameraFit:
    """A converged fit of rotation, scale and, where asked for, radial distortion."""

    matrix: Matrix
    """(3, 3) camera x, y, boresight as columns, in the frame of the stars' directions."""
    scale: float
    """Radians per pixel at the centre."""
    k1: float
    residuals: NDArray[np.float64]
    """(n, 2) pixels, of every star given, used or not."""
    normal_inverse: Matrix
    """Of the rotation about the camera's axes (3), log scale and, if fitted, k1."""
    chi2: float
    dof: int

    @property
    def inflation(self) -> float:
        """Factor on the covariance: chi-square per degree of freedom, at least 1."""
        return max(1.0, self.chi2 / self.dof) if self.dof > 0 else 1.0

    @property
    def covariance(self) -> Matrix:
        """(3, 3) rad^2 of the rotation about the camera's axes."""
        return np.asarray(self.normal_inverse[:3, :3] * self.inflation)


def fit_camera(
    offsets: NDArray[np.float64],
    world: NDArray[np.float64],
    sigma: NDArray[np.float64],
    start: Matrix,
    scale: float,
    half_width: float,
    *,
    with_k1: bool,
    k1: float = 0.0,
    use: NDArray[np.bool_] | None = None,
) -> CameraFit:
    """Gauss-Newton in rotation (about the camera's axes), log scale and optionally k1.

    Args:
        offsets: (n, 2) pixels from the frame's centre, in the camera's handedness.
        world: (n, 3) directions of the stars.
        sigma: (n,) 1-sigma errors, pixels.
        start: (3, 3) attitude to begin with, a few degrees off at most.
        scale: radians per pixel, to begin with.
        half_width: pixels, the unit of radius of k1.
        with_k1: whether k1 is fitted, too; else it stays.
        k1: radial distortion, to begin with.
        use: (n,) which stars the fit goes by; None: all.

    With a = x/z and b = y/z of a star in the camera frame, a small rotation d of the camera moves
    it by da = ab d0 - (1 + a^2) d1 + b d2 and db = (1 + b^2) d0 - ab d1 - a d2 (own derivation:
    the star moves by its cross product with d, projected).

    Raises:
        FitDiverged: the stars do not suit the pinhole model at all.
    """
    matrix, log_scale = start, float(np.log(scale))
    radius2 = np.sum(offsets**2, axis=1) / half_width**2
    chosen = slice(None) if use is None else use
    weight = np.repeat(1.0 / sigma[chosen], 2)[:, None]
    jacobian = np.empty((len(offsets), 2, 5 if with_k1 else 4))
    for _ in range(_ROUNDS):
        v = world @ matrix
        a, b = (v[:, :2] / v[:, 2:]).T
        scale = float(np.exp(log_scale))
        residuals = offsets * (1.0 + k1 * radius2)[:, None] - np.column_stack([a, b]) / scale
        jacobian[:, 0, 0], jacobian[:, 1, 0] = a * b, 1.0 + b * b
        jacobian[:, 0, 1], jacobian[:, 1, 1] = -(1.0 + a * a), -a * b
        jacobian[:, 0, 2], jacobian[:, 1, 2] = b, -a
        jacobian[:, 0, 3], jacobian[:, 1, 3] = -a, -b
        jacobian[:, :, :4] /= scale
        if with_k1:
            jacobian[:, :, 4] = -offsets * radius2[:, None]
        rows = jacobian[chosen].reshape(-1, jacobian.shape[2]) * weight
        data = residuals[chosen].ravel() * weight[:, 0]
        # Scaled columns: radians and pixels otherwise differ by many powers of ten.
        norms = np.sqrt(np.sum(rows**2, axis=0))
        rows /= norms
        try:
            step, *_ = np.linalg.lstsq(rows, data, rcond=None)
        except np.linalg.LinAlgError as exc:
            raise FitDiverged(_ROUNDS) from exc
        moved_sigmas = float(np.linalg.norm(rows @ step))
        step = step / norms
        if not np.isfinite(moved_sigmas):
            break
        if moved_sigmas < 1e-6:
            return CameraFit(
                matrix=matrix,
                scale=scale,
                k1=k1,
                residuals=residuals,
                normal_inverse=np.linalg.pinv(rows.T @ rows) / np.outer(norms, norms),
                chi2=float(data @ data),
                dof=data.size - rows.shape[1],
            )
        matrix = matrix @ rotation_matrix(step[:3])
        log_scale += float(step[3])
        if with_k1:
            k1 += float(step[4])
    raise FitDiverged(_ROUNDS)


def _outliers(residuals: NDArray[np.float64], sigma: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark stars beyond `CLIP_SIGMAS`, in units of the larger of stated and observed noise.

    The observed noise is the median of the normalised residual lengths; for two Gaussian
    components that median is sqrt(2 ln 2) = 1.1774 sigma.
    """
    length = np.hypot(residuals[:, 0], residuals[:, 1]) / sigma
    noise = max(1.0, float(np.median(length)) / 1.1774)
    return np.asarray(length > CLIP_SIGMAS * noise)


def _without_the_culprit(
    fit: CameraFit, use: NDArray[np.bool_], fit_using: Callable[[NDArray[np.bool_]], CameraFit]
) -> NDArray[np.bool_]:
    """Leave out the one star that alone spoils a sparse field, if there is one.

    Among few stars a bad one drags the fit so far that all residuals grow and none stands out, so
    each is left out in turn. Where all errors are merely understated no single star helps.
    """
    if fit.dof <= 2 or fit.chi2 / fit.dof < CULPRIT_GAIN:
        return use
    best, keep = fit.chi2 / fit.dof / CULPRIT_GAIN, use
    for i in np.flatnonzero(use):
        rest = use.copy()
        rest[i] = False
        other = fit_using(rest)
        if other.chi2 / other.dof < best:
            best, keep = other.chi2 / other.dof, rest
    return keep


def attitude_from_solution(
    solution: Solution, frame: ObservedFrame, *, star_floor_rad: float = 0.0
) -> Attitude:
    """Fit the camera's attitude to the matched stars' observed directions.

    Weighted least squares (1 / sigma_px) in rotation and scale, from a Wahba start, with outliers
    clipped; the radial distortion is refitted when at least `STARS_FOR_DISTORTION` stars show it
    with `DISTORTION_SIGMAS`. The covariance is that of the normal equations (scale and distortion
    free), times chi-square per degree of freedom where that exceeds 1, and widened for few stars
    (`few_stars_factor`). Where stated errors do not explain the residuals, a noise common to all
    stars is added to them first (`_scatter_px`). A solution from a grid keeps the covariance the
    solver stated, since a grid has no noise of its own.

    Args:
        solution: a plate solution; two stars suffice, but then nothing is left over to check.
        frame: the sky at the MIDDLE of that exposure; its time becomes the attitude's.
        star_floor_rad: noise added in quadrature to each star's centroid, for what its image does
            not show: the air's motion of single stars, and errors of the catalogue. Without it a
            few bright stars decide everything. `STAR_FLOOR` suits the bundled catalogue.

    Raises:
        TooFewDirections: fewer than two different stars.
        FitDiverged: the stars do not suit the pinhole model at all.
    """
    n = len(solution.pixels)
    if n < 2:
        raise TooFewDirections(say("matched stars"), n, 2)
    width, height, parity = solution.width, solution.height, solution.parity
    world = frame.observe(solution.icrs)
    floor_px = np.hypot(star_floor_rad, solution.catalogue_sigma_rad) / solution.scale
    sigma = np.ones(n) if solution.from_grid else np.hypot(solution.sigma_px, floor_px)
    stated = sigma
    vectors = camera_vectors(
        solution.pixels, width, height, parity, solution.scale, solution.distortion
    )
    offsets, _ = _centred(solution.pixels, width, height, parity)

    def fit_using(use: NDArray[np.bool_]) -> CameraFit:
        def run(start: Matrix, scale: float, with_k1: bool) -> CameraFit:
            k1, half_width = solution.distortion.k1, 0.5 * width
            return fit_camera(
                offsets, world, sigma, start, scale, half_width, with_k1=with_k1, k1=k1, use=use
            )

        start = wahba(vectors[use], world[use], sigma[use] ** -2)
        plain = run(start, solution.scale, with_k1=False)
        if int(use.sum()) < STARS_FOR_DISTORTION:
            return plain
        bent = run(plain.matrix, plain.scale, with_k1=True)
        k1_sigma = float(np.sqrt(bent.normal_inverse[4, 4] * bent.inflation))
        believed = abs(bent.k1 - plain.k1) > DISTORTION_SIGMAS * k1_sigma
        return bent if believed else plain

    use = np.ones(n, dtype=bool)
    fit = fit_using(use)
    # With few stars one bad one drags the fit; never throw away more than half of them.
    fewest = max(5, n // 2)
    for _ in range(6 if n > fewest else 0):
        keep = ~_outliers(fit.residuals, sigma)
        if bool(np.all(keep == use)) and int(use.sum()) <= SPARSE:
            keep = _without_the_culprit(fit, use, fit_using)
        if int(keep.sum()) < fewest or bool(np.all(keep == use)):
            break
        use, fit = keep, fit_using(keep)
    told = fit
    for _ in range(_SCATTER_ROUNDS if not solution.from_grid else 0):
        if fit.dof < 1 or fit.chi2 / fit.dof < 1.0 + 2.0 * np.sqrt(2.0 / fit.dof):
            break
        sigma = np.hypot(stated, _scatter_px(fit.residuals[use], stated[use], fit.dof))
        fit = fit_using(use)
    kept = fit.residuals[use]
    covariance = fit.covariance * few_stars_factor(fit.dof) ** 2
    return Attitude(
        matrix=fit.matrix,
        covariance=solution.covariance if solution.from_grid else covariance,
        utc_s=frame.utc_s,
        parity=parity,
        scale=fit.scale,
        matched=0 if solution.from_grid else int(use.sum()),
        chi2_per_dof=told.chi2 / told.dof
        if told.dof > 0 and not solution.from_grid
        else float("nan"),
        rms_px=float(np.sqrt(np.mean(np.sum(kept**2, axis=1)))),
        clipped=int(n - use.sum()),
        distortion=Distortion(fit.k1),
    )
