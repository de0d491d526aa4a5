"""How far the base was turned between a frame at rest and a glance at some of its stars.

A glance shows a few stars in a small part of the frame, so where they moved is known well and how
the picture turned only poorly. The base turns by the two adjusters alone: about the vertical u,
and about the horizontal h square to the mount's axis a. So with M the camera's attitude at rest,
carried on by tracking, it now is

    R(u, azimuth) R(h, altitude) R(a, third) M,

and all stars' pixels are fitted with azimuth and altitude free. The third angle, a turn about the
mount's own axis that tracking does not explain, is held near zero by a prior: gears that wander,
and a base that stands out of level. What the stars alone say of it, where they span enough of the
frame, is told beside: a clutch that slips, a bump, tracking that stopped show there.

The picture as a whole is shifted by the air and by wind as well: two more unknowns with a prior.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.geometry.attitude import (
    NO_DISTORTION,
    camera_pixels,
    few_stars_factor,
)
from polewright.calculation.geometry.errors import TooFewDirections
from polewright.calculation.geometry.rotation import rotation_about
from polewright.calculation.geometry.solution import Distortion
from polewright.foundation.angles import ARCSEC, DEG, Matrix, Vector
from polewright.foundation.language import say

_UP = np.array([0.0, 0.0, 1.0])
#: Stars below which a turn cannot be told from two wrong ones.
LEAST_STARS = 3
#: Stars further off than so many sigmas are left out.
CLIP_SIGMAS = 4.0
#: How many residuals the stated errors of the stars are worth (own choice).
BELIEVED = 10
#: Prior of the third angle: at once, per second of a worm that wanders, and per turn of a base that
#: stands out of level by so much (own choices: an entry mount's worm of 15 arcsec and 8 minutes
#: wanders by 0.2 arcsec/s; a bubble shows a degree or so).
THIRD_AT_ONCE, THIRD_PER_S, LEVEL = 2.0 * ARCSEC, 0.2 * ARCSEC, 0.6 * DEG
#: The same where the stars alone shall tell it: no slip that is still followed is larger.
FREE = 1.0 * DEG
#: Rounds of the fit at most, and those before the stars are judged; a change that ends it.
_ROUNDS, _FIRST_ROUNDS, CONVERGED = 12, 2, 0.01 * ARCSEC


@dataclass(frozen=True)
class Picture:
    """How a camera's pixels see: `calculation.geometry.attitude.camera_pixels`."""

    width: int
    height: int
    parity: int
    scale: float
    """Radians per pixel."""
    distortion: Distortion = NO_DISTORTION

    def pixels(self, vectors: Vector) -> NDArray[np.float64]:
        """Pixels (N, 2) that see directions (N, 3) of the camera frame, ahead of it."""
        return camera_pixels(
            vectors, self.width, self.height, self.parity, self.scale, self.distortion
        )


@dataclass(frozen=True, eq=False)
class BaseTurn:
    """What a glance tells. Radians."""

    turn: Matrix
    """(3, 3) of the base with all on it since the frame at rest, tracking apart."""
    azimuth: float
    """About the vertical, right-handed: anticlockwise seen from above."""
    altitude: float
    """About the horizontal square to the axis; positive raises it."""
    covariance: Matrix
    """(2, 2) rad^2 of azimuth and altitude."""
    axis: Vector
    """(3,) where the axis points now."""
    axis_noise: Matrix
    """(3, 3) rad^2 of it, from glance and frame at rest; the axis was not sure before, either."""
    third: float
    """Turn about the axis that tracking does not explain, as the stars alone tell it."""
    third_sigma: float
    """1 sigma of it, with what it may be anyway."""
    used: NDArray[np.bool_]
    """(N,) which stars fit."""
    rms_px: float

    @property
    def odd(self) -> float:
        """The third angle in sigmas: large where something else than an adjuster moved."""
        return self.third / self.third_sigma


def hinge(axis: Vector) -> NDArray[np.float64]:
    """Return the horizontal (3,) about which a right-handed turn raises the axis (3,)."""
    level = np.cross(axis, _UP)
    return np.asarray(level / np.linalg.norm(level))


