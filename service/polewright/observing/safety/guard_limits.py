"""Keeps every pointing and every way inside the planner's limits: Sun, meridian, altitude, sky."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np

from polewright.calculation.planning.feasibility import dip_forgiven
from polewright.calculation.planning.limit_messages import Breach, describe
from polewright.calculation.planning.limits import (
    FUZZ,
    Rules,
    SkyState,
    Use,
    required_clearance,
    shortfalls,
)
from polewright.calculation.planning.request import Pointing
from polewright.calculation.planning.slew_paths import Timing, approaches
from polewright.calculation.planning.violations import Reason
from polewright.calculation.sky.frame import ObservedFrame, enu_from_hour_angle_dec, hour_angle_dec
from polewright.foundation.angles import DEG, SIDEREAL_RATE, Vector
from polewright.foundation.language import say
from polewright.observing.rig.guard_interface import Look, Move, Solved, Watching
from polewright.observing.safety.guard_errors import (
    AllowedSkyLeft,
    BeyondAltitudeLimit,
    FlipsOver,
    TooNearMeridian,
    TooNearSun,
)

#: Grid over all ways to the first point; half its diagonal is added to the Sun's distance.
WAYS_SPACING = 2.0 * DEG
#: A mount that begins outside a limit may go so much farther out: its own rounding.
CREEP = 0.05 * DEG
#: Limits that keep no pointing margin are not broken by so little: a mount's word differs from
#: what it was told by rounding, by the refraction it adds (0.05 degrees 20 degrees high) and by
#: precession to its own epoch (0.15 degrees by 2027).
HAIR = 0.25 * DEG
#: A declination so much nearer to the pole than either point is a flip's (own choice).
FLIP = 2.0 * DEG
#: How long before a limit is reached by tracking it is told, s.
WARN_AHEAD_S = 300.0
#: Sun and Moon are looked up anew after so long, s: the Sun moves 0.13 degrees in it.
BODIES_FRESH_S = 30.0

#: Limits that can hurt; the skyline cannot: behind it frames just do not solve.
_HURTING = (Reason.SUN, Reason.MOUNT_ALTITUDE, Reason.MERIDIAN, Reason.HOUR_ANGLE)
#: Worst first.
_ORDER = (
    Reason.SUN,
    Reason.MOUNT_ALTITUDE,
    Reason.MERIDIAN,
    Reason.HOUR_ANGLE,
    Reason.DECLINATION,
    Reason.LOW,
    Reason.SKYLINE,
    Reason.OVERHANG,
    Reason.WINDOW,
)
_BY_A_HAIR = (Reason.DECLINATION, Reason.HOUR_ANGLE, Reason.LOW)
_ERRORS: dict[Reason, type[AllowedSkyLeft]] = {
    Reason.SUN: TooNearSun,
    Reason.MERIDIAN: TooNearMeridian,
    Reason.HOUR_ANGLE: TooNearMeridian,
    Reason.MOUNT_ALTITUDE: BeyondAltitudeLimit,
    Reason.LOW: BeyondAltitudeLimit,
}


def _flips(move: Move, here: Pointing, *, southern: bool) -> bool:
    """Whether a slew between points goes over the pole, to the other side of the pier.

    A flip turns the declination axis through the pole; away from the pole a mount only strays.
    """
    north = -1.0 if southern else 1.0
    nearest = max(north * move.start.declination, north * move.goal.declination)
    return not move.first and north * here.declination > nearest + FLIP


class AllowedSkyGuard(Watching):
    """Goals and ways before a slew; the mount's own word during it and while tracking.

    Goals keep the pointing margin; a mount that says where it is now need not: the margin is for
    what it does not know, and was kept when the way was chosen.

    Args:
        rules: the planner's limits.
        timing: how fast the mount is, how long it stays at a point.
        warn: told a sentence when tracking comes close to a limit.
    """

    def __init__(self, rules: Rules, timing: Timing, warn: Callable[[str], None]) -> None:
        self.rules, self.timing, self.warn = rules, timing, warn
        self.near = dataclasses.replace(rules, pointing_margin_deg=0.0)
        self._bodies: SkyState | None = None
        self._excess: dict[Reason, float] = {}

    # -- before --------------------------------------------------------------------------

    def before_slew(self, move: Move) -> None:
        """Check the goal, for as long as the mount will stay there, and the way."""
        state = self._state(move.sky)
        stay = move.goal.hour_angle + np.array([0.0, self.timing.dwell_s]) * SIDEREAL_RATE
        place = say("{doing}, the point itself", doing=move.doing)
        self._judge(self.rules, state, stay, move.goal.declination, Use.EXPOSE, place)
        self._excess = self._at_start(state, move)
        if move.first:
            self._check_ways(state, move)
        else:
            self._check_turn(state, move)

    def _at_start(self, state: SkyState, move: Move) -> dict[Reason, float]:
        """Return by how much each limit is broken before the slew; the Sun is never forgiven."""
        use = Use.APPROACH if move.first else Use.SLEW
        found = shortfalls(self.near, state, move.start.hour_angle, move.start.declination, use)
        excess: dict[Reason, float] = {
            reason: float(amount) + CREEP
            for reason, amount in found.items()
            if reason is not Reason.SUN and amount > 0.0
        }
        if move.first:
            dip = dip_forgiven(self.rules, move.start, move.goal)
            excess[Reason.MOUNT_ALTITUDE] = max(dip, excess.get(Reason.MOUNT_ALTITUDE, 0.0))
        return excess

    def _check_turn(self, state: SkyState, move: Move) -> None:
        """Between points: both axes start together, which is a turn of one axis mostly."""
        (way,) = approaches(
            (move.start.hour_angle, move.start.declination),
            (move.goal.hour_angle, move.goal.declination),
            southern=self.rules.site.southern,
            may_flip=False,
        )
        hour_angle, declination = way.straight(self.timing.slew)
        self._judge(
            self.near, state, hour_angle, declination, Use.SLEW, move.doing, forgive=self._excess
        )

    def _check_ways(self, state: SkyState, move: Move) -> None:
        """To the first point the mount may go any way, over the pole too: no way may be bad."""
        ways = approaches(
            (move.start.hour_angle, move.start.declination),
            (move.goal.hour_angle, move.goal.declination),
            southern=self.rules.site.southern,
            may_flip=self.rules.mount.meridian_buffer_deg is not None,
            side=move.start.side,
        )
        if state.sun_counts():
            for way in ways:
                hour_angle, declination = way.directions(WAYS_SPACING)
                self._judge(
                    self.near, state, hour_angle, declination, Use.APPROACH, move.doing,
                    only=(Reason.SUN,), slack=0.75 * WAYS_SPACING,
                )  # fmt: skip
        for way in (way for way in ways if way.likely):
            hour_angle, declination = way.straight(self.timing.slew)
            self._judge(
                self.near, state, hour_angle, declination, Use.APPROACH, move.doing,
                forgive=self._excess,
            )  # fmt: skip

    # -- during and after ------------------------------------------------------------------

    def during(self, look: Look) -> None:
        """Stop as soon as the mount says it is outside, or farther outside than it began."""
        if look.move is None:
            return
        use = Use.APPROACH if look.move.first else Use.SLEW
        doing = say("during the {doing}", doing=look.move.doing)
        try:
            self._judge_pointing(look.pointing, look.sky, use, doing, forgive=self._excess)
        except TooNearSun:
            raise
        except AllowedSkyLeft as left:
            if not _flips(look.move, look.pointing, southern=self.rules.site.southern):
                raise
            raise FlipsOver(
                doing,
                look.pointing.declination / DEG,
                look.move.goal.declination / DEG,
                left.sentence,
            ) from left

    def tracking(self, look: Look) -> None:
        """Stop before tracking carries the mount into what hurts; warn some minutes before."""
        self._judge_pointing(
            look.pointing, look.sky, Use.SLEW, say("while tracking"), only=_HURTING
        )
        if look.state.tracking is False:
            return
        later = Pointing(
            look.pointing.hour_angle + WARN_AHEAD_S * SIDEREAL_RATE, look.pointing.declination
        )
        try:
            self._judge_pointing(later, look.sky, Use.SLEW, "soon", only=_HURTING)
        except AllowedSkyLeft as coming:
            self.warn(
                say(
                    "Within {minutes:.0f} minutes tracking reaches a limit and the run is stopped "
                    "({fix}). Start a new sweep elsewhere before that.",
                    minutes=WARN_AHEAD_S / 60.0,
                    fix=coming.fix,
                )
            )

    def solved(self, solved: Solved) -> None:
        """The Sun and the altitude limits hold for where the stars say it points, too."""
        hour_angle, declination = hour_angle_dec(
            self.rules.site, solved.plate.attitude.matrix[:, 2]
        )
        self._judge_pointing(
            Pointing(float(hour_angle), float(declination)),
            solved.plate.sky,
            Use.APPROACH,
            say("point {point}, by the stars", point=solved.number),
        )

    def wary(self, sky: ObservedFrame) -> bool:
        """By day a mount that does not stand where it says could go on towards the Sun."""
        return self._state(sky).sun_counts()

    # -- shared ----------------------------------------------------------------------------

    def _state(self, sky: ObservedFrame) -> SkyState:
        if self._bodies is None or abs(sky.utc_s - self._bodies.utc_s) > BODIES_FRESH_S:
            self._bodies = SkyState.at(sky)
        return self._bodies

    def _judge_pointing(
        self,
        pointing: Pointing,
        sky: ObservedFrame,
        use: Use,
        doing: str,
        *,
        only: tuple[Reason, ...] = _ORDER,
        forgive: dict[Reason, float] | None = None,
    ) -> None:
        self._judge(
            self.near,
            self._state(sky),
            np.array([pointing.hour_angle]),
            np.array([pointing.declination]),
            use,
            doing,
            only=only,
            forgive=forgive,
        )

    def _judge(
        self,
        rules: Rules,
        state: SkyState,
        hour_angle: Vector,
        declination: Vector | float,
        use: Use,
        doing: str,
        *,
        only: tuple[Reason, ...] = _ORDER,
        forgive: dict[Reason, float] | None = None,
        slack: float = 0.0,
    ) -> None:
        """Raise for the worst limit that is broken at any of the pointings (rad, (N,))."""
        declination = np.broadcast_to(np.asarray(declination, dtype=np.float64), hour_angle.shape)
        found = shortfalls(rules, state, hour_angle, declination, use, slack=slack)
        for reason in _ORDER:
            if reason not in found or reason not in only:
                continue
            j = int(np.argmax(found[reason]))
            amount = float(found[reason][j])
            hair = HAIR if rules is self.near and reason in _BY_A_HAIR else FUZZ
            if amount <= max(hair, (forgive or {}).get(reason, 0.0)):
                continue
            enu = enu_from_hour_angle_dec(rules.site, hour_angle[j], declination[j])
            violation = describe(
                Breach(
                    rules=rules,
                    state=state,
                    reason=reason,
                    where=doing,
                    enu=enu,
                    hour_angle=float(hour_angle[j]),
                    declination=float(declination[j]),
                    utc_s=state.utc_s,
                    amount=amount if math.isfinite(amount) else math.pi,
                    need=required_clearance(rules, use),
                )
            )
            raise _ERRORS.get(reason, AllowedSkyLeft)(
                doing,
                violation.sentence,
                violation.fix,
                round(violation.amount / DEG, 3),
                round(violation.azimuth / DEG, 2),
                round(violation.altitude / DEG, 2),
            )
