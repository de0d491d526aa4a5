"""Whether all light of a live frame lies where it was solved, or the axis moved meanwhile.

A frame exposed while somebody turns an adjuster shows every star twice, or with a trail. Its
brighter set, or the one nearer to where stars were expected, is solved as if nothing had happened.
Three things tell: the stars are dimmer than before (so they are under a cloud), light lies to one
side of them (`one_sided`), and what else was detected in the frame is the same field again.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from polewright.calculation.adjusting.observation import Light
from polewright.calculation.geometry.attitude import camera_vectors
from polewright.calculation.geometry.solution import Solution
from polewright.calculation.images.detect import detect_stars
from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.images.one_sided import FAR_REACH_PX, REACH_PX, one_sided
from polewright.foundation.angles import DEG, Vector
from polewright.foundation.errors import SolveError
from polewright.solving.base import CatalogueSolver, Solver

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Stars dimmer than this share of what they were at their brightest make a frame suspicious.
STEADY = 0.96
#: Stars that both frames must have in common to compare their light.
LEAST_COMMON = 6
#: A star is the same within so many pixels.
SAME_PX = 3.0
#: Stars of a field that are remembered, the newest.
MOST_REMEMBERED = 5000
#: Part by which a star's light differs from frame to frame, whatever its brightness: scintillation,
#: and its place on the pixels (own choice).
FLUX_FLOOR = 0.02
#: How far a turn may carry the stars during an exposure.
FURTHEST = 1.0 * DEG
#: A second set of stars is recognised by so many of the brightest, each so many sigmas bright.
_SECOND_SET, _SECOND_SIGMAS = 16, 8.0


class LightMemory:
    """The light of the stars of one field, from frame to frame."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Another field comes."""
        self._icrs: Floats = np.empty((0, 3))
        self._rate: Floats = np.empty(0)
        """(N,) counts per second as of the first frame's brightness."""
        self._levels: list[float] = []
        self._best = 0.0

    def judge(
        self, solver: Solver, frame: Frame, stars: StarList, solution: Solution, epoch_year: float
    ) -> Light:
        """Tell where the light of a solved frame is, and remember its stars.

        Args:
            solver: asked whether what else is there is the same field again, if it can follow.
            frame: the frame.
            stars: what it was solved by.
            solution: its solution.
            epoch_year: Julian year of it.
        """
        whole, quick = stars, stars.searched_px is not None
        brightness = self._brightness(stars, frame.exposure_s, solution)
        looked = not quick or not self._steady(brightness)
        if quick and looked:
            whole = detect_stars(frame)
            brightness = self._brightness(whole, frame.exposure_s, solution)
        here = whole.take(self._known(whole, solution))
        reach_px = FAR_REACH_PX if looked else REACH_PX
        # Without one star that is known nothing tells where else the light could be.
        beside = one_sided(frame, here, _width(here), reach_px) if len(here) else None
        elsewhere, hidden = 0.0, 1.0
        if beside is not None:
            elsewhere = beside.found / (1.0 + beside.found)
        if beside is not None and looked and isinstance(solver, CatalogueSolver):
            far = min(FURTHEST / solution.scale, math.hypot(frame.width, frame.height))
            hidden = beside.unseen_image + far * beside.unseen_trail_per_px + _unseen_set(here)
            elsewhere = max(elsewhere, self._second_set(solver, whole, here, solution, epoch_year))
        if self._steady(brightness) and elsewhere < 1.0 - STEADY:
            elsewhere = 0.0  # no more than the stars can have lost
        self._remember(stars, frame.exposure_s, solution, brightness, new=elsewhere == 0.0)
        return Light(brightness, elsewhere, hidden)

    def _steady(self, brightness: float | None) -> bool:
        return brightness is not None and brightness >= STEADY * self._best

    def _known(self, stars: StarList, solution: Solution, near_px: float = SAME_PX) -> Mask:
        """Which stars stand where the solution was found, or where frames before had some."""
        pixels = np.column_stack([stars.x, stars.y])
        if solution.from_grid:
            known = np.full(len(stars), not len(self._icrs))
        else:
            known = cKDTree(solution.pixels).query(pixels)[0] < near_px
        if len(self._icrs):
            off = cKDTree(self._icrs).query(_directions(stars, solution))[0]
            known |= off < near_px * solution.scale
        return np.asarray(known)

    def _brightness(self, stars: StarList, exposure_s: float, solution: Solution) -> float | None:
        if not len(self._icrs):
            return 1.0
        off, same = cKDTree(self._icrs).query(_directions(stars, solution))
        use = np.flatnonzero((off < SAME_PX * solution.scale) & ~stars.saturated)
        if use.size < LEAST_COMMON:
            return None
        flux = stars.flux[use]
        ratio = np.log(flux / (exposure_s * self._rate[same[use]]))
        weight = 1.0 / (FLUX_FLOOR**2 + (_faint(stars) / flux) ** 2)
        order = np.argsort(ratio)
        reached = np.cumsum(weight[order])
        return float(np.exp(ratio[order][np.searchsorted(reached, 0.5 * reached[-1])]))

    def _second_set(
        self,
        solver: CatalogueSolver,
        whole: StarList,
        here: StarList,
        solution: Solution,
        year: float,
    ) -> float:
        """Share of the light in a second set of the same stars; 0 without one."""
        rest = whole.take(~self._known(whole, solution, max(SAME_PX, 1.5 * _width(here))))
        try:
            second = solver.track(
                rest, solution.attitude_icrs, solution.parity, solution.scale,
                off=FURTHEST, epoch_year=year, k1=solution.distortion.k1,
            )  # fmt: skip
        except SolveError:
            return 0.0
        first = cKDTree(solution.icrs).query(second.icrs)
        both = first[0] < SAME_PX * solution.scale
        light = _flux_at(rest, second.pixels[both])
        beside = light / np.maximum(_flux_at(here, solution.pixels[first[1][both]]), 1e-9)
        ratio = float(np.median(beside)) if both.any() else 1.0
        return ratio / (1.0 + ratio)

    def _remember(
        self,
        stars: StarList,
        exposure_s: float,
        solution: Solution,
        brightness: float | None,
        *,
        new: bool,
    ) -> None:
        if brightness is None:
            self.forget()
            brightness, new = 1.0, True
        self._levels = [*self._levels[-2:], brightness]
        self._best = max(self._best, sorted(self._levels)[len(self._levels) // 2])
        if not new:
            return
        fresh, icrs = ~stars.saturated, _directions(stars, solution)
        if len(self._icrs):
            fresh &= cKDTree(self._icrs).query(icrs)[0] > SAME_PX * solution.scale
        rate = stars.flux[fresh] / (exposure_s * brightness)
        self._icrs = np.concatenate([self._icrs, icrs[fresh]])[-MOST_REMEMBERED:]
        self._rate = np.concatenate([self._rate, rate])[-MOST_REMEMBERED:]


def _directions(stars: StarList, solution: Solution) -> Floats:
    """(N, 3) ICRS."""
    pixels = np.column_stack([stars.x, stars.y])
    camera = camera_vectors(
        pixels, stars.width, stars.height, solution.parity, solution.scale, solution.distortion
    )
    return np.asarray(camera @ solution.attitude_icrs.T)


def _width(stars: StarList) -> float:
    sure = ~stars.saturated
    return float(np.median(stars.fwhm_px[sure if sure.any() else slice(None)]))


def _flux_at(stars: StarList, pixels: Vector) -> Floats:
    return np.asarray(stars.flux[cKDTree(np.column_stack([stars.x, stars.y])).query(pixels)[1]])


def _unseen_set(here: StarList) -> float:
    """Share of the light that a second set of stars needs to be recognised."""
    if len(here) == 0:
        return 1.0
    nth = min(len(here), _SECOND_SET) - 1
    return _SECOND_SIGMAS * _faint(here) / float(here.flux[nth])


def _faint(stars: StarList) -> float:
    """Counts of a star that is as bright as the background's noise under its image."""
    area_px = 4.0 * math.pi * (_width(stars) / 2.3548) ** 2
    return stars.noise_adu * math.sqrt(area_px)
