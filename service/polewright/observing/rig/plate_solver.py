"""Solving one frame with everything that is known by now: the mount's word, scale and parity."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from polewright.calculation.adjusting.observation import Light
from polewright.calculation.geometry.attitude import STAR_FLOOR, Attitude, attitude_from_solution
from polewright.calculation.geometry.rotation import rotation_about
from polewright.calculation.geometry.solution import Solution
from polewright.calculation.images.frame import Frame, StarList
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC, DEG, Matrix, Vector, separation
from polewright.foundation.clock import REAL_THREADS, CancelToken, Threads
from polewright.foundation.errors import SolveError
from polewright.foundation.language import say
from polewright.observing.rig.live_solve import Before, Near, icrs_attitude, look_near
from polewright.observing.rig.undivided_light import LightMemory
from polewright.solving.base import MEASURED_SCALE, CatalogueSolver, SolveHint, Solver
from polewright.solving.errors import NoMatch, SolutionRejected, TooNarrowForWholeSky

#: Once one frame is solved the mount's own offset is known; what remains is how much that offset
#: changes over a sweep: the misalignment (some degrees) and the mount's cone error.
LEARNED_RADIUS = 4.0 * DEG
#: Longest solve of a live frame, s: a smeared one must be known as such at once (own choice).
FOLLOW_TIMEOUT_S = 3.0
#: Fraction by which a scale that was told, not measured, is thought to be off (own choice).
NOMINAL_SCALE_TOLERANCE = 0.05
#: A focal length is told to be another from so much on: makers round theirs (own choice).
FOCAL_TOLD = 0.02
#: Stars from which on a frame shows the distortion of its lens (`solving.embedded.refit` fits it).
LENS_STARS = 40
#: A lens that moves stars less than this at half the frame's width counts as straight: that small
#: it is mostly noise, and would be carried into frames with too few stars to correct it.
LENS_SEEN_PX = 0.5


class ScaleContradicts(SolveError):
    """A solution's pixel scale is not the one of the frames solved before."""

    code = "scale_contradicts"
    advice = say(
        "If reducer, extender, camera or binning was changed since, start a new run; if not, "
        "this solution was false and was not used."
    )

    def __init__(self, found_arcsec: float, expected_arcsec: float) -> None:
        super().__init__(found_arcsec, expected_arcsec)
        self.found_arcsec, self.expected_arcsec = found_arcsec, expected_arcsec

    def __str__(self) -> str:
        return say(
            "the solution has {found_arcsec:.3f} arcsec per pixel where the frames "
            "before had {expected_arcsec:.3f}",
            found_arcsec=self.found_arcsec,
            expected_arcsec=self.expected_arcsec,
        )


class FirstSolutionFalse(ScaleContradicts):
    """The scale that the run had so far was that of one false solution."""

    code = "first_solution_false"
    advice = say("Start the sweep again: what the false solution said is forgotten.")

    def __str__(self) -> str:
        return say(
            "the first solution of this run was false: it had {expected_arcsec:.3f} "
            "arcsec per pixel, and two frames since agree on {found_arcsec:.3f}",
            expected_arcsec=self.expected_arcsec,
            found_arcsec=self.found_arcsec,
        )


@dataclass(frozen=True)
class FocalClaim:
    """The focal length as it was told before any star was seen."""

    focal_length_mm: float
    pixel_um: float
    """As binned."""
    by_driver: bool
    """Whether the mount's driver told it, else the configuration."""

    @property
    def scale(self) -> float:
        """Radians per pixel that follow."""
        return self.pixel_um * 1e-3 / self.focal_length_mm


@dataclass(frozen=True)
class Plate:
    """A solved frame."""

    attitude: Attitude
    solution: Solution
    sky: ObservedFrame
    stars: StarList
    mount_offset: float
    """Angle (rad) between the mount's own pointing and the solved one."""
    light: Light | None = None
    """Of a live frame: whether all of it lies where it was solved."""
    solve_s: float = 0.0
    """How long the solver took, all its tries together."""


def _shortest_turn(start: Vector, end: Vector) -> Matrix:
    """Rotation (3, 3) that carries one unit vector onto another by the shortest way."""
    cross = np.cross(start, end)
    size = float(np.linalg.norm(cross))
    if size == 0.0:
        return np.eye(3)
    return rotation_about(cross / size, math.atan2(size, float(start @ end)))


def _unhinted(hint: SolveHint) -> SolveHint:
    return dataclasses.replace(hint, centre_icrs=None, radius=None)


