"""Judging one sweep: every limit, all along its course, for the whole time it may take."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from polewright.calculation.planning.limit_messages import Breach, describe
from polewright.calculation.planning.limits import (
    FUZZ,
    Rules,
    SkyState,
    Use,
    allowed,
    moon_weight,
    moving_sun_shortfall,
    required_clearance,
    shortfalls,
    sun_shortfall,
)
from polewright.calculation.planning.request import PlanPoint, PlanRequest, Pointing, SweepPlan
from polewright.calculation.planning.slew_paths import (
    AT_POLE,
    Approach,
    AxisMotion,
    Course,
    approaches,
    meridian_side,
    sweep_course,
)
from polewright.calculation.planning.uncertainty import predict
from polewright.calculation.planning.violations import Reason, Violation
from polewright.calculation.sky.frame import ObservedFrame, enu_from_hour_angle_dec
from polewright.calculation.sky.site import Site
from polewright.foundation.angles import DEG, SIDEREAL_RATE, Vector, azalt_from_enu, separation
from polewright.foundation.language import say

#: A course is sampled this finely; the slack is added to distances on the sky for what lies
#: between. Ends are sampled themselves, and in between a least distance d is missed by at most
#: (spacing / 2)^2 / (2 d): 0.003 deg at d = 0.1 deg.
SAMPLE_SPACING = 0.05 * DEG
SAMPLE_SLACK = 0.005 * DEG

#: Sampling of the ways to the first point; half its diagonal is added to the Sun's distance.
APPROACH_SPACING = 2.0 * DEG

CROSSES = say(
    "the first slew crosses the meridian: the mount may swing to the other side of the "
    "pier; keep clear of it"
)
#: `Violation.where` of what happens before the first point.
FIRST_SLEW = say("first slew")

#: How far ahead tracking at the last point is looked at: nobody adjusts for longer (own choice).
ADJUSTING_HORIZON_S = 7200.0

#: A pole less than this above the lowest altitude allowed counts as low (own choice).
LOW_POLE = 10.0 * DEG
#: Within this of the pole the right ascension axis alone may lead around it (own choice).
BESIDE_POLE = 15.0 * DEG
#: A lowest altitude above this was raised by somebody who knows what stands there (own choice).
RAISED_LIMIT = 10.0 * DEG
#: On a way around the pole the mount may be seen at most this far below the way (own choice).
MOST_ASTRAY = 2.0 * DEG


@dataclass(frozen=True, eq=False)
class Outlook:
    """A request together with the sky over it; built once for many sweeps."""

    request: PlanRequest
    sweep_s: float = 0.0
    """Of a sweep that may take longer than any the planner would choose."""

    @cached_property
    def frame(self) -> ObservedFrame:
        """The sky when the first slew begins."""
        return self.request.frame(self.request.utc_s)

    @cached_property
    def longest_s(self) -> float:
        """From the first slew to the end of the longest sweep, all reserves used."""
        r = self.request
        timing = r.timing
        steps = max(
            self.sweep_s,
            timing.sweep_seconds(r.step, r.n_points, with_reserve=True),
            timing.sweep_seconds(r.step, r.max_points, with_reserve=True),
        )
        first = timing.first_slew_s
        if r.pointing is not None:  # the longest way there is: half a turn of both axes
            first = max(first, timing.slew.seconds(math.pi))
        return first + steps

    @cached_property
    def states(self) -> tuple[SkyState, ...]:
        """Sun and Moon at the start, the middle and the latest end."""
        begin = self.request.utc_s
        middle = self.request.frame(begin + 0.5 * self.longest_s)
        end = self.request.frame(begin + self.longest_s)
        return SkyState.at(self.frame), SkyState.at(middle), SkyState.at(end)

    @property
    def sun_counts(self) -> bool:
        """Whether the Sun is a hard limit at any time of the sweep."""
        return any(state.sun_counts() for state in self.states)

    def sun_after(self, seconds: Vector) -> Vector:
        """Directions (N, 3) of the Sun so long (N,) after the start, between the states."""
        times = [state.utc_s - self.request.utc_s for state in self.states]
        parts = [
            np.interp(seconds, times, [float(state.sun_enu[axis]) for state in self.states])
            for axis in range(3)
        ]
        sun = np.stack(parts, axis=-1)
        return np.asarray(sun / np.linalg.norm(sun, axis=-1, keepdims=True), dtype=np.float64)

    def icrs(self, hour_angle: Vector, declination: Vector) -> Vector:
        """ICRS directions (..., 3) seen at these angles at the middle of the sweep."""
        enu = enu_from_hour_angle_dec(self.request.site, hour_angle, declination)
        return self.request.frame(self.states[1].utc_s).to_icrs(enu)


def evaluate(
    outlook: Outlook,
    hour_angle: float,
    declination: float,
    signed_step: float,
    n_points: int,
    best_open_sigma: float,
    *,
    all_reasons: bool = True,
) -> tuple[tuple[Violation, ...], SweepPlan | None]:
    """Return every violation of a sweep, and the plan when there is none. Angles in rad.

    ``all_reasons`` False stops early at an unsafe first slew.
    """
    request = outlook.request
    timing = request.timing
    first_s, warnings, violations = _first_slew(outlook, hour_angle, declination)
    if violations and not all_reasons:
        return tuple(violations), None
    course = sweep_course(timing, hour_angle, signed_step, n_points, spacing=SAMPLE_SPACING)
    found, clearance = _along(outlook, course, declination, first_s)
    violations += found
    angles = np.asarray(hour_angle + signed_step * np.arange(n_points), dtype=np.float64)
    violations += _sides(outlook, angles, declination)
    stars, found = _stars(outlook, angles, declination)
    violations += found
    if violations:
        return tuple(violations), None

    enus = enu_from_hour_angle_dec(request.site, angles, np.full(n_points, declination))
    altitudes = azalt_from_enu(enus)[1]
    sigmas = request.noise.sigmas(altitudes, stars)
    points = _plan_points(outlook, angles, enus, declination, signed_step, first_s, sigmas, stars)
    track = enu_from_hour_angle_dec(request.site, course.hour_angle, declination)
    state = outlook.states[1]
    prediction = predict(request.site, angles, declination, sigmas, request.shared)
    weight = float(np.max(moon_weight(state, enus)))
    if weight > 0.3:
        warnings = (*warnings, say("the points are close to a bright Moon"))
    if outlook.sun_counts:
        warnings = (
            *warnings,
            say("the Sun is up or the sky still bright: stars will hardly be seen"),
        )
    return (), SweepPlan(
        points=points,
        step=abs(signed_step),
        direction=1 if signed_step > 0.0 else -1,
        prediction=prediction,
        best_open_sigma=min(best_open_sigma, prediction.sigma),
        duration_s=first_s + timing.sweep_seconds(signed_step, n_points),
        start_utc_s=request.utc_s,
        clearance=clearance,
        sun_separation=min(float(np.min(separation(track, s.sun_enu))) for s in outlook.states),
        sun_counts=outlook.sun_counts,
        moon_separation=float(np.min(separation(enus, state.moon_enu))),
        moon_fraction=state.moon_fraction,
        moon_up=bool(state.moon_enu[2] > 0.0),
        moon_weight=weight,
        adjusting_time_s=_adjusting_time(outlook, points[-1]),
        crosses_meridian=crosses_meridian(request, angles),
        warnings=(*warnings, *outlook.frame.warnings),
    )


def _plan_points(
    outlook: Outlook,
    angles: Vector,
    enus: Vector,
    declination: float,
    signed_step: float,
    first_s: float,
    sigmas: Vector,
    stars: Vector | None,
) -> tuple[PlanPoint, ...]:
    """Return the points with their times and what is expected of each; hour angles (N,), rad."""
    utc_s, timing = outlook.request.utc_s, outlook.request.timing
    between_s = timing.dwell_s + timing.slew.seconds(signed_step)
    arrive = utc_s + first_s + np.arange(len(angles)) * between_s
    return tuple(
        PlanPoint(
            hour_angle=float(angles[i]),
            declination=declination,
            enu=enus[i],
            arrive_utc_s=float(arrive[i]),
            leave_utc_s=float(arrive[i] + timing.dwell_s),
            right_ascension=float(
                (outlook.frame.lst + (arrive[i] - utc_s) * SIDEREAL_RATE - angles[i])
                % (2.0 * math.pi)
            ),
            sigma_boresight=float(sigmas[i, 0]),
            sigma_roll=float(sigmas[i, 1]),
            stars=None if stars is None else float(stars[i]),
        )
        for i in range(len(angles))
    )


def _along(
    outlook: Outlook, course: Course, declination: float, first_s: float
) -> tuple[list[Violation], float]:
    """Check stays and slews; return violations (worst place of each) and the least clearance."""
    rules = outlook.request.rules
    begin = outlook.request.utc_s + first_s
    clearance = math.inf
    found: list[tuple[int, Violation]] = []
    for use, odd in ((Use.EXPOSE, 0), (Use.SLEW, 1)):
        chosen = course.leg % 2 == odd
        ha, legs = course.hour_angle[chosen], course.leg[chosen]
        need = required_clearance(rules, use)
        state = outlook.states[0]
        amounts = dict(shortfalls(rules, state, ha, declination, use, slack=SAMPLE_SLACK))
        for reason in (Reason.SKYLINE, Reason.OVERHANG, Reason.WINDOW):
            clearance = min(clearance, -float(np.max(amounts[reason])))
        enu = enu_from_hour_angle_dec(rules.site, ha, declination)
        suns, amounts[Reason.SUN] = _sun_along(outlook, course, chosen, enu, first_s)
        for reason, amount in amounts.items():
            for leg in np.unique(legs[amount > FUZZ]):
                j = int(np.argmax(np.where(legs == leg, amount, -math.inf)))
                i = int(leg) // 2 + 1
                where = (
                    say("slew from point {point} to {next_point}", point=i, next_point=i + 1)
                    if odd
                    else say("point {point}", point=i)
                )
                breach = Breach(
                    rules=rules,
                    state=replace(state, sun_enu=suns[j]) if reason is Reason.SUN else state,
                    reason=reason,
                    where=where,
                    enu=enu[j],
                    hour_angle=float(ha[j]),
                    declination=declination,
                    utc_s=begin + float(course.earliest[chosen][j]),
                    amount=float(amount[j]),
                    need=need,
                )
                found.append((int(leg), describe(breach)))
    found.sort(key=lambda item: item[0])
    return [violation for _, violation in found], clearance


def _sun_along(
    outlook: Outlook, course: Course, chosen: Vector, enu: Vector, first_s: float
) -> tuple[Vector, Vector]:
    """Where the Sun is when it is worst for each sample (N, 3), and the shortfall (N,).

    A sample may be reached between its earliest time, with an immediate arrival at the first
    point, and its latest, with all reserves used.
    """
    suns = np.zeros_like(enu)
    worst = np.full(len(enu), -math.inf)
    for share in (0.0, 0.5, 1.0):
        late = first_s + course.seconds[chosen]
        after_s = (1.0 - share) * course.earliest[chosen] + share * late
        sun = outlook.sun_after(after_s)
        amount = moving_sun_shortfall(outlook.request.rules, sun, enu) + SAMPLE_SLACK
        suns = np.where((amount > worst)[:, None], sun, suns)
        worst = np.maximum(worst, amount)
    return suns, worst


def _first_slew(
    outlook: Outlook, hour_angle: float, declination: float
) -> tuple[float, tuple[str, ...], list[Violation]]:
    """Check every way to the first point; return its time (s), warnings and violations."""
    request = outlook.request
    if request.pointing is None:
        text = say("the first slew was not checked, since the present pointing is unknown")
        return request.timing.first_slew_s, (text,), []
    start = (request.pointing.hour_angle, request.pointing.declination)
    ways = approaches(
        start,
        (hour_angle, declination),
        southern=request.site.southern,
        may_flip=request.mount.meridian_buffer_deg is not None,
        side=request.pointing.side,
    )
    motion = request.timing.slew
    seconds = max(way.seconds(motion) for way in ways)
    violations: list[Violation] = []
    rules = request.rules

    def note(
        reason: Reason, state: SkyState, ha: float, dec: float, enu: Vector, amount: float
    ) -> None:
        if amount > FUZZ and not any(v.reason is reason for v in violations):
            breach = Breach(
                rules=rules,
                state=state,
                reason=reason,
                where=FIRST_SLEW,
                enu=enu,
                hour_angle=ha,
                declination=dec,
                utc_s=request.utc_s,
                amount=amount,
            )
            violations.append(describe(breach))

    for way in ways if outlook.sun_counts else ():
        # Whatever the order of the axes: no point of the box they span may be near the Sun.
        ha, dec = way.directions(APPROACH_SPACING)
        enu = enu_from_hour_angle_dec(request.site, ha, dec)
        for state in outlook.states:
            j = int(np.argmax(enu @ state.sun_enu))
            amount = float(sun_shortfall(rules, state, enu[j])) + 0.75 * APPROACH_SPACING
            note(Reason.SUN, state, float(ha[j]), float(dec[j]), enu[j], amount)
    state = outlook.states[0]
    for way in (way for way in ways if way.likely):
        at_ha, at_dec, amount = worst_altitude(rules, state, way, motion)
        enu = enu_from_hour_angle_dec(request.site, at_ha, at_dec)
        note(Reason.MOUNT_ALTITUDE, state, at_ha, at_dec, enu, amount)
    crosses = crosses_meridian(request, [hour_angle])
    return seconds, ((CROSSES,) if crosses else ()), violations


def crosses_meridian(request: PlanRequest, angles: Iterable[float]) -> bool:
    """Whether the way from where the mount stands through these hour angles passes the meridian."""
    sides = {meridian_side(float(angle)) for angle in angles} | {request.standing}
    return {-1, 1} <= sides


def worst_altitude(
    rules: Rules, state: SkyState, way: Approach, motion: AxisMotion
) -> tuple[float, float, float]:
    """Return where (hour angle, declination) a way is outside the altitude limits most, how much.

    All rad. A parked mount may start outside its limits; it only may not go farther out.
    """
    ha, dec = way.straight(motion)
    amounts = shortfalls(rules, state, ha, dec, Use.APPROACH)[Reason.MOUNT_ALTITUDE]
    j = int(np.argmax(amounts))
    return float(ha[j]), float(dec[j]), float(amounts[j]) - max(0.0, float(amounts[0]))


def dip_forgiven(rules: Rules, start: Pointing, goal: Pointing) -> float:
    """Return how far (rad) under the lowest altitude a first slew may be seen near a low pole.

    A plan is judged by its likely ways (`worst_altitude`), which have to keep more: a margin above
    the lowest altitude, or where they begin. A mount takes its axes in any order, though, and from
    the pole nothing tells where its right ascension axis stands. With the counterweight down no
    order leads below the horizon, but the declination axis alone leads along it. From a place
    beside the pole the right ascension axis alone leads around the pole, no farther from it: that
    is allowed down to the horizon, unless somebody raised the limit. To a point beside the pole a
    mount at the pole with the weight aside goes around it as well.
    """
    pole = abs(rules.site.latitude_deg) * DEG
    lowest = rules.mount.altitude_min_deg * DEG
    astray = 2.0 * rules.pointing_margin_deg * DEG
    begins, ends = (polar_distance(rules.site, place) for place in (start, goal))
    floors = [lowest]
    if begins <= BESIDE_POLE and lowest <= RAISED_LIMIT:
        floors.append(max(0.0, pole - begins) - min(astray, MOST_ASTRAY))
    if begins < AT_POLE and pole < lowest + LOW_POLE:
        floors.append(-astray)
    if begins < AT_POLE and ends <= BESIDE_POLE:
        floors.append(pole - ends - astray)
    return lowest - min(floors)


def polar_distance(site: Site, place: Pointing) -> float:
    """Return the angle (rad) of a place from the visible pole."""
    north = -1.0 if site.southern else 1.0
    return 0.5 * math.pi - north * place.declination


def _sides(outlook: Outlook, angles: Vector, declination: float) -> list[Violation]:
    """Ask the mount for its side on arrival and before leaving; they must not differ."""
    request = outlook.request
    if request.destination_side is None:
        return []
    first: object | None = None
    for i, arrive in enumerate(angles):
        for ha in (float(arrive), float(arrive) + request.timing.drift):
            side = request.destination_side(ha, declination)
            if side is None:
                continue
            if first is None:
                first = side
            elif side != first:
                enu = enu_from_hour_angle_dec(request.site, ha, declination)
                return [
                    describe(
                        Breach(
                            rules=request.rules,
                            state=outlook.states[0],
                            reason=Reason.PIER_SIDE,
                            where=say("point {point}", point=i + 1),
                            enu=enu,
                            hour_angle=ha,
                            declination=declination,
                            utc_s=request.utc_s,
                            amount=0.0,
                        )
                    )
                ]
    return []


def _stars(
    outlook: Outlook, angles: Vector, declination: float
) -> tuple[Vector | None, list[Violation]]:
    """Count catalogue stars at the points, where a catalogue is given."""
    request = outlook.request
    if request.stars_in_field is None:
        return None, []
    dec = np.full(len(angles), declination)
    counts = np.asarray(request.stars_in_field(outlook.icrs(angles, dec)), dtype=np.float64)
    violations = []
    for i in np.flatnonzero(counts < request.min_stars):
        enu = enu_from_hour_angle_dec(request.site, angles[i], declination)
        violations.append(
            describe(
                Breach(
                    rules=request.rules,
                    state=outlook.states[0],
                    reason=Reason.STARS,
                    where=say("point {point}", point=i + 1),
                    enu=enu,
                    hour_angle=float(angles[i]),
                    declination=declination,
                    utc_s=request.utc_s,
                    amount=float(request.min_stars - counts[i]),
                    need=float(request.min_stars),
                )
            )
        )
    return counts, violations


def _adjusting_time(outlook: Outlook, last: PlanPoint) -> float:
    """Seconds of tracking at the last point until a limit is broken, at most two hours."""
    request = outlook.request
    rules = request.rules
    t = np.arange(0.0, ADJUSTING_HORIZON_S + 1.0, 60.0)
    ha = last.hour_angle + t * SIDEREAL_RATE
    ok = allowed(rules, outlook.states[0], ha, last.declination, Use.SLEW).mask.copy()
    enu = enu_from_hour_angle_dec(request.site, ha, last.declination)
    for k in range(0, len(t), 10):
        state = SkyState.at(request.frame(last.arrive_utc_s + float(t[k])))
        near = sun_shortfall(rules, state, enu[k : k + 10]) > 0.0
        ok[k : k + 10] &= ~near
    broken = np.flatnonzero(~ok)
    return float(t[broken[0]]) if len(broken) else ADJUSTING_HORIZON_S
