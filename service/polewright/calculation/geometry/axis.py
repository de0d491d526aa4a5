"""The polar axis from a sweep in right ascension.

Model: the camera's axes at point i are C_i = R(a, t_i) C_0, one fixed axis ``a``, turns t_i from
the first point. n attitudes give 3n numbers for 2 (axis) + n - 1 (turns) + 3 (C_0) unknowns, so
2n - 4 are left over as a check. What the frames share (`calculation.geometry.shared_errors`) makes
their errors one covariance of 3n by 3n: least squares are generalised.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, fdtrc

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.errors import (
    FitDiverged,
    MixedParity,
    SweepNotRigid,
    TooFewDirections,
    TurnTooSmall,
)
from polewright.calculation.geometry.rotation import (
    rotation_about,
    rotation_matrix,
    rotation_vector,
    tangent_basis,
    turn_about,
)
from polewright.calculation.geometry.shared_errors import (
    NOTHING_SHARED,
    SharedErrors,
    region_factor,
)
from polewright.foundation.angles import Matrix, Vector

REFUSE_BELOW = 1e-3
"""A sweep whose chi-square would come about by chance less often than this is refused."""
LARGEST_SIGMA = 0.1
"""An axis less certain than this (rad) in some direction is no axis."""
LOWEST_SINE = 0.05
"""Sine of the altitude (3 deg) below which the airmass grows no further."""
_ROUNDS = 50
"""Rounds in which the fit must have converged."""


def airmass_factor(sine_altitude: float | Vector) -> NDArray[np.float64]:
    """Return how much more the air moves a whole image than at the zenith.

    Airmass^0.6: image motion is in proportion to seeing, and Fried's parameter to airmass^-0.6.
    """
    return np.asarray(np.maximum(sine_altitude, LOWEST_SINE) ** -0.6, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class AxisFit:
    """A polar axis in the observed frame, and how well one fixed axis explains the data."""

    axis: Vector
    """ENU unit vector (3,), towards the visible pole."""
    covariance: Matrix
    """(3, 3) rad^2, ENU; tangent to the axis (its own direction has no variance). It follows from
    the errors stated for the data. Where the frames' noise is not known for sure, the residuals
    stretch or shrink it, and it is widened so that its 95 % region holds (`region_factor`)."""
    chi2: float
    dof: int
    p_value: float
    """Chance of a chi-square this large if the model holds, the doubt in the frames' noise
    allowed for; 1 when nothing is left over."""
    turns: NDArray[np.float64]
    """(n,) rad about the axis (right-handed) from the first point, in (-pi, pi]."""
    residuals: NDArray[np.float64]
    """(n, 3) rad: rotation of each attitude from the model, about the camera's axes."""
    worst: int | None = None
    """Index of the point without which the rest agrees best, when that can be told."""

    @property
    def trusted(self) -> bool:
        """Whether the data could have contradicted the axis and did not."""
        return self.dof > 0 and self.p_value >= REFUSE_BELOW

    def verify(self) -> None:
        """Raise when the data contradict one fixed axis.

        A fit with nothing left over passes, because nothing speaks against it: ask `dof`.

        Raises:
            SweepNotRigid: the p-value is below `REFUSE_BELOW` (1 in 1000).
        """
        if self.dof > 0 and self.p_value < REFUSE_BELOW:
            largest = float(np.max(np.linalg.norm(self.residuals, axis=1)))
            raise SweepNotRigid(self.chi2, self.dof, self.p_value, largest, self.worst)


