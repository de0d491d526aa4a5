"""The polar axis from a sweep in right ascension.

Model: the camera's axes at point i are C_i = R(a, t_i) C_0, one fixed axis ``a``, turns t_i from
the first point. n attitudes give 3n numbers for 2 (axis) + n - 1 (turns) + 3 (C_0) unknowns, so
2n - 4 are left over as a check. Centres alone give n distances from the axis (what lies along the
circle goes into the turns) for 3 unknowns: n - 3 are left over, none with three points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from polewright.angles import ARCSEC, Matrix, Vector
from polewright.geometry.attitude import Attitude
from polewright.geometry.errors import (
    FitDiverged,
    MixedParity,
    SweepNotRigid,
    TooFewDirections,
    TurnTooSmall,
)
from polewright.geometry.rotation import (
    rotation_about,
    rotation_matrix,
    rotation_vector,
    tangent_basis,
    turn_about,
)

REFUSE_BELOW = 1e-3
"""A sweep whose chi-square would come about by chance less often than this is refused."""
SEEING = 1.0 * ARCSEC
"""A sensible ``systematic_rad``: seeing and gusts move a whole short exposure by about this much
(from memory), which no star of the frame can tell since all move together."""
LARGEST_SIGMA = 0.1
"""An axis less certain than this (rad) in some direction is no axis."""
_ROUNDS = 50


@dataclass(frozen=True, eq=False)
class AxisFit:
    """A polar axis in the observed frame, and how well one fixed axis explains the data."""

    axis: Vector
    """ENU unit vector (3,), towards the visible pole."""
    covariance: Matrix
    """(3, 3) rad^2, ENU; tangent to the axis (its own direction has no variance). It follows from
    the errors stated for the data and is not stretched by chi-square: see `stretched_covariance`.
    """
    chi2: float
    dof: int
    p_value: float
    """Chance of a chi-square this large if the model holds; 1 when nothing is left over."""
    turns: NDArray[np.float64]
    """(n,) rad about the axis (right-handed) from the first point, in (-pi, pi]."""
    residuals: NDArray[np.float64]
    """(n, 3) rad: rotation of each attitude from the model, about the camera's axes. For a fit
    through centres (n, 1): distance from the circle, away from the axis positive."""
    has_check: bool
    """Whether anything is left over that could have contradicted the axis."""
    worst: int | None = None
    """Index of the point without which the rest agrees best, when that can be told."""

    @property
    def trusted(self) -> bool:
        """Whether the data could have contradicted the axis and did not."""
        return self.has_check and self.p_value >= REFUSE_BELOW

    @property
    def stretched_covariance(self) -> NDArray[np.float64]:
        """The covariance times chi-square per degree of freedom where that is above 1."""
        factor = max(1.0, self.chi2 / self.dof) if self.dof > 0 else 1.0
        return np.asarray(self.covariance * factor)

    def verify(self) -> None:
        """Raise when the data contradict one fixed axis.

        A fit with nothing left over passes, because nothing speaks against it: ask `has_check`.

        Raises:
            SweepNotRigid: the p-value is below `REFUSE_BELOW` (1 in 1000).
        """
        if self.has_check and self.p_value < REFUSE_BELOW:
            largest = float(np.max(np.linalg.norm(self.residuals, axis=1)))
            raise SweepNotRigid(self.chi2, self.dof, self.p_value, largest, self.worst)


def _whitener(covariance: Matrix) -> NDArray[np.float64]:
    """W with W^T W = covariance^-1."""
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), dtype=np.float64)


def _design(
    axis: Vector, start: Matrix, turns: Vector, basis: Matrix, whiteners: Sequence[Matrix]
) -> NDArray[np.float64]:
    """Whitened Jacobian (3n, 2 + n - 1 + 3) of the attitudes: axis, turns from the second, start.

    A change of model i by a small rotation w in the world is C_i^T w in its camera, and (own
    derivation) w = a dt_i for the turn, R_i e for a start turned by e, and (1 - R_i)(a x da) for
    an axis moved by da. C_i^T a is the same in every point: the camera carries the axis along.
    """
    n = len(turns)
    out = np.zeros((3 * n, n + 4))
    moved = np.cross(axis, basis, axisb=0, axisc=0)
    for i, turn in enumerate(turns):
        rows = slice(3 * i, 3 * i + 3)
        r = rotation_about(axis, turn)
        camera = (r @ start).T
        out[rows, :2] = whiteners[i] @ camera @ (moved - r @ moved)
        if i > 0:
            out[rows, 1 + i] = whiteners[i] @ camera @ axis
        out[rows, n + 1 :] = whiteners[i] @ start.T
    return out


def _axis_covariance(design: Matrix, basis: Matrix, turns: Vector) -> NDArray[np.float64]:
    """Covariance (3, 3) of the axis, the design's first two unknowns."""
    # QR keeps twice the digits that inverting the normal matrix would.
    r = np.linalg.qr(design, mode="r")
    largest = float(np.max(np.abs(turns)))
    if float(np.min(np.abs(np.diag(r)))) <= 1e-12 * float(np.max(np.abs(np.diag(r)))):
        raise TurnTooSmall(largest, np.inf)
    inverse = np.linalg.inv(r)
    covariance = (inverse @ inverse.T)[:2, :2]
    sigma = float(np.sqrt(np.max(np.linalg.eigvalsh(covariance))))
    if sigma > LARGEST_SIGMA:
        raise TurnTooSmall(largest, sigma)
    return np.asarray(basis @ covariance @ basis.T, dtype=np.float64)


