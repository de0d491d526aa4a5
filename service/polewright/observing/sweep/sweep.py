"""The sweep: go to each point, settle, expose, solve; on until every point is solved.

A point that does not solve is exposed longer, then moved, then the whole sweep is; what is tried
and when it is given up stands in `recovery`. While an image is solved the mount goes on to the
next point (`background_solve`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from polewright.calculation.adjusting.axis_at_rest import turned_between
from polewright.calculation.adjusting.observation import CameraAttitude
from polewright.calculation.images.frame import Frame
from polewright.calculation.images.stillness import Rest
from polewright.calculation.planning.request import Pointing
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import Vector, fold_pi
from polewright.foundation.errors import Cancelled, PolewrightError
from polewright.foundation.language import say
from polewright.observing.capture.auto_exposure import choose_exposure, keep_exposure
from polewright.observing.capture.take_frame import expose_here, take_frame
from polewright.observing.plan.frame_noise import frame_floor
from polewright.observing.rig.patience import OutOfPatience, Patience
from polewright.observing.rig.plate_solver import FirstSolutionFalse
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.guard_errors import PointNotSolved
from polewright.observing.settling.expose_on_arrival import expose_at_once, goes_at_once
from polewright.observing.settling.settle import settle
from polewright.observing.sweep.background_solve import Fetched, FrameLost, Image, Work
from polewright.observing.sweep.recovery import (
    NOTHING_TRIED,
    SWAPS,
    Recovery,
    Stuck,
    further_places,
    told_hour_angle,
)
from polewright.observing.sweep.solve_point import UNSOLVED, SolvedPoint, tell_focal_length
from polewright.observing.sweep.visit_point import go_to, mounts_word, solve_taken

#: A frame that did not solve is exposed so many times longer: 1.4 times the signal to noise under a
#: bright sky, and two tries stay under the usual longest exposure (own choice).
LONGER = 2.0
#: A turn of the axis between two frames that their noise does not explain, sigmas (own choice: a
#: false alarm costs a slew back, a turn that is missed costs up to 1.5 times its size).
TURNED_SIGMAS = 3.0


@dataclass(frozen=True, eq=False)
class Swept:
    """A sweep that came to its end."""

    points: tuple[SolvedPoint, ...]
    story: tuple[str, ...]
    """What was done about points that did not solve, in order; empty when all did."""


@dataclass(frozen=True, eq=False)
class AtRest:
    """The telescope as it was last seen at rest, where a sweep is to begin without a slew."""

    attitude: CameraAttitude
    """Of the last frame that was seen at rest."""
    axis: Vector
    """(3,) of the mount by then, observed east-north-up."""
    frame: Frame | None = None
    """That frame, where nobody can have touched an adjuster since: it is the first point. None:
    one is exposed, and has to agree with it."""


def sweep(rig: Rig, points: Sequence[Pointing], at_rest: AtRest | None = None) -> Swept:
    """Visit every point in order and return them solved, perhaps at other places.

    Args:
        rig: the rig.
        points: of the sweep.
        at_rest: how the telescope was seen at the first point, where it still stands; None where a
            slew leads there.

    The caller stops the mount when this raises (`motion_stopped_on_trouble`).

    Raises:
        PointNotSolved: nothing that may be tried helped, or no point was solved for [recovery]
            nowhere_s; tells what was tried. When nothing may be tried ([recovery] tries
            = 0, other_places = false) the solver's own error instead.
        NoLight: the first frames say that no light reaches the camera.
        DeviceError, GuardError: as mount, camera and guards say; these are not argued with.
    """
    rig.settle_memory.new_sweep()
    run = _Sweep(rig, at_rest)
    limit_s = rig.config.recovery.nowhere_s
    rig.patience = Patience(rig.clock, limit_s, run.recovery.warn)
    try:
        return run.until_solved(points)
    except (OutOfPatience, Cancelled) as over:
        rig.cancel.check()
        if rig.patience.waited_s <= limit_s:
            raise
        story, last = tuple(run.recovery.story), run.recovery.last
        if last is None:
            why = say("no frame had been solved or given up yet")
            raise PointNotSolved(run.number, story, why, NOTHING_TRIED, limit_s) from over
        raise PointNotSolved(
            run.number, story, str(last), last.advice, limit_s, last.likely
        ) from over
    finally:
        rig.patience = None


def further_point(rig: Rig, solved: Sequence[SolvedPoint], *, back: bool) -> SolvedPoint | None:
    """Solve one more point on the declination circle of a sweep; None where none is allowed.

    ``back``: where the sweep began, if that is on this side of the meridian.

    Raises:
        DeviceError, GuardError: as mount, camera and guards say.
    """
    number = len(solved) + 1
    places = further_places(rig, solved)
    first, last = solved[0].target, solved[-1].target
    if back and first.hour_angle * last.hour_angle > 0.0:
        places.insert(0, first)
    for target in places:
        go_to(rig, target, number, number, first=False)
        settle(rig, number, number)
        try:
            frame = take_frame(rig, rig.exposure_s, number, number)
            return solve_taken(rig, target, number, number, frame)
        except UNSOLVED as error:
            rig.note(say("One more point did not solve ({error}).", error=error), warning=True)
    return None


class _Sweep:
    def __init__(self, rig: Rig, at_rest: AtRest | None) -> None:
        self.rig, self.settings = rig, rig.config.recovery
        self.recovery = Recovery(rig)
        self._at_rest = at_rest
        """Until it has been used."""
        self._known: Frame | None = None
        """What need not be exposed anew where the mount stands."""
        self._frame: Frame | None = None
        """The last one that was taken where the mount stood still."""
        self._there: Pointing | None = None
        """Where the mount stands, as far as this sweep has sent it anywhere."""
        self._fresh = False
        """Whether it has just come there, and still rings."""
        self.number = 1
        """Of the point that is being worked on."""

    def until_solved(self, points: Sequence[Pointing]) -> Swept:
        """Visit all points; all of another sweep where one finds no place that solves."""
        rig, recovery = self.rig, self.recovery
        swaps = SWAPS if self.settings.other_places else 0
        while True:
            try:
                solved = self._visit_all(points)
                return Swept(tuple(solved), tuple(recovery.story))
            except FirstSolutionFalse as false:  # once a run: two agree from here on
                recovery.tell(say("Starting the sweep again: {false}.", false=false))
                tell_focal_length(rig)
            except Stuck as stuck:
                points, swaps = recovery.other_sweep(stuck, swaps), swaps - 1
            rig.guards.begin()

    def _visit_all(self, points: Sequence[Pointing]) -> list[SolvedPoint]:
        """Visit every point in order.

        Raises:
            Stuck: one found no place that solves.
        """
        solved: list[SolvedPoint] = []
        rest, self._at_rest = self._at_rest, None
        self._there = None
        if rest is not None:
            self._there, self._known = points[0], self._good_enough(rest.frame)
            if self.rig.patience is not None:
                self.rig.patience.begin()
        for number in range(1, len(points) + 1):
            point = self._visit(number, points, solved)
            self._known = None
            if number == 1 and rest is not None and self._turned(rest, point):
                self._there = None
                point = self._visit(number, points, solved)
            solved.append(point)
        return solved

    def _good_enough(self, frame: Frame | None) -> Frame | None:
        usable = frame is not None and frame.exposure_s >= self.rig.exposure_s
        return frame if usable else None

    def _turned(self, rest: AtRest, point: SolvedPoint) -> bool:
        """Whether somebody turned the axis after it was seen at rest; tells it."""
        turned, sigma = turned_between(rest.attitude, point.plate.attitude, rest.axis)
        floor = math.sqrt(2.0) * frame_floor(self.rig, point.frame.exposure_s)
        if turned <= TURNED_SIGMAS * math.hypot(sigma, floor):
            return False
        self.recovery.tell(
            say(
                "The axis was turned by about {turned} between the last reading and the first "
                "frame of the sweep: taking that frame again. Keep hands off until the sweep "
                "is over.",
                turned=angle_text(turned),
            )
        )
        return True

    def _visit(
        self, number: int, points: Sequence[Pointing], solved: Sequence[SolvedPoint]
    ) -> SolvedPoint:
        """Solve a point, at other places of its declination circle where it does not."""
        planned = target = points[number - 1]
        failed: list[float] = []
        self.number = number
        while True:
            try:
                point = self._visit_place(target, number, points, first=number == 1 and not failed)
            except FirstSolutionFalse:
                raise
            except UNSOLVED as error:
                last = error
            else:
                if failed:
                    self.recovery.tell(
                        say(
                            "Point {point} solved at hour angle {target} instead of {planned}.",
                            point=number,
                            target=told_hour_angle(target),
                            planned=told_hour_angle(planned),
                        )
                    )
                return point
            failed.append(target.hour_angle)
            self.recovery.dark.append(target)
            spare = self.recovery.spare(number, points, solved, failed)
            if spare is None:
                raise Stuck(number, last)
            moved = Pointing(fold_pi(spare.hour_angle), planned.declination)
            self.recovery.tell(
                say(
                    "Point {point} did not solve at hour angle {target} ({last}); moved "
                    "along its declination circle to {moved}.",
                    point=number,
                    target=told_hour_angle(target),
                    last=last,
                    moved=told_hour_angle(moved),
                )
            )
            target = moved

    def _visit_place(
        self, target: Pointing, number: int, points: Sequence[Pointing], *, first: bool
    ) -> SolvedPoint:
        """Go there, settle, expose and solve; longer exposures where that does not solve."""
        rig, settings = self.rig, self.settings
        exposure_s = rig.exposure_s
        self._go_there(target, number, len(points), exposure_s, first=first)
        taken = choose_exposure(rig, points)
        exposure_s = rig.exposure_s
        if taken is not None:  # exposed longer than chosen, so good enough in any case
            try:
                return solve_taken(rig, target, number, len(points), taken)
            except FirstSolutionFalse:
                raise
            except UNSOLVED as error:
                self.recovery.last = error
                exposure_s = max(exposure_s, taken.exposure_s)
                self._tell_longer(number, taken.exposure_s, error, exposure_s)
        began_s = rig.clock.monotonic_s()
        for left in range(settings.tries, -1, -1):
            try:
                self._go_there(target, number, len(points), exposure_s, first=False)
                point = self._expose_and_solve(target, number, points, exposure_s)
            except FirstSolutionFalse:
                raise
            except UNSOLVED as error:
                frame, self._frame = self._frame, None
                if frame is not None:  # perhaps longer than asked for
                    exposure_s = max(exposure_s, frame.exposure_s)
                self.recovery.unsolved(error, frame)
                longer_s = min(LONGER * exposure_s, rig.config.sweep.exposure_max_s)
                late = rig.clock.monotonic_s() - began_s > 0.5 * settings.nowhere_s
                if left == 0 or longer_s <= exposure_s or late:
                    raise
                self._tell_longer(number, exposure_s, error, longer_s)
                exposure_s = longer_s
            else:
                if exposure_s > rig.exposure_s:
                    rig.note(
                        say(
                            "Exposing {exposure_s:g} s from now on, since that solved.",
                            exposure_s=exposure_s,
                        )
                    )
                    keep_exposure(rig, exposure_s)
                return point
        raise AssertionError("the last try returns or raises")

    def _tell_longer(
        self, number: int, exposure_s: float, error: PolewrightError, longer_s: float
    ) -> None:
        self.recovery.tell(
            say(
                "Point {point} did not solve with {exposure_s:g} s ({error}); "
                "exposing {longer_s:g} s.",
                point=number,
                exposure_s=exposure_s,
                error=error,
                longer_s=longer_s,
            )
        )

    def _go_there(
        self, target: Pointing, number: int, total: int, exposure_s: float, *, first: bool
    ) -> None:
        """Have the mount stand there, ready for such an exposure: settled, or fresh from a slew.

        Nothing moves when it stands there already.
        """
        if self._there != target:
            go_to(self.rig, target, number, total, first=first)
            self._there, self._fresh = target, True
            if self.rig.patience is not None:
                self.rig.patience.begin()
        if self._fresh and not goes_at_once(self.rig, exposure_s):
            self._fresh = False
            settle(self.rig, number, total)

    def _take(self, number: int, total: int, exposure_s: float) -> tuple[Frame, Rest | None]:
        """Expose and download; with what looks afterwards told, where the mount still rang."""
        known, self._known = self._known, None
        if known is not None:
            self._frame, rest = known, None
        elif self._fresh:
            self._fresh = False
            self._frame, rest = expose_at_once(self.rig, exposure_s, number, total)
        else:
            self._frame, rest = take_frame(self.rig, exposure_s, number, total), None
        return self._frame, rest

    def _expose_and_solve(
        self, target: Pointing, number: int, points: Sequence[Pointing], exposure_s: float
    ) -> SolvedPoint:
        """Expose and solve; the mount goes on to the next point as soon as the image is ready.

        The point is judged before this returns. The mount stands at the next point then, or, when
        that is not wanted, at this one.
        """
        rig, total = self.rig, len(points)
        ahead = points[number] if number < total else None
        # Until the stars have told once how far off the mount's word is, nothing moves on it.
        sure = rig.plates.learned and not rig.guards.wary()
        if ahead is None or not rig.config.sweep.overlap or not sure:
            return self._solve_still(target, number, total, exposure_s)
        image: Image
        if self._fresh or self._known is not None:
            # Was it taken at rest? That is seen before the mount goes on.
            frame, rest = self._take(number, total, exposure_s)
            image = Fetched(frame)
        else:
            image, rest = expose_here(rig, exposure_s, number, total), None
        work = Work(rig, target, number, total, image, mounts_word(rig), rest=rest)
        try:
            work.until_the_mount_may_move()
            if not work.failed:
                began_s = rig.clock.monotonic_s()
                go_to(rig, ahead, number + 1, total, first=False, beside=work.look)
                self._there, self._fresh = ahead, True
                rig.times.hidden += work.hidden_by(began_s, rig.clock.monotonic_s())
            return work.finish()
        except FrameLost as lost:
            error = lost.error
        finally:
            work.abandon()
        rig.note(
            say(
                "Point {point}: the image did not arrive ({error}); exposing again.",
                point=number,
                error=error,
            ),
            warning=True,
        )
        self._go_there(target, number, total, exposure_s, first=False)
        return self._solve_still(target, number, total, exposure_s)

    def _solve_still(
        self, target: Pointing, number: int, total: int, exposure_s: float
    ) -> SolvedPoint:
        """Expose and solve before anything moves."""
        frame, rest = self._take(number, total, exposure_s)
        return solve_taken(self.rig, target, number, total, frame, rest=rest)