class PlateSolver:
    """Solves the frames of one run and remembers scale, parity and the mount's offset.

    Args:
        solver: does the work.
        site: the place.
        atmosphere: the air, for refraction.
        nominal_scale: rad per pixel by focal length and pixel as told; None where unknown.
        claim: what that follows from, to say it when the stars tell another focal length.
        hint_radius: rad around the mount's word in which the first frame is looked for.
        blind: whether a frame that is not there may be looked for in the whole sky.
        timeout_s: longest a solve may take.
        k1: radial distortion to begin with.
        threads: of the run's clock; they measure solves.
    """

    def __init__(
        self,
        solver: Solver,
        site: Site,
        atmosphere: Atmosphere,
        *,
        nominal_scale: float | None,
        claim: FocalClaim | None = None,
        hint_radius: float,
        blind: bool,
        timeout_s: float,
        k1: float = 0.0,
        threads: Threads = REAL_THREADS,
    ) -> None:
        self.solver = solver
        self._threads = threads
        self.site, self.atmosphere = site, atmosphere
        self.scale = nominal_scale
        self.claim = claim
        self._claim_corrected = ""
        self.scale_tolerance = NOMINAL_SCALE_TOLERANCE
        self.parity: int | None = None
        self.k1 = k1
        self._k1_stars = 0
        self.hint_radius, self.blind, self.timeout_s = hint_radius, blind, timeout_s
        self._offset: Matrix = np.eye(3)
        self._last: Plate | None = None
        self._lost = False
        """Whether the last live frame was not found."""
        self._confirmed = False
        self._rival: float | None = None
        self._told = SolveHint(None, hint_radius, nominal_scale, NOMINAL_SCALE_TOLERANCE, k1=k1)
        self._most_stars = 0
        self._light = LightMemory()

    def sky_at(self, utc_s: float) -> ObservedFrame:
        """Return the sky over this site at a time."""
        return ObservedFrame.at(self.site, self.atmosphere, utc_s)

    def hint(self, sky: ObservedFrame, mount_icrs: Vector | None) -> SolveHint:
        """Return what is known about a frame before it is solved."""
        centre = None if mount_icrs is None else self._offset @ mount_icrs
        return SolveHint(
            centre_icrs=centre,
            radius=None if centre is None else self.hint_radius,
            scale=self.scale,
            scale_tolerance=self.scale_tolerance,
            parity=self.parity,
            epoch_year=sky.julian_year,
            k1=self.k1,
        )

    @property
    def claim_corrected(self) -> str:
        """What the stars say of the focal length that was told; empty where they agree."""
        return self._claim_corrected

    @property
    def focal_length_mm(self) -> float | None:
        """The focal length that the stars tell; None before a frame is solved or without pixels."""
        if not self.learned or self.claim is None or self.scale is None:
            return None
        return self.claim.pixel_um * 1e-3 / self.scale

    @property
    def driver_alone_tells(self) -> bool:
        """Whether the scale is the mount's driver's word, which is often wrong, and no more."""
        return not self.learned and self.claim is not None and self.claim.by_driver

    @property
    def learned(self) -> bool:
        """Whether a frame has been solved yet."""
        return self._last is not None

    def lens_bends_px(self, width: int) -> float | None:
        """How far (pixels) the distortion found moves a star half a frame's width off centre.

        None while no frame has had stars enough to tell.
        """
        return abs(self.k1) * 0.5 * width if self._k1_stars else None

    def expected_centre(self, mount_icrs: Vector) -> Vector | None:
        """Where (ICRS) the offset learned last puts the centre; None before anything is learned."""
        return self._offset @ mount_icrs if self.learned else None

    def solve(
        self,
        stars: StarList,
        frame: Frame,
        mount_icrs: Vector | None,
        cancel: CancelToken,
    ) -> Plate:
        """Solve a frame and learn from it.

        Args:
            stars: what was detected in ``frame``.
            frame: the frame itself, for solvers that want the image.
            mount_icrs: unit vector (3,) where the mount says it points; None if unknown.
            cancel: raises out of the solve.

        Raises:
            SolveError: as the solver says, or `ScaleContradicts`.
            FirstSolutionFalse: this is the second solution at another scale than the only one
                before; it was learnt from, and what that one told is forgotten.
        """
        began_s = self._threads.timer_s()
        self._light.forget()
        sky = self.sky_at(frame.utc_mid_s)
        hint = self.hint(sky, mount_icrs)
        try:
            solution = self._ask(stars, frame, hint, cancel, self.timeout_s)
        except NoMatch as nowhere_near:
            solution = self._solve_wider(stars, frame, mount_icrs, hint, nowhere_near, cancel)
        plate = self._taken(stars, sky, solution, mount_icrs)
        return dataclasses.replace(plate, solve_s=self._threads.timer_s() - began_s)

    def _taken(
        self, stars: StarList, sky: ObservedFrame, solution: Solution, mount_icrs: Vector | None
    ) -> Plate:
        """Learn from the solution of a whole frame, if its scale is that of the frames before.

        Raises:
            ScaleContradicts: it is another.
            FirstSolutionFalse: as `solve` says.
        """
        try:
            self._check_scale(solution)
        except ScaleContradicts as other:
            if self._confirmed:
                raise
            if self._rival is None or abs(solution.scale / self._rival - 1.0) > MEASURED_SCALE:
                self._rival = solution.scale
                raise
            self._forget()
            self._learn(stars, sky, solution, mount_icrs)
            self._confirmed = True
            raise FirstSolutionFalse(other.found_arcsec, other.expected_arcsec) from None
        return self._learn(stars, sky, solution, mount_icrs)

    def _solve_wider(
        self,
        stars: StarList,
        frame: Frame,
        mount_icrs: Vector | None,
        hint: SolveHint,
        nowhere_near: NoMatch,
        cancel: CancelToken,
    ) -> Solution:
        """Solve what is not where it should be; raise ``nowhere_near`` when it may not be sought.

        While a single solution has told scale, parity and place it may have been false: then the
        frame is asked as if it were the run's first.
        """
        wider = []
        if self._may_be_false:
            hint = self._as_first(mount_icrs, hint.epoch_year)
            wider.append(hint)
        if self.blind and hint.centre_icrs is not None:
            wider.append(_unhinted(hint))
        failed = nowhere_near
        for other in wider:
            try:
                return self._ask(stars, frame, other, cancel, self.timeout_s)
            except TooNarrowForWholeSky:
                break
            except NoMatch as error:
                failed = error
        raise failed

    @property
    def _may_be_false(self) -> bool:
        """Whether all that is known comes from one solution, which no other has confirmed."""
        return self.learned and not self._confirmed

    def _as_first(self, mount_icrs: Vector | None, epoch_year: float) -> SolveHint:
        """Return the hint that the run's first frame had."""
        return dataclasses.replace(
            self._told,
            centre_icrs=mount_icrs,
            radius=None if mount_icrs is None else self._told.radius,
            epoch_year=epoch_year,
        )

    def _forget(self) -> None:
        """Forget what a false solution told."""
        self._last, self._rival = None, None
        self.parity = None
        self.k1, self._k1_stars = self._told.k1, 0
        self._offset = np.eye(3)

    def _check_scale(self, solution: Solution) -> None:
        """Raise `ScaleContradicts` when a scale is not the one that stars told before.

        The first solution is believed against whatever was told of the optics, until two others
        contradict it and agree.
        """
        if not self.learned or self.scale is None:
            return
        if abs(solution.scale / self.scale - 1.0) > self.scale_tolerance:
            raise ScaleContradicts(solution.scale / ARCSEC, self.scale / ARCSEC)
        self._confirmed = True

    def _check_followed(self, solution: Solution, mount_icrs: Vector | None) -> None:
        """Hold a solution that followed the frame before to what a full solve must keep, too.

        Raises:
            ScaleContradicts: see there.
            SolutionRejected: it is mirrored against what is known, or farther from where the
                mount's word makes expect it than a full solve would look.
        """
        self._check_scale(solution)
        if self.parity is not None and solution.parity != self.parity:
            raise SolutionRejected(solution.solver, say("it is mirrored against the frames before"))
        if mount_icrs is None:
            return
        off = float(separation(self._offset @ mount_icrs, solution.centre_icrs))
        if off > self.hint_radius:
            raise SolutionRejected(
                solution.solver,
                say(
                    "it is {off:.1f} degrees from where the mount says it points (at most "
                    "{hint_radius:.1f})",
                    off=off / DEG,
                    hint_radius=self.hint_radius / DEG,
                ),
            )

    def look_near(self, frame: Frame, *, tracking: bool) -> Near | None:
        """Solve a frame taken near the one before by looking only where its stars should be.

        Nothing is learnt until the result is given to `follow`.

        Args:
            frame: the frame.
            tracking: whether the camera has followed the sky since, or stood on the Earth.

        Returns:
            None when there is no frame before, the solver knows no way, or the stars are not
            there: the whole frame must be looked at.
        """
        last = self._last
        if last is None or not isinstance(self.solver, CatalogueSolver):
            return None
        before = Before(last.attitude, last.solution, last.sky, last.stars, self._most_stars)
        return look_near(
            self.solver, before, frame, self.sky_at(frame.utc_mid_s), tracking=tracking
        )

    def follow(
        self,
        stars: StarList,
        frame: Frame,
        mount_icrs: Vector | None,
        cancel: CancelToken,
        *,
        tracking: bool,
        near: Near | None = None,
        soon_again: bool = False,
    ) -> Plate:
        """Solve a frame taken near the one before, quickly: the live reading.

        Never searches the whole sky: a smeared frame must be told as such at once.

        Args:
            stars: what was detected in ``frame``.
            frame: the frame itself.
            mount_icrs: where the mount says it points.
            cancel: raises out of the solve.
            tracking: whether the camera has followed the sky since, or stood on the Earth.
            near: what `look_near` found; then only what it tells is learnt.
            soon_again: whether the next frame comes soon, and this one may be smeared: it is given
                up soon then, unless the one before was.

        Raises:
            SolveError: as the solver says, `ScaleContradicts`, or `SolutionRejected` for a quick
                look that contradicts what is known.
            FirstSolutionFalse: as `solve` says.
        """
        began_s = self._threads.timer_s()
        plate = self._followed(stars, frame, mount_icrs, cancel, tracking, near, soon_again)
        took_s = self._threads.timer_s() - began_s
        light = self._light.judge(
            self.solver, frame, plate.stars, plate.solution, plate.sky.julian_year
        )
        return dataclasses.replace(plate, light=light, solve_s=took_s)

    def _followed(
        self,
        stars: StarList,
        frame: Frame,
        mount_icrs: Vector | None,
        cancel: CancelToken,
        tracking: bool,
        near: Near | None,
        soon_again: bool,
    ) -> Plate:
        sky = self.sky_at(frame.utc_mid_s)
        if near is not None:
            self._check_followed(near.solution, mount_icrs)
            return self._learn(near.stars, sky, near.solution, mount_icrs)
        last = self._last
        if last is not None and isinstance(self.solver, CatalogueSolver):
            predicted = last.solution.attitude_icrs
            if not tracking:
                predicted = icrs_attitude(last.attitude, sky)
            try:
                solution = self.solver.track(
                    stars,
                    predicted,
                    last.solution.parity,
                    last.solution.scale,
                    epoch_year=sky.julian_year,
                    k1=last.solution.distortion.k1,
                )
                self._check_followed(solution, mount_icrs)
            except (NoMatch, ScaleContradicts, SolutionRejected):
                pass  # a full solve may find better
            else:
                return self._learn(stars, sky, solution, mount_icrs)
        quick, self._lost = soon_again and not self._lost, True
        hint = dataclasses.replace(self.hint(sky, mount_icrs), quick=quick)
        timeout_s = min(self.timeout_s, FOLLOW_TIMEOUT_S)
        try:
            solution = self._ask(stars, frame, hint, cancel, timeout_s)
        except NoMatch:
            if not self._may_be_false:
                raise
            as_first = self._as_first(mount_icrs, hint.epoch_year)
            solution = self._ask(stars, frame, as_first, cancel, timeout_s)
        return self._taken(stars, sky, solution, mount_icrs)

    def _learn(
        self, stars: StarList, sky: ObservedFrame, solution: Solution, mount_icrs: Vector | None
    ) -> Plate:
        attitude = attitude_from_solution(solution, sky, star_floor_rad=STAR_FLOOR)
        offset = 0.0
        if mount_icrs is not None:
            offset = float(separation(mount_icrs, solution.centre_icrs))
            self._offset = _shortest_turn(mount_icrs, solution.centre_icrs)
            self.hint_radius = min(self.hint_radius, LEARNED_RADIUS)
        if not self.learned:
            self._claim_corrected = self._compared(solution.scale)
        self.scale, self.parity = solution.scale, solution.parity
        self.scale_tolerance = MEASURED_SCALE
        if stars.searched_px is None and attitude.matched >= max(LENS_STARS, self._k1_stars):
            # the lens stays the same: the frame with most stars tells it best
            self._k1_stars = attitude.matched
            bends_px = abs(attitude.distortion.k1) * 0.5 * stars.width
            self.k1 = attitude.distortion.k1 if bends_px > LENS_SEEN_PX else 0.0
        self._last, self._lost = Plate(attitude, solution, sky, stars, offset), False
        if stars.searched_px is None:
            self._most_stars = solution.matched
        return self._last

    def _compared(self, scale: float) -> str:
        claim = self.claim
        if claim is None or abs(scale / claim.scale - 1.0) <= FOCAL_TOLD:
            return ""
        teller = say("the mount's driver") if claim.by_driver else "[optics] focal_length_mm"
        found_mm = claim.pixel_um * 1e-3 / scale
        return say(
            "The stars give a focal length of {found_mm:.0f} mm (with pixels of {pixel_um:g} "
            "µm), not {focal_length_mm:.0f} mm as {teller} says. This run uses {found_mm:.0f} mm; "
            "`polewright profile --solve` writes it down.",
            found_mm=found_mm,
            pixel_um=claim.pixel_um,
            focal_length_mm=claim.focal_length_mm,
            teller=teller,
        )

    def _ask(
        self, stars: StarList, frame: Frame, hint: SolveHint, cancel: CancelToken, timeout_s: float
    ) -> Solution:
        return self.solver.solve(
            stars,
            hint,
            frame=frame if self.solver.needs_image else None,
            timeout_s=timeout_s * self._threads.stretch,
            cancel=cancel,
        )