def _towards_pole(axis: Vector, southern: bool) -> float:
    """Return +1 when ``axis`` points to the visible pole's side, else -1.

    It is compared with 45 deg altitude on the pole's side, which is within 45 deg of the pole at
    every latitude, so a grossly misplaced axis near the equator or the pole is still told right.
    """
    return 1.0 if (axis[2] - axis[1] if southern else axis[2] + axis[1]) >= 0.0 else -1.0


def _start_axis(matrices: Sequence[Matrix]) -> NDArray[np.float64]:
    """Principal direction of all relative rotation vectors, longer turns counting more."""
    scatter = np.zeros((3, 3))
    for i, later in enumerate(matrices):
        for earlier in matrices[:i]:
            v = rotation_vector(later @ earlier.T)
            scatter += np.outer(v, v)
    return np.asarray(np.linalg.eigh(scatter)[1][:, 2], dtype=np.float64)


def fit_axis(
    attitudes: Sequence[Attitude], *, southern: bool, systematic_rad: float = 0.0
) -> AxisFit:
    """Fit one fixed axis to the attitudes of a sweep in right ascension.

    Args:
        attitudes: two or more, in any order; the turns may go either way and differ in size.
        southern: whether the visible pole is the south pole.
        systematic_rad: noise added to each of an attitude's three angles, in quadrature, for what
            the stars cannot tell (seeing that moves the whole field, flexure). 0, the default,
            takes the solves' own errors as they stand. With a hundred stars those can be a tenth
            of an arcsecond, and a real sweep would be refused: give `SEEING` or more there.

    Raises:
        TooFewDirections: fewer than two attitudes.
        MixedParity: some are mirrored and some are not.
        TurnTooSmall: they hardly differ.
        FitDiverged: the least squares did not settle.

    Source: own derivation; Gauss-Newton with the Jacobian of `_design`.
    """
    n = len(attitudes)
    if n < 2:
        raise TooFewDirections("attitudes", n, 2)
    parities = tuple(a.parity for a in attitudes)
    if len(set(parities)) > 1:
        raise MixedParity(parities)
    floor = systematic_rad**2 * np.eye(3)
    matrices = [a.matrix for a in attitudes]
    whiteners = [_whitener(a.covariance + floor) for a in attitudes]
    fit = _fit_rotations(matrices, whiteners, southern)
    if n >= 4 and fit.p_value < REFUSE_BELOW:
        fit = replace(fit, worst=_worst_point(matrices, whiteners, southern))
    return fit


def _fit_rotations(
    matrices: Sequence[Matrix], whiteners: Sequence[Matrix], southern: bool
) -> AxisFit:
    n = len(matrices)
    axis = _start_axis(matrices)
    axis = axis * _towards_pole(axis, southern)
    start = matrices[0]
    turns = np.array([turn_about(m @ start.T, axis) for m in matrices])
    for _ in range(_ROUNDS):
        models = [rotation_about(axis, t) @ start for t in turns]
        residuals = np.array(
            [rotation_vector(c.T @ m) for c, m in zip(models, matrices, strict=True)]
        )
        basis = tangent_basis(axis)
        design = _design(axis, start, turns, basis, whiteners)
        covariance = _axis_covariance(design, basis, turns)
        data = np.concatenate([w @ r for w, r in zip(whiteners, residuals, strict=True)])
        step, *_ = np.linalg.lstsq(design, data, rcond=None)
        if float(np.linalg.norm(design @ step)) < 1e-6:
            dof = 2 * n - 4
            chi2 = float(data @ data)
            return AxisFit(
                axis=axis,
                covariance=covariance,
                chi2=chi2,
                dof=dof,
                p_value=float(chdtrc(dof, chi2)) if dof > 0 else 1.0,
                turns=(turns + np.pi) % (2.0 * np.pi) - np.pi,
                residuals=residuals,
                has_check=dof > 0,
            )
        moved = basis @ step[:2]
        axis = axis + moved
        axis /= np.linalg.norm(axis)
        turns[1:] += step[2 : n + 1]
        start = rotation_matrix(step[n + 1 :]) @ start
    raise FitDiverged(_ROUNDS)