def _design(axis: Vector, start: Matrix, carried: Matrix, basis: Matrix) -> NDArray[np.float64]:
    """Jacobian (3n, 2 + n - 1 + 3) of the attitudes: axis, turns from the second, start.

    ``carried`` (n, 3, 3) are the turns R_i about the axis.

    A change of model i by a small rotation w in the world is C_i^T w in its camera, and (own
    derivation) w = a dt_i for the turn, R_i e for a start turned by e, and (1 - R_i)(a x da) for
    an axis moved by da. C_i^T a is the same in every point: the camera carries the axis along.
    """
    n = len(carried)
    out = np.zeros((3 * n, n + 4))
    moved = np.cross(axis, basis, axisb=0, axisc=0)
    for i, r in enumerate(carried):
        rows = slice(3 * i, 3 * i + 3)
        camera = (r @ start).T
        out[rows, :2] = camera @ (moved - r @ moved)
        if i > 0:
            out[rows, 1 + i] = camera @ axis
        out[rows, n + 1 :] = start.T
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
    every latitude, so that the side is right for a grossly misplaced axis, too.
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
    attitudes: Sequence[Attitude],
    *,
    southern: bool,
    systematic_rad: float = 0.0,
    shared: SharedErrors = NOTHING_SHARED,
) -> AxisFit:
    """Fit one fixed axis to the attitudes of a sweep in right ascension.

    Args:
        attitudes: two or more, in any order; the turns may go either way and differ in size.
        southern: whether the visible pole is the south pole.
        systematic_rad: noise added to each of an attitude's three angles, in quadrature, for what
            its stars cannot tell: air and gusts move a whole short exposure by an arcsecond. It is
            that of the zenith; across the boresight it grows with `airmass_factor`. 0, the
            default, takes the solves' own errors as they stand; with a hundred stars those can be
            a tenth of an arcsecond, and a real sweep would be refused.
        shared: what the frames have wrong together, and how well their noise is known. A droop
            that is known is taken out first.

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
    attitudes = [shared.undrooped(a) for a in attitudes]
    matrices = [a.matrix for a in attitudes]
    axis = _start_axis(matrices)
    axis = axis * _towards_pole(axis, southern)
    data = _Sweep(
        matrices, axis, _own_noise(attitudes, systematic_rad), _common(matrices, axis, shared)
    )
    fit = _fit_rotations(data, shared.noise_dof)
    if n >= 4 and fit.p_value < REFUSE_BELOW:
        fit = replace(fit, worst=_worst_point(data, shared.noise_dof))
    return fit


@dataclass(frozen=True, eq=False)
class _Sweep:
    """The attitudes with their errors about the cameras' axes; covariances in rad^2."""

    matrices: Sequence[Matrix]
    axis: Vector
    """(3,) where the fit begins."""
    own: Vector
    """(n, n, 3, 3) covariances of each frame's own noise; zero between frames."""
    common: Vector
    """(n, n, 3, 3) covariances of what the frames share (`SharedErrors`)."""

    def without(self, i: int) -> _Sweep:
        """The same without one point."""
        keep = [j for j in range(len(self.matrices)) if j != i]
        rest = np.ix_(keep, keep)
        matrices = [self.matrices[j] for j in keep]
        return _Sweep(matrices, self.axis, self.own[rest], self.common[rest])

    def covariance(self, stretch: float = 1.0) -> NDArray[np.float64]:
        """(3n, 3n), the frames' own noise stretched (as a variance)."""
        whole = stretch * self.own + self.common
        size = 3 * len(self.matrices)
        return np.asarray(whole.transpose(0, 2, 1, 3).reshape(size, size))


def _own_noise(attitudes: Sequence[Attitude], floor: float) -> NDArray[np.float64]:
    n = len(attitudes)
    own = np.zeros((n, n, 3, 3))
    for i, attitude in enumerate(attitudes):
        across = (floor * float(airmass_factor(attitude.matrix[2, 2]))) ** 2
        own[i, i] = attitude.covariance + np.diag([across, across, floor**2])
    return own


def _common(matrices: Sequence[Matrix], axis: Vector, shared: SharedErrors) -> NDArray[np.float64]:
    cameras = np.asarray(matrices)
    turns = np.array([turn_about(m @ matrices[0].T, axis) for m in matrices])
    world = shared.world_covariance(cameras[:, :, 2], turns, axis)
    return np.asarray(np.einsum("iba,ijbc,jcd->ijad", cameras, world, cameras))


def _fit_rotations(data: _Sweep, noise_dof: float) -> AxisFit:
    matrices, axis = data.matrices, data.axis
    n = len(matrices)
    root = np.asarray(np.linalg.cholesky(data.covariance()), dtype=np.float64)
    start = matrices[0]
    turns = np.array([turn_about(m @ start.T, axis) for m in matrices])
    for _ in range(_ROUNDS):
        carried = rotation_about(axis, turns)
        models = carried @ start
        residuals = np.array(
            [rotation_vector(c.T @ m) for c, m in zip(models, matrices, strict=True)]
        )
        basis = tangent_basis(axis)
        plain = _design(axis, start, carried, basis)
        design = np.asarray(np.linalg.solve(root, plain), dtype=np.float64)
        covariance = _axis_covariance(design, basis, turns)
        white = np.linalg.solve(root, residuals.ravel())
        step = np.asarray(np.linalg.lstsq(design, white, rcond=None)[0], dtype=np.float64)
        if float(np.linalg.norm(design @ step)) < 1e-6:
            dof, chi2 = 2 * n - 4, float(white @ white)
            if np.isfinite(noise_dof):
                # Noise known as from noise_dof degrees of freedom, and now from dof more: its
                # scale follows (conjugate prior of a variance; textbook).
                stretch = (noise_dof + chi2) / (noise_dof + dof)
                stretched = np.linalg.solve(np.linalg.cholesky(data.covariance(stretch)), plain)
                covariance = _axis_covariance(stretched, basis, turns)
                covariance = covariance * region_factor(noise_dof + dof)
            return AxisFit(
                axis=axis,
                covariance=covariance,
                chi2=chi2,
                dof=dof,
                p_value=_chance(white, design, _steps(models, root), noise_dof),
                turns=(turns + np.pi) % (2.0 * np.pi) - np.pi,
                residuals=residuals,
            )
        moved = basis @ step[:2]
        axis = axis + moved
        axis /= np.linalg.norm(axis)
        turns[1:] += step[2 : n + 1]
        start = rotation_matrix(step[n + 1 :]) @ start
    raise FitDiverged(_ROUNDS)


