"""The axis from frames of tracked targets, guided or not, with its uncertainty.

Each frame gives one number, the camera's roll towards the axis (`roll.py`), which must be constant
within a group: one target, one side of the pier, one angle of the camera. Where nobody guided and
nobody corrected, the boresight's distance from the axis is constant as well: a second number.

What bends, sags or tips is one small turn w of the camera away from what a rigid mount would do.
It maps the mount's own axis a to a + w x a, so its effect on both numbers is that of an axis moved
by w x a (own derivation, exact for one turn). Their sizes cannot come from the frames alone: they
are unknowns with a stated prior.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from polewright.calculation.field_rotation.roll import (
    camera_gradients,
    distance_to_axis,
    gradients,
    roll_to_axis,
)
from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis import airmass_factor
from polewright.calculation.geometry.errors import FitDiverged, TooFewDirections
from polewright.calculation.geometry.rotation import tangent_basis
from polewright.calculation.geometry.shared_errors import SharedErrors, region_factor
from polewright.foundation.angles import ARCSEC, DEG, Matrix, Vector
from polewright.foundation.language import say

ROLL_FLEXURE = 10.0 * ARCSEC
"""1 sigma of how far a camera rolls in its focuser when gravity goes from along the sensor to
across it (own choice, no source)."""
ROLL_FLOOR = 0.5 * ARCSEC
"""Noise of a frame's roll that its stars do not tell: distortion as stars come and go with dither
(own choice)."""
START_SIGMA = 10.0 * DEG
"""The axis is within some degrees of the pole before anything is known: keeps the fit in place."""
REFUSE_BELOW = 1e-3
"""Frames whose residuals come about by chance less often than this are refused."""
_ROUNDS = 30
_STEPS_TRIED = 40
_AS_LIKELY = 6.0
"""Chi-square by which two places of a step must differ for one to be told from the other: a ratio
of 20 in likelihood (own choice)."""
_FEWEST_FOR_A_STEP = 3
"""Frames that must stand on either side of a step."""


@dataclass(frozen=True, eq=False)
class TrackedFrame:
    """One solved frame of a tracked target."""

    attitude: Attitude
    group: int
    """Number of target, side of the pier and camera angle: the roll is constant within it."""
    run: int | None = None
    """Number of the stretch in which nothing but tracking moved the mount; None while guided."""
    turned_over: bool = False
    """Whether the declination axis is past the pole (the other side of the pier)."""


class Moved(Enum):
    """What did not stay while the frames were taken."""

    PIER = "pier"
    """The axis stepped: the pier, the tripod or the adjusters moved."""
    CREEP = "creep"
    """The axis moved evenly."""
    CAMERA = "camera"
    """The camera turned on the tube within a group."""


@dataclass(frozen=True)
class Change:
    """The clearest sign that something moved."""

    what: Moved
    size: float
    """Rad: of a step, or from the first frame to the last of a creep."""
    utc_s: float
    """When a step was: halfway between two frames. Of a creep: its middle."""
    p_value: float
    """Chance of residuals that look as much like it, for all places tried together."""
    between_groups: bool = False
    """Whether a step is as likely, or likelier, between the last frame of one group and the first
    of the next: the new constant hides most of it there, so its time is told surely only as that,
    and its size poorly."""


@dataclass(frozen=True, eq=False)
class TrackedFit:
    """The axis that tracked frames tell."""

    axis: Vector
    """ENU unit vector (3,)."""
    covariance: Matrix
    """(3, 3) rad^2, ENU, tangent to the axis."""
    chi2: float
    dof: int
    p_value: float
    """Chance of residuals this large, or this much like a step, if nothing moved."""
    residuals: NDArray[np.float64]
    """(n,) rad, of the roll."""
    change: Change | None
    """What most looks like a motion; None where too few frames tell."""

    @property
    def trusted(self) -> bool:
        """Whether the frames could have contradicted one axis and did not."""
        return self.dof > 0 and self.p_value >= REFUSE_BELOW


@dataclass(frozen=True, eq=False)
class _Rows:
    """Both kinds of numbers, with what they depend on; n rolls, then the distances."""

    matrices: Vector
    """(rows, 3, 3)"""
    frame: NDArray[np.intp]
    """(rows,) which frame."""
    distance: NDArray[np.bool_]
    """(rows,) whether it is a distance."""
    constant: NDArray[np.intp]
    """(rows,) which constant it has."""
    constants: int

    def values(self, axis: Vector) -> NDArray[np.float64]:
        """Both numbers as they are about an axis (rows,), rad."""
        return np.where(
            self.distance, distance_to_axis(self.matrices, axis), roll_to_axis(self.matrices, axis)
        )

    def by_axis(self, axis: Vector) -> NDArray[np.float64]:
        """Their change by a move of the axis (rows, 3)."""
        roll, distance = gradients(self.matrices, axis)
        return np.where(self.distance[:, None], distance, roll)

    def by_camera(self, axis: Vector) -> NDArray[np.float64]:
        """Their change by a turn about the camera's axes (rows, 3)."""
        roll, distance = camera_gradients(self.matrices, axis)
        return np.where(self.distance[:, None], distance, roll)


