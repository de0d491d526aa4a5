"""The sweep: go to each point, settle, expose, solve; on until every point is solved.

A point that does not solve is exposed longer, then moved, then the whole sweep is; what is tried
and when it is given up stands in `recovery`. While an image is solved the mount goes on to the
next point (`background_solve`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from polewright.calculation.images.frame import Frame
from polewright.calculation.images.stillness import Rest
from polewright.calculation.planning.request import Pointing
from polewright.foundation.angles import fold_pi
from polewright.foundation.errors import Cancelled, PolewrightError
from polewright.foundation.language import say
from polewright.observing.capture.auto_exposure import choose_exposure, keep_exposure
from polewright.observing.capture.take_frame import expose_here, take_frame
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


@dataclass(frozen=True, eq=False)
class Swept:
    """A sweep that came to its end."""

    points: tuple[SolvedPoint, ...]
    story: tuple[str, ...]
    """What was done about points that did not solve, in order; empty when all did."""


def sweep(rig: Rig, points: Sequence[Pointing]) -> Swept:
    """Visit every point in order and return them solved, perhaps at other places.

    The caller stops the mount when this raises (`stopping.motion_stopped_on_trouble`).

    Raises:
        PointNotSolved: nothing that may be tried helped, or no point was solved for [recovery]
            nowhere_s; tells what was tried. When nothing may be tried ([recovery] tries
            = 0, other_places = false) the solver's own error instead.
        NoLight: the first frames say that no light reaches the camera.
        DeviceError, GuardError: as mount, camera and guards say; these are not argued with.
    """
    rig.settle_memory.new_sweep()
    run = _Sweep(rig)
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


def further_point(rig: Rig, solved: Sequence[SolvedPoint]) -> SolvedPoint | None:
    """Solve one more point on the declination circle of a sweep; None where none is allowed.

    Raises:
        DeviceError, GuardError: as mount, camera and guards say.
    """
    number = len(solved) + 1
    for target in further_places(rig, solved):
        go_to(rig, target, number, number, first=False)
        settle(rig, number, number)
        try:
            frame = take_frame(rig, rig.exposure_s, number, number)
            return solve_taken(rig, target, number, number, frame)
        except UNSOLVED as error:
            rig.note(say("One more point did not solve ({error}).", error=error), warning=True)
    return None


class _Sweep:
    def __init__(self, rig: Rig) -> None:
        self.rig, self.settings = rig, rig.config.recovery
        self.recovery = Recovery(rig)
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
        self._there = None
        for number in range(1, len(points) + 1):
            solved.append(self._visit(number, points, solved))
        return solved

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
                            "Point {number} solved at hour angle {target} instead of {planned}.",
                            number=number,
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
                    "Point {number} did not solve at hour angle {target} ({last}); moved "
                    "along its declination circle to {moved}.",
                    number=number,
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
                "Point {number} did not solve with {exposure_s:g} s ({error}); "
                "exposing {longer_s:g} s.",
                number=number,
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
        if self._fresh:
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
        if self._fresh:  # was it taken at rest? that is seen before the mount goes on
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
                "Point {number}: the image did not arrive ({error}); exposing again.",
                number=number,
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
