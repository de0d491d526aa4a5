"""The quick look at a frame taken near one just solved: only where stars are expected.

From the attitude before follow the places of the brightest catalogue stars. Three attempts, each
checked by the solver's own tests of a match:

1. windows of some dozen pixels around the brightest tell how all stars moved together;
2. when they moved further than that, the middle of the frame is searched and followed;
3. windows of a few pixels, moved accordingly, measure all stars that are used.

Where this does not succeed the caller looks at the whole frame (`calculation.images.detect`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from polewright.calculation.geometry.attitude import (
    STAR_FLOOR,
    Attitude,
    attitude_from_solution,
    camera_pixels,
)
from polewright.calculation.geometry.rotation import wahba
from polewright.calculation.geometry.solution import Solution
from polewright.calculation.images.detect import DetectOptions, detect_stars
from polewright.calculation.images.frame import Frame, StarList, middle_margins
from polewright.calculation.images.windows import how_moved, stars_at
from polewright.calculation.sky.frame import ObservedFrame
from polewright.foundation.angles import DEG, Matrix, Vector
from polewright.foundation.errors import GeometryError, SolveError
from polewright.solving.base import CatalogueSolver

#: Stars measured: more would make the attitude little better (measured in tests/bench).
MOST_STARS = 240
#: Stars that tell how the frame moved.
PILOTS = 20
#: How far the pilots may have moved, pixels.
PILOT_REACH_PX = 44.0
#: How far a star may be from where the pilots put it: refraction, a turn of the frame.
REACH_PX = 9.0
#: Fewer stars than this are too few to be sure.
LEAST_STARS = 8
#: The middle of the frame that is searched after a larger motion, pixels.
MIDDLE_PX = 3.5e6
_FEW = DetectOptions(max_stars=120, learn_from=60)
#: How far the camera may have turned for that.
FURTHEST = 1.0 * DEG
#: Wider stars need windows that hold as much as the frame.
WIDEST_FWHM_PX = 8.0


@dataclass(frozen=True, eq=False)
class Near:
    """A frame solved by a quick look."""

    stars: StarList
    solution: Solution
    searched: str
    """"windows", or "middle" when the middle of the frame had to be searched first."""


@dataclass(frozen=True, eq=False)
class Before:
    """The frame solved before."""

    attitude: Attitude
    solution: Solution
    sky: ObservedFrame
    stars: StarList
    most_stars: int
    """Stars matched when a whole frame was looked at last."""


def look_near(
    solver: CatalogueSolver, before: Before, frame: Frame, sky: ObservedFrame, *, tracking: bool
) -> Near | None:
    """Solve a frame by looking only where its stars should be; None when that does not succeed.

    Args:
        solver: what knows the stars and judges the match.
        before: the frame solved before.
        frame: the new one, of the same size.
        sky: the sky over the site in the middle of the new exposure.
        tracking: whether the camera has followed the sky since, or stood on the Earth.

    Raises:
        ImageError: the frame cannot be measured.
    """
    fwhm = _width_of(before.stars)
    size = (frame.width, frame.height)
    if size != (before.stars.width, before.stars.height) or fwhm > WIDEST_FWHM_PX:
        return None
    # A camera that follows the sky sees each star where it saw it before.
    then = before.sky if tracking else sky
    predicted = before.solution.attitude_icrs
    if not tracking:
        predicted = icrs_attitude(before.attitude, sky)
    places = _places(solver, before, before.attitude, then, predicted[:, 2], size)
    if len(places) < LEAST_STARS:
        return None
    moved = how_moved(frame, places[:PILOTS], PILOT_REACH_PX, fwhm)
    if moved is not None:
        near = _measured(
            solver, before, frame, sky, moved(places), predicted, PILOT_REACH_PX, fwhm, "windows"
        )
        if near is not None:
            return near
    coarse = _from_middle(solver, before, frame, sky, predicted)
    if coarse is None:
        return None
    attitude, found = coarse
    places = _places(solver, before, attitude, sky, found[:, 2], size)
    return _measured(solver, before, frame, sky, places, found, REACH_PX, fwhm, "middle")


def icrs_attitude(attitude: Attitude, sky: ObservedFrame) -> Matrix:
    """Return the camera's axes (3, 3), ICRS, when it stands like this under a sky.

    Axes cannot simply be carried over: those across the boresight may point to the ground, and
    what refraction does there would turn the camera. So a cross of half a degree about the
    boresight is carried over.
    """
    arm = math.tan(0.5 * DEG)
    cross = np.array([[0, 0, 1], [arm, 0, 1], [-arm, 0, 1], [0, arm, 1], [0, -arm, 1]], dtype=float)
    cross /= np.linalg.norm(cross, axis=1, keepdims=True)
    return wahba(cross, sky.to_icrs(cross @ attitude.matrix.T), np.ones(len(cross)))


def _width_of(stars: StarList) -> float:
    sure = ~stars.saturated
    return float(np.median(stars.fwhm_px[sure])) if sure.any() else math.inf


def _places(
    solver: CatalogueSolver,
    before: Before,
    attitude: Attitude,
    sky: ObservedFrame,
    centre_icrs: Vector,
    size: tuple[int, int],
) -> np.ndarray:
    """Where (N, 2) the brightest stars are in a frame of an attitude, brightest first."""
    width, height = size
    corner = math.atan(0.52 * attitude.scale * math.hypot(width, height))
    icrs = solver.stars_around(centre_icrs, corner, sky.julian_year)
    icrs = icrs[: 4 * before.most_stars + 40]  # a frame is over half of the circle about it
    if len(icrs) == 0:
        return np.empty((0, 2))
    camera = sky.observe(icrs) @ attitude.matrix
    ahead = camera[:, 2] > 0.05
    pixels = camera_pixels(
        camera[ahead], width, height, attitude.parity, attitude.scale, before.attitude.distortion
    )
    rim = 12.0
    inside = np.all((pixels > rim) & (pixels < np.array([width, height]) - 1 - rim), axis=1)
    return np.asarray(pixels[inside][: min(MOST_STARS, before.most_stars)])


def _measured(
    solver: CatalogueSolver,
    before: Before,
    frame: Frame,
    sky: ObservedFrame,
    places: np.ndarray,
    predicted: Matrix,
    moved_px: float,
    fwhm: float,
    searched: str,
) -> Near | None:
    """Measure stars at their places and solve by them, if enough are there."""
    scale = before.solution.scale
    stars = stars_at(frame, places, REACH_PX, fwhm)
    if stars is None or len(stars) < max(LEAST_STARS, 0.5 * len(places)):
        return None
    try:
        solution = solver.track(
            stars,
            predicted,
            before.solution.parity,
            scale,
            off=2.0 * moved_px * scale,
            epoch_year=sky.julian_year,
            k1=before.solution.distortion.k1,
        )
    except SolveError:
        return None
    if solution.matched < max(LEAST_STARS, 0.5 * len(places)):
        return None
    return Near(stars, solution, searched)


def _from_middle(
    solver: CatalogueSolver, before: Before, frame: Frame, sky: ObservedFrame, predicted: Matrix
) -> tuple[Attitude, Matrix] | None:
    """Find the attitude (observed, and ICRS) from the middle of the frame; None if not there."""
    width, height = frame.width, frame.height
    part = math.sqrt(MIDDLE_PX / (width * height))
    if part > 0.7:
        return None
    left, top = middle_margins(width, height, part)
    pixels = frame.pixels[top : height - top, left : width - left]
    middle = replace(frame, pixels=pixels)
    stars = detect_stars(middle, _FEW)
    if len(stars) < LEAST_STARS:
        return None
    try:
        solution = solver.track(
            stars,
            predicted,
            before.solution.parity,
            before.solution.scale,
            off=FURTHEST,
            epoch_year=sky.julian_year,
            k1=before.solution.distortion.k1 * (middle.width / width) ** 2,
        )
        attitude = attitude_from_solution(solution, sky, star_floor_rad=STAR_FLOOR)
    except (SolveError, GeometryError):
        return None
    return attitude, solution.attitude_icrs