def fit_tracked(
    frames: Sequence[TrackedFrame],
    start: Vector,
    *,
    shared: SharedErrors,
    shift_floor: float,
    roll_flexure: float = ROLL_FLEXURE,
) -> TrackedFit:
    """Fit one axis to frames of tracked targets.

    Args:
        frames: solved, in order of time.
        start: the visible pole, ENU unit vector (3,).
        shared: what sags, tips, bends, and how well the air is known. A known droop is taken out.
        shift_floor: noise (rad, zenith) of a whole frame across the boresight.
        roll_flexure: 1 sigma (rad) of the camera's roll by gravity.

    Raises:
        TooFewDirections: no group has two frames.
        FitDiverged: the least squares did not settle.

    Source: own derivation; Gauss-Newton, unknowns with a prior as further rows.
    """
    sizes = np.bincount([frame.group for frame in frames]) if frames else np.zeros(1, dtype=int)
    if sizes.max() < 2:
        raise TooFewDirections(say("frames of one target"), int(sizes.max()), 2)
    attitudes = [shared.undrooped(frame.attitude) for frame in frames]
    rows = _rows(frames, attitudes)
    axis = np.array(start, dtype=np.float64)
    sigma = _sigma(rows, attitudes, axis, shift_floor)
    turns = _turns(attitudes, frames, axis)
    constants = np.array([rows.values(axis)[rows.constant == c][0] for c in range(rows.constants)])
    for _ in range(_ROUNDS):
        basis = tangent_basis(axis)
        modes = _modes(rows, turns, axis, shared, roll_flexure)
        design = _design(rows, basis, axis, modes, sigma)
        off = (constants[rows.constant] - rows.values(axis) + math.pi) % (2 * math.pi) - math.pi
        offset = basis.T @ (start - axis) / START_SIGMA
        white = np.concatenate([off / sigma, offset, np.zeros(modes.shape[1])])
        step = np.asarray(np.linalg.lstsq(design, white, rcond=None)[0])
        axis = axis + basis @ step[:2]
        axis /= np.linalg.norm(axis)
        constants = constants + step[2 : 2 + rows.constants]
        if float(np.linalg.norm(design[:, :2] @ step[:2])) < 1e-4:
            left = white - design @ step
            return _judged(
                frames, rows, _Fitted(axis, basis, design, left, sigma), shared.noise_dof
            )
    raise FitDiverged(_ROUNDS)


def _rows(frames: Sequence[TrackedFrame], attitudes: Sequence[Attitude]) -> _Rows:
    matrices = np.array([attitude.matrix for attitude in attitudes])
    n = len(frames)
    groups = np.unique([frame.group for frame in frames], return_inverse=True)[1]
    tracked = np.array([i for i, frame in enumerate(frames) if frame.run is not None], dtype=int)
    runs = np.unique([frames[i].run or 0 for i in tracked], return_inverse=True)[1]
    first = int(groups.max()) + 1
    constant = np.concatenate([groups, first + runs]).astype(np.intp)
    return _Rows(
        matrices=matrices[np.concatenate([np.arange(n), tracked])],
        frame=np.concatenate([np.arange(n), tracked]),
        distance=np.arange(n + len(tracked)) >= n,
        constant=constant,
        constants=int(constant.max()) + 1,
    )


def _sigma(
    rows: _Rows, attitudes: Sequence[Attitude], axis: Vector, shift_floor: float
) -> NDArray[np.float64]:
    """1 sigma (rows,), rad, of what each frame has for itself."""
    covariances = []
    for attitude in attitudes:
        across = (shift_floor * float(airmass_factor(attitude.matrix[2, 2]))) ** 2
        covariances.append(attitude.covariance + np.diag([across, across, ROLL_FLOOR**2]))
    by_camera = rows.by_camera(axis)
    variance = np.einsum("ri,rij,rj->r", by_camera, np.array(covariances)[rows.frame], by_camera)
    return np.asarray(np.sqrt(variance))