def sensitivity(
    camera: Matrix, axes: Vector, directions: Vector, picture: Picture
) -> NDArray[np.float64]:
    """Return how stars' pixels move (N, 2, K), pixels per radian, as a camera turns.

    Args:
        camera: (3, 3) its attitude, observed frame.
        axes: (K, 3) about which it turns, observed frame.
        directions: (N, 3) of the stars, observed frame.
        picture: the camera; its distortion is left out here.
    """
    v = directions @ camera
    # A camera that turns by w sees directions turned by -w.
    moved = -np.cross((axes @ camera)[None], v[:, None])
    ahead = v[:, 2, None]
    across = moved[:, :, :2] - v[:, None, :2] / ahead[:, None] * moved[:, :, 2:]
    across /= ahead[:, None] * picture.scale
    across[:, :, 0] *= picture.parity
    return np.asarray(across.transpose(0, 2, 1))


def third_prior(elapsed_s: float, turned: float, axis: Vector) -> float:
    """Return 1 sigma (rad) of the third angle so long after, with the base turned by so much.

    A base out of level by e that turns by b leaks up to b e / cos(altitude) into it.
    """
    leak = LEVEL * turned / math.hypot(float(axis[0]), float(axis[1]))
    return math.hypot(THIRD_AT_ONCE, THIRD_PER_S * elapsed_s, leak)


def fit_base_turn(
    camera: Matrix,
    axis: Vector,
    directions: Vector,
    pixels: Vector,
    sigma_px: Vector,
    picture: Picture,
    *,
    elapsed_s: float,
    floor: float,
    start: Matrix | None = None,
) -> BaseTurn:
    """Fit the two adjusters' turns to the pixels of some stars.

    Args:
        camera: (3, 3) the attitude at rest, carried on by tracking to the glance.
        axis: (3,) the mount's axis at rest, observed frame, towards the visible pole.
        directions: (N, 3) where the light of the stars comes from at the glance, observed.
        pixels: (N, 2) where the glance shows them, in the pixels of ``picture``.
        sigma_px: (N,) 1-sigma error along one coordinate, of frame and glance together.
        picture: the camera.
        elapsed_s: since the frame at rest.
        floor: rad by which air and wind shift the picture as a whole.
        start: (3, 3) turn to begin with, as of the glance before.

    Raises:
        TooFewDirections: fewer than `LEAST_STARS` stars fit.
    """
    count = len(pixels)
    if count < LEAST_STARS:
        raise TooFewDirections(say("stars of a glance"), count, LEAST_STARS)
    stars = _Stars(camera, axis, directions, pixels, np.asarray(sigma_px), picture, floor)
    angles = _split(start, axis) if start is not None else np.zeros(3)
    # First as the stars alone tell it: what does not fit the adjusters is no noise of the stars.
    free = stars.fit(_Fit(angles, np.zeros(2), np.ones(count, dtype=bool), 1.0), FREE, clip=True)
    may_be = third_prior(elapsed_s, math.hypot(free.angles[0], free.angles[1]), axis)
    held = stars.fit(free, third_prior(elapsed_s, 0.0, axis), clip=False)
    leak = third_prior(elapsed_s, math.hypot(held.angles[0], held.angles[1]), axis)
    held = stars.fit(held, leak, clip=False)
    turn = held.turn(axis)
    now = turn @ axis
    about = np.stack([np.cross(_UP, now), np.cross(held.level(axis), now)], axis=1)
    noise = held.covariance[:2, :2]
    return BaseTurn(
        turn=turn,
        azimuth=float(held.angles[0]),
        altitude=float(held.angles[1]),
        covariance=noise,
        axis=now,
        axis_noise=about @ noise @ about.T,
        third=float(free.angles[2]),
        third_sigma=math.hypot(math.sqrt(free.covariance[2, 2]), may_be),
        used=held.use,
        rms_px=free.rms_px,
    )


@dataclass(frozen=True, eq=False)
class _Fit:
    angles: NDArray[np.float64]
    """(3,) azimuth, altitude, third."""
    shift: NDArray[np.float64]
    """(2,) pixels."""
    use: NDArray[np.bool_]
    wider: float
    """Factor on the stars' stated errors."""
    covariance: Matrix = field(default_factory=lambda: np.zeros((5, 5)))
    rms_px: float = 0.0

    def level(self, axis: Vector) -> NDArray[np.float64]:
        """The hinge (3,), carried along by the azimuth adjuster."""
        return np.asarray(rotation_about(_UP, self.angles[0]) @ hinge(axis))

    def turn(self, axis: Vector) -> Matrix:
        """The turn (3, 3) of the base with all on it."""
        first = rotation_about(_UP, self.angles[0]) @ rotation_about(hinge(axis), self.angles[1])
        return np.asarray(first @ rotation_about(axis, self.angles[2]))


