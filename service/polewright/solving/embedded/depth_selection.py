"""The embedded solver with add-on catalogues: as deep as a field needs, and not deeper.

A wide field has stars enough among the bright ones; deeper stars would only slow its search. So
one solver of the common kind is kept for each depth that was needed, over the same stars cut at
another magnitude.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from polewright.calculation.geometry.solution import Solution
from polewright.calculation.images.frame import Frame, StarList
from polewright.foundation.angles import DEG, Matrix, Vector
from polewright.foundation.clock import CancelToken
from polewright.solving.base import CatalogueSolver, SolveHint
from polewright.solving.catalogue.addon import AddOn
from polewright.solving.catalogue.catalogue import ConeStars, Layered, StarSource, bundled_catalogue
from polewright.solving.catalogue.density import SkyDensity, bundled_density

ENOUGH = 60.0
"""Stars a frame wanted on average where the frame may be (own choice)."""
_UNKNOWN_FIELD = 4.0 * DEG
"""Frame width assumed where nobody told the scale (own choice)."""


@dataclass(frozen=True)
class Cut:
    """A source without the stars fainter than ``limit``."""

    source: StarSource
    limit: float

    @property
    def name(self) -> str:
        """Name of what is cut."""
        return self.source.name

    def cone(
        self, centre: Vector, radius: float, epoch_year: float, *, faintest: float | None = None
    ) -> ConeStars:
        """Return the stars within ``radius`` (rad) of the unit vector ``centre``, sorted."""
        limit = self.limit if faintest is None else min(self.limit, faintest)
        return self.source.cone(centre, radius, epoch_year, faintest=limit)


def layers_of(addons: Sequence[AddOn]) -> tuple[StarSource, ...]:
    """Order catalogues by trust: those whose stars move, the bundled one, the others."""
    moving = [item for item in addons if item.moving]
    still = [item for item in addons if not item.moving]
    return (*moving, bundled_catalogue(), *still)


def density_with(addons: Sequence[AddOn]) -> SkyDensity:
    """Density of the bundled stars and the add-ons' own; add-ons may share theirs."""
    if not addons:
        return bundled_density()
    extra = np.maximum.reduce([item.extra_density.counts for item in addons])
    return bundled_density() + SkyDensity(extra)


class DeepSolver:
    """A solver that chooses among solvers of several depths."""

    needs_image = False

    def __init__(
        self, addons: Sequence[AddOn], make: Callable[[StarSource], CatalogueSolver]
    ) -> None:
        """Keep what is needed to make solvers.

        Args:
            addons: one or more catalogues.
            make: makes a solver for a source of stars.
        """
        self._layers = Layered(layers_of(addons))
        self._moving = any(item.moving for item in addons)
        self._make, self._bundled_limit = make, bundled_catalogue().limit
        self._density = density_with(addons)
        self._solvers: dict[float, CatalogueSolver] = {}
        self._plain = make(bundled_catalogue())
        self._last = self._plain
        self.name = self._plain.name

    def star_density(self, vectors: Vector) -> Vector:
        """Catalogue stars per steradian (N,) around ICRS directions (N, 3)."""
        return self._density.per_steradian(vectors)

    @property
    def catalogue(self) -> str:
        """Which stars these are."""
        return self._layers.name

    def depth(self, hint: SolveHint, width: int, height: int) -> float:
        """Return the magnitude down to which frames of this set-up need stars."""
        scale = _UNKNOWN_FIELD / width if hint.scale is None else hint.scale
        around = _around(hint.centre_icrs, hint.radius or 5.0 * DEG)
        wanted = ENOUGH / (scale**2 * width * height)
        return max(self._bundled_limit, self._density.depth_for(around, wanted))

    def solve(
        self,
        stars: StarList,
        hint: SolveHint,
        *,
        frame: Frame | None = None,
        timeout_s: float = 30.0,
        cancel: CancelToken | None = None,
    ) -> Solution:
        """Return the frame's attitude; see `polewright.solving.base.Solver.solve`."""
        return self._at(hint, stars.width, stars.height).solve(
            stars, hint, frame=frame, timeout_s=timeout_s, cancel=cancel
        )

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
        """Follow a field; see `polewright.solving.embedded.solver.EmbeddedSolver.track`."""
        hint = SolveHint(predicted[:, 2], off, scale)
        return self._at(hint, stars.width, stars.height).track(
            stars, predicted, parity, scale, off=off, epoch_year=epoch_year, k1=k1
        )

    def stars_around(self, centre: Vector, radius: float, epoch_year: float) -> Vector:
        """Return unit vectors (N, 3), ICRS, brightest first, as deep as the last solve."""
        return self._last.stars_around(centre, radius, epoch_year)

    def _at(self, hint: SolveHint, width: int, height: int) -> CatalogueSolver:
        depth = self.depth(hint, width, height)
        if depth <= self._bundled_limit and not self._moving:
            self._last = self._plain
        else:
            if depth not in self._solvers:
                self._solvers[depth] = self._make(Cut(self._layers, depth))
            self._last = self._solvers[depth]
        return self._last


def _around(centre: Vector | None, radius: float) -> Vector:
    """Directions (N, 3) to ask for the density: around a hint, or the whole sky's cells."""
    if centre is None or radius > 30.0 * DEG:
        count = 400  # a spiral over the sphere
        z = 1.0 - (2.0 * np.arange(count) + 1.0) / count
        turn = np.arange(count) * (math.pi * (3.0 - math.sqrt(5.0)))
        flat = np.sqrt(1.0 - z * z)
        return np.stack([flat * np.cos(turn), flat * np.sin(turn), z], axis=1)
    helper = np.eye(3)[int(np.argmin(np.abs(centre)))]
    east = np.cross(helper, centre)
    east /= np.linalg.norm(east)
    north = np.cross(centre, east)
    angles = np.arange(8) * (math.pi / 4.0)
    ring = np.cos(angles)[:, None] * east + np.sin(angles)[:, None] * north
    out = [centre[None, :]]
    out += [math.cos(r) * centre + math.sin(r) * ring for r in (0.5 * radius, radius)]
    return np.concatenate(out)