def _turns(
    attitudes: Sequence[Attitude], frames: Sequence[TrackedFrame], axis: Vector
) -> NDArray[np.float64]:
    """Turn (n,) of the mount about its axis, rad, from the middle of the frames."""
    basis = tangent_basis(axis)
    looks = np.array([attitude.matrix[:, 2] for attitude in attitudes]) @ basis
    angle = np.arctan2(looks[:, 1], looks[:, 0])
    angle = angle + math.pi * np.array([frame.turned_over for frame in frames])
    angle = np.angle(np.exp(1j * (angle - angle[0])))
    return np.asarray(angle - angle.mean())


def _modes(
    rows: _Rows, turns: Vector, axis: Vector, shared: SharedErrors, roll_flexure: float
) -> NDArray[np.float64]:
    """What each shared error of 1 sigma does to the rows (rows, modes), rad."""
    looks = rows.matrices[:, :, 2]
    t = turns[rows.frame]
    world = [*shared.world_turns(looks)]
    world += [shared.lean * np.outer(t, ground) for ground in np.eye(3)]
    world += [shared.bend * t[:, None] * rows.matrices[:, :, k] for k in range(3)]
    # Gravity along the sensor's columns and rows turns the camera about the boresight.
    world += [roll_flexure * rows.matrices[:, 2, k, None] * looks for k in range(2)]
    by_axis = rows.by_axis(axis)
    columns = [np.sum(by_axis * np.cross(w, axis), axis=1) for w in world if np.any(w)]
    return np.stack(columns, axis=1) if columns else np.zeros((len(t), 0))


def _design(
    rows: _Rows, basis: Matrix, axis: Vector, modes: Matrix, sigma: Vector
) -> NDArray[np.float64]:
    """Whitened design: rows, then the priors of axis and modes; axis, constants, modes across."""
    n, m = len(sigma), modes.shape[1]
    out = np.zeros((n + 2 + m, 2 + rows.constants + m))
    out[:n, :2] = rows.by_axis(axis) @ basis / sigma[:, None]
    out[np.arange(n), 2 + rows.constant] = -1.0 / sigma
    out[:n, 2 + rows.constants :] = modes / sigma[:, None]
    out[n : n + 2, :2] = np.eye(2) / START_SIGMA
    out[n + 2 :, 2 + rows.constants :] = np.eye(m)
    return out


@dataclass(frozen=True, eq=False)
class _Fitted:
    axis: Vector
    basis: Matrix
    design: Matrix
    white: Vector
    """Residuals over their sigmas, of rows and priors."""
    sigma: Vector
    """(rows,)"""


def _judged(
    frames: Sequence[TrackedFrame], rows: _Rows, fitted: _Fitted, noise_dof: float
) -> TrackedFit:
    n = len(rows.frame)
    chi2 = float(fitted.white @ fitted.white)
    dof = n - rows.constants - 2
    stretch, widened, p_value = 1.0, 1.0, 1.0
    change = None
    if dof > 0:
        if math.isfinite(noise_dof):
            # Noise known as from noise_dof degrees of freedom, and now from dof more: its scale
            # follows (conjugate prior of a variance; textbook).
            stretch = (noise_dof + chi2) / (noise_dof + dof)
            widened = region_factor(noise_dof + dof)
        known = noise_dof if math.isfinite(noise_dof) else 1e9
        p_value = float(fdtrc(dof, known, chi2 / dof))
        change = _clearest_change(frames, rows, fitted)
        if change is not None:
            p_value = min(p_value, change.p_value)
    scaled = fitted.design.copy()
    scaled[:n] /= math.sqrt(stretch)
    r = np.linalg.qr(scaled, mode="r")
    inverse = np.linalg.inv(r)
    covariance = (inverse @ inverse.T)[:2, :2] * widened
    basis = fitted.basis
    return TrackedFit(
        axis=fitted.axis,
        covariance=np.asarray(basis @ covariance @ basis.T),
        chi2=chi2,
        dof=dof,
        p_value=p_value,
        residuals=(fitted.white[:n] * fitted.sigma)[: len(frames)],
        change=change,
    )


@dataclass(frozen=True)
class _Tried:
    """Something that may have moved, and how well it explains the residuals."""

    what: Moved
    utc_s: float
    place: int
    """Number of the first frame after a step; -1 for a creep."""
    gained: float
    """What it takes off chi-square."""
    used: int
    """Degrees of freedom that it takes."""
    size: float
    """Rad."""


