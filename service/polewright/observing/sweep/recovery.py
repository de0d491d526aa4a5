"""What is tried where a frame does not solve, besides exposing longer; and the story of it.

A frame may not solve because of a cloud, a branch, a lamp, or a roof nobody told of. Tried then:
another place on the same declination circle, which the RA axis alone reaches, so that all frames
still belong to one rotation; another sweep that keeps away from the places that failed. The fit
does not need equal steps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from polewright.calculation.images.errors import EmptyFrame
from polewright.calculation.images.frame import Frame
from polewright.calculation.planning.alternative_points import SparePoint, spare_points
from polewright.calculation.planning.errors import NoSweepFits
from polewright.calculation.planning.horizon import Horizon, Window
from polewright.calculation.planning.planner import plan_sweep
from polewright.calculation.planning.request import Pointing
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.foundation.angles import DEG, azalt_from_enu, fold_pi
from polewright.foundation.errors import PolewrightError
from polewright.foundation.language import joined, say
from polewright.observing.capture.lens_cap import FEW_STARS, check_light
from polewright.observing.plan.plan_from_config import (
    plan_request,
    pointing_now,
    sweep_points,
    tell_plan,
)
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.guard_errors import PointNotSolved
from polewright.observing.sweep.solve_point import SolvedPoint
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
NOTHING_TRIED = say("Check what camera and mount are waiting for.")
#: After so many places without a single frame solved, the trouble is not the place.
HOPELESS = 3
#: Other places on the declination circle tried for a point, and other sweeps for a run: each
#: costs minutes (own choice).
MOVES, SWAPS = 2, 1


class Stuck(Exception):
    """A point found no place where it solves."""

    def __init__(self, number: int, last: PolewrightError) -> None:
        super().__init__(number, last)
        self.number, self.last = number, last


class Recovery:
    """What a sweep remembers of its trouble, and what it tries next."""

    def __init__(self, rig: Rig) -> None:
        self.rig, self.settings = rig, rig.config.recovery
        self.story: list[str] = []
        """What was done about points that did not solve, in order."""
        self.dark: list[Pointing] = []
        """Places where nothing solved."""
        self.last: PolewrightError | None = None
        """What was wrong with the last frame that did not solve."""

    def warn(self, sentence: str) -> None:
        """Say something that is no part of the story."""
        rig = self.rig
        rig.emit(Note(utc_s=rig.clock.utc_s(), severity="warning", text=sentence))

    def tell(self, sentence: str) -> None:
        """Add to the story, and say it now."""
        self.story.append(sentence)
        rig = self.rig
        rig.emit(Note(utc_s=rig.clock.utc_s(), severity="warning", text=sentence))

    def unsolved(self, error: PolewrightError, frame: Frame | None) -> None:
        """Remember what was wrong; find out whether it is the lens cap. Raises `NoLight`."""
        self.last = error
        few = isinstance(error, TooFewStars) and error.found < FEW_STARS
        if frame is not None and (few or isinstance(error, EmptyFrame)):
            check_light(self.rig, frame)

    def spare(
        self,
        number: int,
        points: Sequence[Pointing],
        solved: Sequence[SolvedPoint],
        failed: Sequence[float],
    ) -> SparePoint | None:
        """Choose another place; None when there is none, or moving is not worth it."""
        rig = self.rig
        # While nothing has ever solved, a quite different part of the sky tells more.
        moves = MOVES if rig.plates.learned else 1
        now = pointing_now(rig)
        allowed = self.settings.other_places and len(failed) <= moves
        if not allowed or self.hopeless or now is None:
            return None
        have = [point.target.hour_angle for point in solved]
        to_come = [point.hour_angle for point in points[number:]]
        spares = _allowed_places(
            rig, now, points[number - 1].declination, [*have, *to_come], failed, count=60
        )
        return choose_spare(spares, have or to_come, failed)

    @property
    def hopeless(self) -> bool:
        """Whether so many places failed, and none ever solved, that another is no help."""
        return not self.rig.plates.learned and len(self.dark) >= HOPELESS

    def other_sweep(self, stuck: Stuck, swaps: int) -> list[Pointing]:
        """Plan anew, away from everything that failed.

        Raises:
            PointNotSolved: that may not be, or cannot help; the solver's own error where nothing
                was tried.
        """
        other = self._planned_anew(stuck, swaps)
        if other is None:
            if not self.story:
                raise stuck.last from None
            story = tuple(self.story)
            raise PointNotSolved(
                stuck.number,
                story,
                str(stuck.last),
                stuck.last.advice,
                likely=stuck.last.likely,
            ) from stuck.last
        return other

    def _planned_anew(self, stuck: Stuck, swaps: int) -> list[Pointing] | None:
        if self.hopeless:
            self.tell(
                say(
                    "No frame solved at {places} places: the place is not the problem.",
                    places=len(self.dark),
                )
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
            self.tell(say("No other sweep fits beside the places that failed."))
            return None
        self.tell(
            say(
                "Point {point} found no place that solves ({last}); trying another sweep, "
                "at hour angles {hour_angles} and declination {declination:+.1f}°.",
                point=stuck.number,
                last=stuck.last,
                hour_angles=joined(", ", (told_hour_angle(point) for point in sweep_points(plan))),
                declination=plan.declination / DEG,
            )
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
            say("nothing solved here"),
        )


def further_places(rig: Rig, solved: Sequence[SolvedPoint]) -> list[Pointing]:
    """Return places for one more point of a sweep, best first; none where none is allowed."""
    now = pointing_now(rig)
    if now is None:
        return []
    declination = solved[0].target.declination
    taken = [point.target.hour_angle for point in solved]
    spares = _allowed_places(rig, now, declination, taken, failed=[], count=3)
    return [Pointing(fold_pi(spare.hour_angle), declination) for spare in spares]


def _allowed_places(
    rig: Rig,
    now: Pointing,
    declination: float,
    taken: Sequence[float],
    failed: Sequence[float],
    count: int,
) -> list[SparePoint]:
    """Return where on a declination circle a point may stand now, best first; angles in rad."""
    return spare_points(
        plan_request(rig),
        declination=declination,
        hour_angle_now=now.hour_angle,
        taken=taken,
        failed=failed,
        apart=APART,
        count=count,
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


def told_hour_angle(point: Pointing) -> str:
    """Short text of a point's hour angle."""
    return f"{point.hour_angle / DEG:+.1f}°"
