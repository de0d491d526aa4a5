"""A sweep that helps itself: longer exposures, other places, another sweep; and the story of it.

A frame may not solve because of a cloud, a branch, a lamp, or a roof nobody told of. What is
tried then: longer exposures at the place; another place on the same declination circle, which
the RA axis alone reaches, so that all frames still belong to one rotation; another sweep that
keeps away from the places that failed. The fit does not need equal steps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from polewright.calculation.images.errors import EmptyFrame
from polewright.calculation.images.frame import Frame
from polewright.calculation.images.stillness import Rest
from polewright.calculation.planning.alternative_points import SparePoint, spare_points
from polewright.calculation.planning.errors import NoSweepFits
from polewright.calculation.planning.horizon import Horizon, Window
from polewright.calculation.planning.planner import plan_sweep
from polewright.calculation.planning.request import Pointing
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.foundation.angles import DEG, azalt_from_enu, fold_pi
from polewright.foundation.errors import Cancelled, PolewrightError
from polewright.observing.capture.auto_exposure import choose_exposure, keep_exposure
from polewright.observing.capture.lens_cap import FEW_STARS, check_light
from polewright.observing.capture.take_frame import expose_here, take_frame
from polewright.observing.plan.plan_from_config import (
    plan_request,
    pointing_now,
    sweep_points,
    tell_plan,
)
from polewright.observing.rig.patience import OutOfPatience, Patience
from polewright.observing.rig.plate_solver import FirstSolutionFalse
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.guard_errors import PointNotSolved
from polewright.observing.settling.expose_on_arrival import expose_at_once, goes_at_once
from polewright.observing.settling.settle import settle
from polewright.observing.sweep.background_solve import Fetched, FrameLost, Image, Work
from polewright.observing.sweep.solve_point import UNSOLVED, SolvedPoint, tell_focal_length
from polewright.observing.sweep.visit_point import go_to, mounts_word, solve_taken
from polewright.records.events import Note
from polewright.solving.errors import TooFewStars

#: Another place is at least so far from one that failed, if there is one (own choice): what hides
#: stars is seldom narrower.
FAR = 8.0 * DEG
#: Least distance from every other point of the sweep.
APART = 3.0 * DEG
#: A new sweep keeps this far from places that failed, degrees of azimuth (on the sky) and
#: altitude; and from everything below them, since what hides stars mostly stands on the ground.
SHADOW_DEG = 6.0
NOTHING_TRIED = "Look what camera and mount are waiting for."
#: After so many places without a single frame solved, the trouble is not the place.
HOPELESS = 3


@dataclass(frozen=True, eq=False)
class Swept:
    """A sweep that came to its end."""

    points: tuple[SolvedPoint, ...]
    story: tuple[str, ...]
    """What was done about points that did not solve, in order; empty when all did."""


class _Stuck(Exception):
    """A point found no place where it solves."""

    def __init__(self, number: int, last: PolewrightError) -> None:
        super().__init__(number, last)
        self.number, self.last = number, last


def sweep(rig: Rig, points: Sequence[Pointing]) -> Swept:
    """Visit every point in order and return them solved, perhaps at other places.

    The caller stops the mount when this raises (`stopping.motion_stopped_on_trouble`).

    Raises:
        PointNotSolved: nothing that may be tried helped, or no point was solved for [recovery]
            nowhere_s; tells what was tried. When nothing may be tried ([recovery] all 0) the
            solver's own error instead.
        NoLight: the first frames say that no light reaches the camera.
        DeviceError, GuardError: as mount, camera and guards say; these are not argued with.
    """
    rig.settle_memory.new_sweep()
    run = _Recovery(rig)
    swaps = rig.config.recovery.swaps
    limit_s = rig.config.recovery.nowhere_s
    rig.patience = Patience(rig.clock, limit_s, run.warn)
    try:
        return _swept(rig, run, points, swaps)
    except (OutOfPatience, Cancelled) as over:
        rig.cancel.check()
        if rig.patience.waited_s <= limit_s:
            raise
        last, hint = run.last or ("no frame had been solved or given up yet", NOTHING_TRIED)
        raise PointNotSolved(run.number, tuple(run.story), last, hint, limit_s) from over
    finally:
        rig.patience = None


def _swept(rig: Rig, run: _Recovery, points: Sequence[Pointing], swaps: int) -> Swept:
    while True:
        try:
            return Swept(tuple(run.visit(points)), tuple(run.story))
        except FirstSolutionFalse as false:  # once a run: two agree from here on
            run.tell(f"The sweep begins again, for {false}.")
            tell_focal_length(rig)
            rig.guards.begin()
        except _Stuck as stuck:
            other = run.other_sweep(stuck, swaps)
            if other is None:
                if not run.story:
                    raise stuck.last from None
                raise PointNotSolved(
                    stuck.number, tuple(run.story), str(stuck.last), stuck.last.advice
                ) from stuck.last
            points, swaps = other, swaps - 1
            rig.guards.begin()


class _Recovery:
    def __init__(self, rig: Rig) -> None:
        self.rig, self.settings = rig, rig.config.recovery
        self.story: list[str] = []
        self._frame: Frame | None = None
        """The last one that was taken where the mount stood still."""
        self.dark: list[Pointing] = []
        """Places where nothing solved."""
        self._there: Pointing | None = None
        """Where the mount stands, as far as this sweep has sent it anywhere."""
        self._fresh = False
        """Whether it has just come there, and still rings."""
        self.number = 1
        """Of the point that is being worked on."""
        self.last: tuple[str, str] | None = None
        """What was wrong with the last frame that did not solve, and what that asks for."""

    def warn(self, sentence: str) -> None:
        """Say something that is no part of the story."""
        rig = self.rig
        rig.emit(Note(utc_s=rig.clock.utc_s(), severity="warning", text=sentence))

    def _unsolved(self, error: PolewrightError) -> None:
        """Remember what was wrong; find out whether it is the lens cap. Raises `NoLight`."""
        self.last = str(error), error.advice
        frame, self._frame = self._frame, None
        few = isinstance(error, TooFewStars) and error.found < FEW_STARS
        if frame is not None and (few or isinstance(error, EmptyFrame)):
            check_light(self.rig, frame)

    def tell(self, sentence: str) -> None:
        """Add to the story, and say it now."""
        self.story.append(sentence)
        rig = self.rig
        rig.emit(Note(utc_s=rig.clock.utc_s(), severity="warning", text=sentence))

    def visit(self, points: Sequence[Pointing]) -> list[SolvedPoint]:
        """Solve every point.

        Raises:
            _Stuck: one found no place.
        """
        solved: list[SolvedPoint] = []
        self._there = None
        for number in range(1, len(points) + 1):
            solved.append(self._solve_point(number, points, solved))
        return solved

    def _solve_point(
        self, number: int, points: Sequence[Pointing], solved: Sequence[SolvedPoint]
    ) -> SolvedPoint:
        planned = target = points[number - 1]
        failed: list[float] = []
        self.number = number
        while True:
            try:
                point = self._solve_at(target, number, points, first=number == 1 and not failed)
            except FirstSolutionFalse:
                raise
            except UNSOLVED as error:
                last = error
            else:
                if failed:
                    self.tell(
                        f"Point {number} was solved at hour angle {_deg(target)} instead of "
                        f"{_deg(planned)}."
                    )
                return point
            failed.append(target.hour_angle)
            self.dark.append(target)
            spare = self._spare(number, points, solved, failed)
            if spare is None:
                raise _Stuck(number, last)
            moved = Pointing(fold_pi(spare.hour_angle), planned.declination)
            self.tell(
                f"Point {number} did not solve at hour angle {_deg(target)} ({last}); it is moved "
                f"along its declination circle to {_deg(moved)}."
            )
            target = moved

    def _solve_at(
        self, target: Pointing, number: int, points: Sequence[Pointing], *, first: bool
    ) -> SolvedPoint:
        """Go there and expose, longer and longer."""
        rig, settings = self.rig, self.settings
        exposure_s = rig.config.sweep.exposure_s
        self._bring(target, number, len(points), exposure_s, first=first)
        taken = choose_exposure(rig, points)
        exposure_s = rig.config.sweep.exposure_s
        if taken is not None:  # exposed longer than chosen, so good enough in any case
            try:
                return solve_taken(rig, target, number, len(points), taken)
            except FirstSolutionFalse:
                raise
            except UNSOLVED as error:
                self.last = str(error), error.advice
                exposure_s = max(exposure_s, taken.exposure_s)
                self.tell(
                    f"Point {number} was not solved with {taken.exposure_s:g} s ({error}); "
                    f"exposing {exposure_s:g} s."
                )
        began_s = rig.clock.monotonic_s()
        for left in range(settings.tries, -1, -1):
            try:
                self._bring(target, number, len(points), exposure_s, first=False)
                point = self._shoot(target, number, points, exposure_s)
            except FirstSolutionFalse:
                raise
            except UNSOLVED as error:
                self._unsolved(error)
                longer_s = min(2.0 * exposure_s, settings.max_exposure_s)
                late = rig.clock.monotonic_s() - began_s > 0.5 * settings.nowhere_s
                if left == 0 or longer_s <= exposure_s or late:
                    raise
                self.tell(
                    f"Point {number} was not solved with {exposure_s:g} s ({error}); "
                    f"exposing {longer_s:g} s."
                )
                exposure_s = longer_s
            else:
                if exposure_s > rig.config.sweep.exposure_s:
                    rig.note(f"Exposing {exposure_s:g} s from now on, since that solved.")
                    keep_exposure(rig, exposure_s)
                return point
        raise AssertionError("the last try returns or raises")

    def _bring(
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

    def _shoot(
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
            f"The image of point {number} did not come ({error}); it is exposed again.",
            warning=True,
        )
        self._bring(target, number, total, exposure_s, first=False)
        return self._solve_still(target, number, total, exposure_s)

    def _solve_still(
        self, target: Pointing, number: int, total: int, exposure_s: float
    ) -> SolvedPoint:
        """Expose and solve before anything moves."""
        frame, rest = self._take(number, total, exposure_s)
        return solve_taken(self.rig, target, number, total, frame, rest=rest)

    def _spare(
        self,
        number: int,
        points: Sequence[Pointing],
        solved: Sequence[SolvedPoint],
        failed: Sequence[float],
    ) -> SparePoint | None:
        """Choose another place; None when there is none, or moving is not worth it."""
        rig = self.rig
        # While nothing has ever solved, a quite different part of the sky tells more.
        moves = self.settings.moves if rig.plates.learned else min(1, self.settings.moves)
        now = pointing_now(rig)
        if len(failed) > moves or self._hopeless or now is None:
            return None
        have = [point.target.hour_angle for point in solved]
        to_come = [point.hour_angle for point in points[number:]]
        spares = spare_points(
            plan_request(rig),
            declination=points[number - 1].declination,
            hour_angle_now=now.hour_angle,
            taken=[*have, *to_come],
            failed=failed,
            apart=APART,
            count=60,
        )
        return choose_spare(spares, have or to_come, failed)

    @property
    def _hopeless(self) -> bool:
        return not self.rig.plates.learned and len(self.dark) >= HOPELESS

    def other_sweep(self, stuck: _Stuck, swaps: int) -> list[Pointing] | None:
        """Plan anew, away from everything that failed; None when it may not be or cannot help."""
        if self._hopeless:
            self.tell(
                f"No frame was solved at {len(self.dark)} places: the trouble is not the place."
            )
            return None
        if swaps < 1:
            return None
        request = plan_request(self.rig)
        # Nobody asked for it, so it stays on its side of the meridian.
        request = replace(request, horizon=self._shadowed(request.horizon), stay=True)
        try:
            plan = plan_sweep(request)[0]
        except NoSweepFits:
            self.tell("No other sweep fits beside the places that failed.")
            return None
        self.tell(
            f"Point {stuck.number} found no place that solves ({stuck.last}); the sweep is given "
            f"up for another one, at hour angles "
            f"{', '.join(_deg(point) for point in sweep_points(plan))} and declination "
            f"{plan.declination / DEG:+.1f}°."
        )
        tell_plan(self.rig, request, plan)
        return sweep_points(plan)

    def _shadowed(self, horizon: Horizon) -> Horizon:
        return replace(
            horizon, windows=(*horizon.windows, *(self._shadow(place) for place in self.dark))
        )

    def _shadow(self, place: Pointing) -> Window:
        enu = enu_from_hour_angle_dec(self.rig.site, place.hour_angle, place.declination)
        azimuth_deg, altitude_deg = (float(value) / DEG for value in azalt_from_enu(enu))
        half_deg = min(90.0, SHADOW_DEG / max(0.05, math.cos(altitude_deg * DEG)))
        return Window(
            (azimuth_deg - half_deg) % 360.0,
            (azimuth_deg + half_deg) % 360.0,
            -90.0,
            min(90.0, altitude_deg + SHADOW_DEG),
            "nothing solved here",
        )


def choose_spare(
    spares: Sequence[SparePoint], anchors: Sequence[float], failed: Sequence[float]
) -> SparePoint | None:
    """Choose where to try next; None when there is no place.

    Far from what failed if possible, and not behind it as seen from the nearest anchor: what
    hides stars is mostly wide. Among those the best for the axis.

    Args:
        spares: places that are allowed.
        anchors: hour angles (rad) of points that solved, or that are still to come.
        failed: hour angles (rad) where nothing solved.
    """

    def gap(a: float, b: float) -> float:
        return abs(fold_pi(a - b))

    def behind(place: float) -> bool:
        if not anchors:
            return False
        nearest = min(anchors, key=lambda anchor: gap(anchor, place))
        way = fold_pi(place - nearest)
        return any(
            fold_pi(other - nearest) * way > 0.0 and gap(other, nearest) < abs(way)
            for other in failed
        )

    far = [spare for spare in spares if all(gap(spare.hour_angle, f) >= FAR for f in failed)]
    return min(
        far or spares, key=lambda spare: (behind(spare.hour_angle), spare.sigma), default=None
    )


def _deg(point: Pointing) -> str:
    return f"{point.hour_angle / DEG:+.1f}°"