def _clearest_change(frames: Sequence[TrackedFrame], rows: _Rows, fitted: _Fitted) -> Change | None:
    """What explains the residuals best: a step or creep of the axis, or a turned camera.

    Each is judged against the noise that is left without it, so that frames noisier than expected
    are no motion; its chance is multiplied by how many were tried (Bonferroni). Every change of
    group is tried: a step there is mostly hidden, and shows as a smaller one in a wrong place.
    """
    n, least = len(frames), _FEWEST_FOR_A_STEP
    chi2 = float(fitted.white @ fitted.white)
    dof = len(rows.frame) - rows.constants - 2
    look = _Changes(frames, rows, fitted)
    groups = np.array([frame.group for frame in frames])
    changes = 1 + np.flatnonzero(np.diff(groups))
    places: set[int] = set()
    if n >= 2 * least:
        places = set(np.linspace(least, n - least, _STEPS_TRIED).astype(int).tolist())
        places |= {int(k) for k in changes if least <= k <= n - least}
    tried = [one for k in sorted(places) for one in look.steps_at(k)] + look.creep()
    if not tried:
        return None

    def chance(one: _Tried) -> float:
        rest = dof - one.used
        left = max(chi2 - one.gained, 1e-12) / rest if rest > 0 else 1.0
        odds = float(fdtrc(one.used, rest, one.gained / one.used / left)) if rest > 0 else 1.0
        return min(1.0, odds * len(tried))

    best = min(tried, key=chance)
    p_value = chance(best)
    if best.what is not Moved.CREEP:
        # Where exactly: among the frames up to the places beside it.
        after = min((k for k in places if k > best.place), default=best.place + 1)
        before = max((k for k in places if k < best.place), default=best.place - 1)
        near = [one for k in range(before + 1, after) for one in look.steps_at(k)]
        best = max((one for one in near if one.what is best.what), key=lambda one: one.gained)
    between = False
    if best.what is Moved.PIER:
        at_changes = [one for one in tried if one.what is Moved.PIER and one.place in changes]
        there = max(at_changes, key=lambda one: one.gained, default=None)
        noise = max(chi2 - best.gained, 1e-12) / max(dof - best.used, 1)
        if there is not None and best.gained - there.gained < _AS_LIKELY * max(noise, 1.0):
            best, between = there, True
    return Change(best.what, best.size, best.utc_s, p_value, between)


class _Changes:
    """Tries what may have moved against the residuals of a fit."""

    def __init__(self, frames: Sequence[TrackedFrame], rows: _Rows, fitted: _Fitted) -> None:
        self._rows, self._fitted = rows, fitted
        self._basis = np.linalg.qr(fitted.design)[0]
        self._by_axis = rows.by_axis(fitted.axis) @ fitted.basis / fitted.sigma[:, None]
        self._utc_s = np.array([frame.attitude.utc_s for frame in frames])

    def steps_at(self, k: int) -> list[_Tried]:
        """A step of the axis between frames k - 1 and k, and of the camera within their group."""
        rows, when = self._rows, float(0.5 * (self._utc_s[k - 1] + self._utc_s[k]))
        after = (rows.frame >= k).astype(np.float64)
        found = self._tried(Moved.PIER, when, k, self._by_axis * after[:, None])
        if rows.constant[k - 1] == rows.constant[k]:
            here = (rows.constant == rows.constant[k]) & ~rows.distance
            turned = (after * here / self._fitted.sigma)[:, None]
            found += self._tried(Moved.CAMERA, when, k, turned)
        return found

    def creep(self) -> list[_Tried]:
        """An even motion of the axis."""
        first, last = float(self._utc_s[0]), float(self._utc_s[-1])
        if last <= first:
            return []
        share = (self._utc_s[self._rows.frame] - first) / (last - first)
        columns = self._by_axis * (share - 0.5)[:, None]
        return self._tried(Moved.CREEP, 0.5 * (first + last), -1, columns)

    def _tried(self, what: Moved, when: float, place: int, columns: Matrix) -> list[_Tried]:
        padded = np.zeros((len(self._fitted.white), columns.shape[1]))
        padded[: len(columns)] = columns
        new = padded - self._basis @ (self._basis.T @ padded)
        left, sizes, right = np.linalg.svd(new, full_matrices=False)
        good = sizes > 1e-6 * np.linalg.norm(padded)
        used = int(np.count_nonzero(good))
        if used == 0:
            return []
        shares = left[:, good].T @ self._fitted.white
        move = right[good].T @ (shares / sizes[good])
        size = float(np.linalg.norm(move))
        return [_Tried(what, when, place, float(shares @ shares), used, size)]