def _worst_point(
    matrices: Sequence[Matrix], whiteners: Sequence[Matrix], southern: bool
) -> int | None:
    """Index of the point whose removal makes the rest acceptable; None when none or several do."""
    good = []
    for i in range(len(matrices)):
        rest = [j for j in range(len(matrices)) if j != i]
        try:
            fit = _fit_rotations(
                [matrices[j] for j in rest], [whiteners[j] for j in rest], southern
            )
        except (TurnTooSmall, FitDiverged):
            continue
        if fit.p_value >= REFUSE_BELOW:
            good.append(i)
    return good[0] if len(good) == 1 else None


def predict_axis_covariance(
    axis: Vector, start_matrix: Matrix, turns: Vector, attitude_covariances: Sequence[Matrix]
) -> NDArray[np.float64]:
    """Return the covariance (3, 3, ENU, rad^2) that a planned sweep would give the axis.

    Args:
        axis: ENU unit vector (3,).
        start_matrix: camera axes as columns (3, 3) at turn 0.
        turns: (n,) rad about the axis, the first one included (usually 0).
        attitude_covariances: n matrices (3, 3) about the camera's axes, rad^2.

    Raises:
        TurnTooSmall: the turns do not fix an axis.
    """
    basis = tangent_basis(axis)
    offsets = np.asarray(turns, dtype=np.float64)
    design = _design(
        axis, np.asarray(start_matrix), offsets, basis, [_whitener(c) for c in attitude_covariances]
    )
    return _axis_covariance(design, basis, offsets - offsets[0])


def fit_axis_from_centres(centres: Vector, sigmas: Vector, *, southern: bool) -> AxisFit:
    """Fit the axis of a small circle to where the frames' centres point, ignoring roll.

    Much weaker than `fit_axis` and, with three points, without any check; for solvers or images
    that give no trustworthy roll.

    Args:
        centres: ENU unit vectors (n, 3), n >= 3.
        sigmas: (n,) rad, error of a centre along one coordinate.
        southern: whether the visible pole is the south pole.

    Raises:
        TooFewDirections: fewer than three centres.
        TurnTooSmall: they lie too close together, or on the axis.
        FitDiverged: the least squares did not settle.
    """
    c = np.asarray(centres, dtype=np.float64)
    sigma = np.asarray(sigmas, dtype=np.float64)
    n = len(c)
    if n < 3:
        raise TooFewDirections("centres", n, 3)
    # The points of a circle lie in a plane whose normal is the axis.
    axis = np.linalg.svd(c - c.mean(axis=0))[2][2]
    axis = axis * _towards_pole(axis, southern)
    for _ in range(_ROUNDS):
        along = c @ axis
        away = c - along[:, None] * axis
        sine = np.linalg.norm(away, axis=1)
        if float(np.min(sine)) < 1e-9:
            raise TurnTooSmall(0.0, np.inf)
        distance = np.arctan2(sine, along)
        basis = tangent_basis(axis)
        x, y = (away @ basis).T
        turns = np.arctan2(y, x) - np.arctan2(y[0], x[0])
        turns = (turns + np.pi) % (2.0 * np.pi) - np.pi
        weight = 1.0 / sigma
        radius = float(np.sum(distance * weight**2) / np.sum(weight**2))
        residuals = distance - radius
        # Moving the axis by da towards a point shortens its distance by the component along it.
        design = np.column_stack([-(away / sine[:, None]) @ basis, -np.ones(n)]) * weight[:, None]
        covariance = _axis_covariance(design, basis, turns)
        data = residuals * weight
        step, *_ = np.linalg.lstsq(design, -data, rcond=None)
        if float(np.linalg.norm(design @ step)) < 1e-6:
            chi2, dof = float(data @ data), n - 3
            return AxisFit(
                axis=axis,
                covariance=covariance,
                chi2=chi2,
                dof=dof,
                p_value=float(chdtrc(dof, chi2)) if dof > 0 else 1.0,
                turns=turns,
                residuals=residuals[:, None],
                has_check=dof > 0,
            )
        axis = axis + basis @ step[:2]
        axis /= np.linalg.norm(axis)
    raise FitDiverged(_ROUNDS)
