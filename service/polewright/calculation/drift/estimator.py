"""The polar axis from a field's drift, with right ascension left out.

A direction c fixed in the camera, near the axis, is carried along a small circle about the true
axis. In the tangent plane at a trial axis its image after a turn t is ``y = e - R(t) q``: e is
what is wanted (true minus trial axis), q where the circle starts, R(t) a turn of the plane. Turns
ABOUT the axis - periodic error, tracking rate, backlash - move c along nothing, so they drop out;
what is used is exactly the declination drift and the roll. The declination drift shows the part
of e along the field's hour circle (small noise), the roll the part across it (larger noise).

Own derivation; tested against exact rotations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.drift.errors import TooFewFrames, TurnTooShort
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.rotation import turn_about
from polewright.calculation.geometry.shared_errors import NOTHING_SHARED, SharedErrors
from polewright.foundation.angles import ARCSEC, DEG, SIDEREAL_RATE, Matrix, Vector

FEWEST = 4
"""Frames of one field that a fit needs."""
SHORTEST_TURN = 0.05 * DEG
"""12 s of tracking."""
HUBER = 1.5
"""Frames farther out than this many sigmas count less (usual tuning, from memory)."""
MOST_CORRELATION = 0.8
"""Of neighbouring residuals: more is counted as this, or a few frames could stretch the uncertainty
without bound (own choice)."""
_ROUNDS = 6
_REWEIGHTS = 8


@dataclass(frozen=True)
class DriftNoise:
    """What the stars of a frame do not show. Invented defaults; measure your own rig's."""

    frame_floor: float = 1.0 * ARCSEC
    """Rad, added in quadrature to each frame: air and gusts move a whole short exposure."""
    flexure_rate: float = 1.5 * ARCSEC / 3600.0
    """Rad/s, 1 sigma, by which tube and camera creep against the axes as gravity turns; it looks
    exactly like an axis error of this over the sidereal rate, for each field another one."""

    shared: SharedErrors = NOTHING_SHARED
    """What a sweep's frames have wrong together, and a tracked field's as well."""

    @property
    def flexure_axis(self) -> float:
        """1 sigma (rad) of the axis from flexure alone."""
        return self.flexure_rate / SIDEREAL_RATE


@dataclass(frozen=True, eq=False)
class FieldFit:
    """The axis as one field's drift tells it."""

    axis: Vector
    """(3,) observed frame, towards the visible pole."""
    basis: Matrix
    """(3, 2) tangent at the axis. The part of the axis along the FIRST column (perpendicular to
    the hour circle) shows in the declination drift, the part along the second in the roll."""
    covariance: Matrix
    """(2, 2) rad^2 in that basis, flexure included."""
    seconds: NDArray[np.float64]
    """(n,) since the first frame."""
    residuals: NDArray[np.float64]
    """(n, 2) rad, what the fit leaves: declination, and roll (as it moves the axis)."""
    sigmas: NDArray[np.float64]
    """(n, 2) rad, stated noise stretched to what successive frames show."""
    weights: NDArray[np.float64]
    """(n,) 1 for a frame that counts fully, less for outliers."""
    noise_factor: NDArray[np.float64]
    """(2,) by how much the scatter from frame to frame exceeds the stated noise, at least 1."""
    turn: float
    """Rad tracked."""

    @property
    def span_s(self) -> float:
        """Seconds from first to last frame."""
        return float(self.seconds[-1])

    @property
    def sigma_across(self) -> float:
        """1 sigma (rad) of the part that the declination drift shows."""
        return math.sqrt(float(self.covariance[0, 0]))

    @property
    def covariance_enu(self) -> NDArray[np.float64]:
        """(3, 3) rad^2, tangent to the axis."""
        return np.asarray(self.basis @ self.covariance @ self.basis.T)