def _steps(models: Matrix, root: Matrix) -> list[Matrix]:
    """Whitened columns (3n, 3) of what happens at once between two points and stays.

    A clutch that slips turns the camera from there on, a tripod that sinks the world.
    """
    n = len(models)
    blocks = []
    for turns in (np.tile(np.eye(3), (n, 1, 1)), np.swapaxes(models, 1, 2)):
        for first in range(1, n):
            stays = turns * (np.arange(n) >= first)[:, None, None]
            blocks.append(np.asarray(np.linalg.solve(root, stays.reshape(3 * n, 3))))
    return blocks


def _chance(white: Vector, design: Matrix, steps: Sequence[Matrix], noise_dof: float) -> float:
    """Chance of residuals as bad as these: by their size, and by how much one step explains.

    Where the noise is in doubt the size is judged by Fisher's distribution, which forgives much; a
    step is judged against what is left without it, so it stands out all the same. The chance of
    the best step is multiplied by the number of steps tried (Bonferroni).
    """
    dof, chi2 = len(white) - design.shape[1], float(white @ white)
    if dof == 0:
        return 1.0
    if not np.isfinite(noise_dof):
        return float(chdtrc(dof, chi2))
    chance = float(fdtrc(dof, noise_dof, chi2 / dof))
    if dof <= 3:  # a step explains all that three points leave over
        return chance
    basis = np.linalg.qr(design)[0]
    for step in steps:
        new = step - basis @ (basis.T @ step)
        left, sizes, _ = np.linalg.svd(new, full_matrices=False)
        left = left[:, sizes > 1e-6 * np.linalg.norm(step)]
        gained = float(np.sum((left.T @ white) ** 2))
        used, rest = left.shape[1], noise_dof + dof - left.shape[1]
        noise = (noise_dof + chi2 - gained) / rest
        chance = min(chance, len(steps) * float(fdtrc(used, rest, gained / used / noise)))
    return chance


def _worst_point(data: _Sweep, noise_dof: float) -> int | None:
    """Index of the point whose removal makes the rest acceptable; None when none or several do."""
    good = []
    for i in range(len(data.matrices)):
        try:
            fit = _fit_rotations(data.without(i), noise_dof)
        except (TurnTooSmall, FitDiverged):
            continue
        if fit.p_value >= REFUSE_BELOW:
            good.append(i)
    return good[0] if len(good) == 1 else None


def predict_axis_covariance(
    axis: Vector,
    boresights: Vector,
    turns: Vector,
    covariances: Vector,
    shared: SharedErrors = NOTHING_SHARED,
) -> NDArray[np.float64]:
    """Return the covariances (..., 3, 3, ENU, rad^2) that planned sweeps would give the axis.

    That of `fit_axis` when the residuals are as expected, for many sweeps at once. Of each frame's
    error what lies along the axis goes into its turn; across it, a turn of the camera before the
    sweep is carried round with the point and a moved axis is not, which leaves 2n numbers for four
    unknowns (own derivation).

    Args:
        axis: ENU unit vector (3,).
        boresights: where the frames look, unit vectors (..., n, 3).
        turns: (n,) rad about the axis.
        covariances: of the frames' own errors, (..., n, 3, 3), ENU (not the camera's axes), rad^2.
        shared: what the frames have wrong together.

    Raises:
        TurnTooSmall: the turns do not fix an axis.
    """
    basis = tangent_basis(axis)
    t = np.asarray(turns, dtype=np.float64) - turns[0]
    n = len(t)
    whole = shared.world_covariance(boresights, t, axis, basis)
    index = np.arange(n)
    whole[..., index, index, :, :] += basis.T @ covariances @ basis
    plane = np.swapaxes(whole, -3, -2).reshape(*whole.shape[:-4], 2 * n, 2 * n)
    c, s = np.cos(t), np.sin(t)
    rows = np.zeros((n, 2, 4))
    rows[:, 0, 0] = rows[:, 1, 1] = 1.0
    rows[:, 0, 2] = rows[:, 1, 3] = c
    rows[:, 0, 3], rows[:, 1, 2] = -s, s
    design = rows.reshape(2 * n, 4)
    information = design.T @ np.linalg.solve(plane, np.broadcast_to(design, (*plane.shape[:-1], 4)))
    largest = float(np.max(np.abs(t)))
    # The turn of the camera is eliminated; what is left is the axis's own.
    corner = information[..., 2:, 2:]
    own = information[..., :2, :2] - information[..., :2, 2:] @ np.linalg.solve(
        corner, information[..., 2:, :2]
    )
    if float(np.min(np.linalg.eigvalsh(own))) <= 1.0 / LARGEST_SIGMA**2:
        raise TurnTooSmall(largest, np.inf)
    # What is known is axis x (its move): a quarter turn in the plane.
    quarter = basis @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    widened = region_factor(shared.noise_dof + 2 * n - 4)
    return np.asarray(widened * (quarter @ np.linalg.inv(own) @ quarter.T), dtype=np.float64)
