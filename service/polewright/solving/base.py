"""What a solver is given and what it must return.

Camera frame used everywhere: **x** along image columns times ``parity``, **y** down the rows,
**z** out along the boresight. For a camera that does not mirror the sky parity is +1 and x, y, z
are right-handed as they stand (x right, y down, z forward); for a mirrored image parity is -1 and
x points to the *left* of the image, so the frame is right-handed again. Attitude matrices hold
these three axes as columns and always have determinant +1.

Pinhole model: a pixel (px, py) looks along ``(parity * (px - cx), py - cy, 1 / scale)``, with
(cx, cy) = ((width - 1) / 2, (height - 1) / 2) and ``scale`` the radians per pixel at the centre.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from polewright.angles import Matrix, Vector
from polewright.clock import CancelToken
from polewright.images.frame import Frame, StarList

MEASURED_SCALE = 0.01
"""A scale that a solved frame told holds to such a fraction for later frames of the same optics."""


@dataclass(frozen=True)
class SolveHint:
    """What is known before the solve. None means unknown."""

    centre_icrs: Vector | None = None
    """Unit vector (3,), ICRS, about where the frame's centre points."""
    radius: float | None = None
    """How far off (rad) the centre may be."""
    scale: float | None = None
    """Radians per pixel of the frame at its centre: where the search begins, no more, unless it was
    measured (see ``scale_tolerance``). Drivers and files are wrong by factors of two."""
    scale_tolerance: float = 0.05
    """Fraction by which ``scale`` is thought to be off. `MEASURED_SCALE` and less says that stars
    told it: then no other is looked for."""
    parity: int | None = None
    """+1 or -1 once it is known (it stays the same as long as the optics do)."""
    epoch_year: float = 2026.0
    """Julian year to which proper motions are applied."""
    k1: float = 0.0
    """Radial distortion (see `Distortion`) as an earlier solve of this set-up found it."""


@dataclass(frozen=True)
class Distortion:
    """Radial distortion: true radius = r * (1 + k1 r^2), r in pixels over half the frame width."""

    k1: float = 0.0


@dataclass(frozen=True)
class Solution:
    """An attitude-grade plate solution. Vectors are ICRS (astrometric: no aberration applied)."""

    solver: str
    attitude_icrs: Matrix
    """Camera x, y, boresight as columns (3, 3), determinant +1 (see module docstring)."""
    parity: int
    scale: float
    """Radians per pixel at the centre."""
    pixels: NDArray[np.float64]
    """(N, 2) x, y of the matched points in the frame."""
    icrs: NDArray[np.float64]
    """(N, 3) their catalogue unit vectors, proper motion applied."""
    sigma_px: NDArray[np.float64]
    """(N,) 1-sigma centroid error of each matched point along one coordinate."""
    covariance: Matrix
    """(3, 3) rad^2 of a small rotation about the camera's x, y, z."""
    rms_px: float
    """Root mean square distance of matched stars from the model."""
    width: int
    height: int
    matched: int
    """Number of real stars matched; 0 when the solver returned only a WCS and ``pixels`` is a
    grid laid over the frame."""
    false_probability: float | None = None
    """Chance that the match is accidental, where the solver estimates it."""
    distortion: Distortion = Distortion()
    elapsed_s: float = 0.0
    catalogue_sigma_rad: NDArray[np.floating] | float = 0.0
    """1-sigma error of the stars' places along one coordinate, rad, of each (N,) or of all: proper
    motions that the catalogue lacks."""

    @property
    def from_grid(self) -> bool:
        """Whether ``pixels`` are points of a grid and not measured stars."""
        return self.matched == 0

    @property
    def centre_icrs(self) -> Vector:
        """Unit vector (3,) of the frame's centre."""
        return self.attitude_icrs[:, 2]


class Solver(Protocol):
    """Finds where a frame points.

    An implementation is found by entry point in the group ``polewright.solvers``; the entry
    point is a callable ``create(options: Mapping[str, object]) -> Solver``.
    """

    @property
    def name(self) -> str:
        """Short name for reports."""

    @property
    def needs_image(self) -> bool:
        """Whether ``frame`` must be given (otherwise the star list is enough)."""

    def solve(
        self,
        stars: StarList,
        hint: SolveHint,
        *,
        frame: Frame | None = None,
        timeout_s: float = 30.0,
        cancel: CancelToken | None = None,
    ) -> Solution:
        """Return the frame's attitude with its covariance; never a guess.

        Raises:
            polewright.solving.errors.TooFewStars: fewer stars than a solve needs.
            polewright.solving.errors.NoMatch: nothing fits; says hint, field and what to change.
            polewright.solving.errors.SolverMissing: the program is not there; says what to do.
            polewright.errors.Cancelled: ``cancel`` was raised; any child process has ended.
        """