def fit_field(
    attitudes: Sequence[Attitude], trial_axis: Vector, noise: DriftNoise | None = None
) -> FieldFit:
    """Fit the axis to one field's attitudes while the mount tracked.

    Weighted least squares, reweighted against outliers (Huber); the scatter from frame to frame
    sets the noise where it exceeds the stated one, slow wander stretches it by its correlation,
    and flexure is added.

    Args:
        attitudes: of one field, in order of time, parity all alike.
        trial_axis: (3,) within some degrees: the predicted axis, or the pole.
        noise: what the frames do not show; a droop that is known is taken out first.

    Raises:
        TooFewFrames: fewer than `FEWEST`.
        TurnTooShort: the mount tracked less than `SHORTEST_TURN`.
    """
    allowance = noise or DriftNoise()
    n = len(attitudes)
    if n < FEWEST:
        raise TooFewFrames(n, FEWEST)
    attitudes = [allowance.shared.undrooped(item) for item in attitudes]
    seconds = np.array([item.utc_s - attitudes[0].utc_s for item in attitudes])
    axis = np.asarray(trial_axis, dtype=np.float64)
    middle = attitudes[n // 2].matrix
    for _ in range(_ROUNDS):
        basis = _basis(axis, middle[:, 2])
        images, turns, sigmas = _images(attitudes, axis, basis, middle, allowance)
        turn = float(np.ptp(turns))
        if turn < SHORTEST_TURN:
            raise TurnTooShort(turn / DEG, SHORTEST_TURN / DEG)
        design = _design(turns)
        weights, stretched, factor, solution = _robust(images, design, sigmas)
        step = basis @ solution[:2]
        moved = float(np.linalg.norm(step))
        axis = axis + step
        axis /= np.linalg.norm(axis)
        if moved < 1e-3 * ARCSEC:
            break
    residuals = images - (design @ solution).reshape(n, 2)
    rows = design.reshape(n, 2, 4) / stretched[:, :, None]
    flat = rows.reshape(2 * n, 4)
    covariance = np.linalg.pinv(flat.T @ flat, hermitian=True)[:2, :2]
    # The first part of the axis comes from the second image column and vice versa.
    stretch = np.array([_stretch(residuals[:, k] / stretched[:, k], weights) for k in (1, 0)])
    covariance = covariance * np.sqrt(np.outer(stretch, stretch))
    basis = _basis(axis, middle[:, 2])
    covariance = covariance + allowance.flexure_axis**2 * np.eye(2)
    covariance = covariance + basis.T @ allowance.shared.while_tracking(middle[:, 2], axis) @ basis
    return FieldFit(
        axis=axis,
        basis=basis,
        covariance=covariance,
        seconds=seconds,
        residuals=residuals[:, ::-1],
        sigmas=stretched[:, ::-1],
        weights=weights,
        noise_factor=factor[::-1],
        turn=turn,
    )


def _basis(axis: Vector, boresight: Vector) -> NDArray[np.float64]:
    """Tangent columns (3, 2): across the hour circle (axis x boresight), and along it."""
    across = np.cross(axis, boresight)
    size = float(np.linalg.norm(across))
    if size < 1e-6:  # the field is at the pole itself: any basis will do
        across = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
        size = float(np.linalg.norm(across))
    across = across / size
    return np.column_stack([across, np.cross(axis, across)])


def _images(
    attitudes: Sequence[Attitude], axis: Vector, basis: Matrix, middle: Matrix, noise: DriftNoise
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Images (n, 2) of the trial axis, turns (n,) and noise (n, 2) of the images."""
    matrices = np.stack([item.matrix for item in attitudes])
    covariances = np.stack([np.asarray(item.covariance) for item in attitudes])
    covariances = covariances + noise.frame_floor**2 * np.eye(3)
    carried = matrices @ middle.T
    images = (carried @ axis) @ basis
    turns = np.array([turn_about(item, axis) for item in carried])
    # A camera turned by n (its own axes) moves the image by (C n) x axis.
    levers = basis.T @ np.cross(np.swapaxes(matrices, 1, 2), axis).swapaxes(1, 2)
    spread = levers @ covariances @ levers.swapaxes(1, 2)
    sigmas = np.sqrt(np.diagonal(spread, axis1=1, axis2=2))
    return images, np.unwrap(turns), sigmas


def _design(turns: Vector) -> NDArray[np.float64]:
    """Matrix (2n, 4) of ``y = e - R(t) q`` for the unknowns (e, q).

    Columns of the basis and the axis make a right-handed set, so R is the usual plane rotation.
    """
    c, s = np.cos(turns), np.sin(turns)
    rows = np.zeros((len(turns), 2, 4))
    rows[:, 0, 0] = rows[:, 1, 1] = 1.0
    rows[:, 0, 2], rows[:, 0, 3] = -c, s
    rows[:, 1, 2], rows[:, 1, 3] = -s, -c
    return rows.reshape(-1, 4)


def _solve(images: Vector, design: Matrix, sigmas: Vector, weights: Vector) -> NDArray[np.float64]:
    scale = (np.sqrt(weights)[:, None] / sigmas).ravel()
    solution, *_ = np.linalg.lstsq(design * scale[:, None], images.ravel() * scale, rcond=1e-14)
    return np.asarray(solution)


def _robust(
    images: NDArray[np.float64], design: Matrix, sigmas: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Weights (n,), stretched noise (n, 2), stretch (2,) and solution (4,)."""
    n = len(images)
    weights = np.ones(n)
    solution = _solve(images, design, sigmas, weights)
    factor = np.ones(2)
    for _ in range(_REWEIGHTS):
        residuals = images - (design @ solution).reshape(n, 2)
        factor = np.array([scatter(residuals[:, k] / sigmas[:, k]) for k in (0, 1)])
        distance = np.linalg.norm(residuals / (sigmas * factor), axis=1) / math.sqrt(2.0)
        before, weights = weights, np.minimum(1.0, HUBER / np.maximum(distance, 1e-12))
        if float(np.max(np.abs(weights - before))) < 1e-3:
            break
        solution = _solve(images, design, sigmas * factor, weights)
    return weights, sigmas * factor, factor, solution


def scatter(normalised: Vector) -> float:
    """Return the noise of a series (n,) in units of its stated noise, at least 1.

    From the median difference of neighbours, which drifts, bends, steps and single outliers
    hardly touch. For a Gaussian that median is 0.6745 sqrt(2) sigma.
    """
    steps = np.abs(np.diff(np.asarray(normalised)))
    return max(1.0, float(np.median(steps)) / (0.6745 * math.sqrt(2.0))) if len(steps) else 1.0


def _stretch(normalised: Vector, weights: Vector) -> float:
    """By how much outliers and slow wander stretch the variance of a slope, at least 1.

    Outliers: mean square of the weighted residuals over the square of the share that counts fully
    (the usual variance of an M-estimate, Huber 1981). Wander: (1 + r) / (1 - r), r the correlation
    of neighbours (first-order autoregression, textbook).
    """
    n = len(normalised)
    used = np.asarray(normalised) * weights
    power = float(used @ used)
    if power == 0.0:
        return 1.0
    share = max(0.5, float(np.mean(weights >= 1.0)))
    outliers = max(1.0, power / max(1, n - 2) / share**2)
    r = float(used[1:] @ used[:-1]) / power if n >= 8 else 0.0
    r = min(MOST_CORRELATION, max(0.0, r))
    return outliers * (1.0 + r) / (1.0 - r)


@dataclass(frozen=True, eq=False)
class DriftAxis:
    """The axis from all fields together."""

    axis: Vector
    """(3,) observed frame."""
    covariance: Matrix
    """(3, 3) rad^2, tangent to the axis, flexure of each field included."""
    fields: tuple[FieldFit, ...]
    chi2: float
    """How the fields' axes differ; 2 degrees of freedom for each field after the first."""
    dof: int


def combine(fields: Sequence[FieldFit]) -> DriftAxis:
    """Return the weighted mean axis of fields (each with its own flexure)."""
    if len(fields) == 1:
        one = fields[0]
        return DriftAxis(one.axis, one.covariance_enu, (one,), 0.0, 0)
    axis = fields[0].axis
    for _ in range(3):
        tangent = _basis(axis, fields[0].basis[:, 1])
        information, pull = np.zeros((2, 2)), np.zeros(2)
        parts = []
        for field in fields:
            turned = tangent.T @ field.basis
            weight = np.linalg.inv(turned @ field.covariance @ turned.T)
            offset = tangent.T @ (field.axis - axis)
            information += weight
            pull += weight @ offset
            parts.append((weight, offset))
        mean = np.linalg.solve(information, pull)
        chi2 = sum(float((o - mean) @ w @ (o - mean)) for w, o in parts)
        axis = axis + tangent @ mean
        axis /= np.linalg.norm(axis)
    covariance = tangent @ np.linalg.inv(information) @ tangent.T
    return DriftAxis(axis, covariance, tuple(fields), chi2, 2 * (len(fields) - 1))