@dataclass(frozen=True, eq=False)
class _Stars:
    camera: Matrix
    axis: Vector
    directions: Vector
    pixels: Vector
    sigma: NDArray[np.float64]
    picture: Picture
    floor: float

    def fit(self, fit: _Fit, prior: float, *, clip: bool) -> _Fit:
        """Gauss-Newton with the third angle held by ``prior`` (rad); ``clip`` judges the stars."""
        count = len(self.pixels)
        floor_px = self.floor / self.picture.scale
        held = np.array([0.0, 0.0, prior**-2, floor_px**-2, floor_px**-2])
        small = False
        for step in range(_ROUNDS):
            turn = fit.turn(self.axis)
            now = turn @ self.camera
            off = self.pixels - self.picture.pixels(self.directions @ now) - fit.shift
            if clip and step >= _FIRST_ROUNDS:
                use = self._fitting(off)
                same = bool(np.all(use == fit.use))
                fit = replace(fit, use=use, wider=self._wider(off, use))
                small = small and same
            if small:
                break
            axes = np.stack([_UP, fit.level(self.axis), turn @ self.axis])
            moves = sensitivity(now, axes, self.directions, self.picture)
            rows = np.concatenate([moves, np.broadcast_to(np.eye(2), (count, 2, 2))], axis=2)
            weight = fit.use / (fit.wider * self.sigma) ** 2
            normal = np.einsum("n,nij,nik->jk", weight, rows, rows) + np.diag(held)
            right = np.einsum("n,nij,ni->j", weight, rows, off)
            right -= held * np.concatenate([fit.angles * [0.0, 0.0, 1.0], fit.shift])
            covariance = _inverse(normal)
            change = covariance @ right
            fit = replace(
                fit,
                angles=fit.angles + change[:3],
                shift=fit.shift + change[3:],
                covariance=covariance,
            )
            small = float(np.max(np.abs(change[:3]))) < CONVERGED
        kept = off[fit.use]
        return replace(fit, rms_px=float(np.sqrt(np.mean(np.sum(kept**2, axis=1)))))

    def _fitting(self, off: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Mark stars within `CLIP_SIGMAS`, of the stated or the observed noise (see `attitude`)."""
        length = np.hypot(off[:, 0], off[:, 1]) / self.sigma
        use = length <= CLIP_SIGMAS * max(1.0, float(np.median(length)) / 1.1774)
        if int(use.sum()) < LEAST_STARS:
            raise TooFewDirections(say("stars of a glance"), int(use.sum()), LEAST_STARS)
        return np.asarray(use)

    def _wider(self, off: NDArray[np.float64], use: NDArray[np.bool_]) -> float:
        """Factor on the stated errors that the residuals ask for.

        The stated ones count as much as `BELIEVED` residuals: those of a few stars alone would
        have them waver from glance to glance.
        """
        dof = BELIEVED + max(0, 2 * int(use.sum()) - 3)
        squares = float(np.sum(np.sum(off[use] ** 2, axis=1) / self.sigma[use] ** 2))
        return math.sqrt(max(1.0, (BELIEVED + squares) / dof)) * few_stars_factor(dof)


def _split(turn: Matrix, axis: Vector) -> NDArray[np.float64]:
    """Azimuth and altitude of a turn, as a place to begin; the third angle at zero."""
    carried = turn @ axis
    east = math.atan2(carried[1], carried[0]) - math.atan2(axis[1], axis[0])
    raised = math.asin(float(carried[2])) - math.asin(float(axis[2]))
    return np.array([math.remainder(east, 2.0 * math.pi), raised, 0.0])


def _inverse(normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverse of normal equations whose unknowns differ by many powers of ten."""
    size = 1.0 / np.sqrt(np.diag(normal))
    return np.asarray(np.linalg.inv(normal * np.outer(size, size)) * np.outer(size, size))
