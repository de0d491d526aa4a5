"""What a solver is given and must return (camera frame: see `calculation.geometry.solution`)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from polewright.calculation.geometry.solution import Solution
from polewright.calculation.images.frame import Frame, StarList
from polewright.foundation.angles import DEG, Matrix, Vector
from polewright.foundation.clock import CancelToken

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
    quick: bool = False
    """Whether long searches may be left out: the same stars are soon seen again."""


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
            polewright.foundation.errors.Cancelled: ``cancel`` was raised; any child process has
                ended.
        """


@runtime_checkable
class CatalogueSolver(Solver, Protocol):
    """A solver that knows its stars, and can offer more for it: all that a solver may offer.

    Live frames are then read in milliseconds, and sweeps planned where it has stars enough.
    """

    @property
    def catalogue(self) -> str:
        """Which stars these are."""

    def star_density(self, vectors: Vector) -> Vector:
        """Catalogue stars per steradian (N,) around ICRS directions (N, 3)."""

    def stars_around(self, centre: Vector, radius: float, epoch_year: float) -> Vector:
        """Return unit vectors (N, 3), ICRS, brightest first, within ``radius`` (rad)."""

    def track(
        self,
        stars: StarList,
        predicted: Matrix,
        parity: int,
        scale: float,
        *,
        off: float = 1.0 * DEG,
        epoch_year: float = 2026.0,
        k1: float = 0.0,
    ) -> Solution:
        """Return the attitude near a ``predicted`` one (3, 3), ICRS; raise `NoMatch` otherwise."""
