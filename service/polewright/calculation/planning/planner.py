"""Choosing a sweep: what fits, what it will tell, and what the obstacles cost.

`plan_sweep` searches, `judge_sweep` judges a person's own wish. Both end in the same
`feasibility.evaluate`, so a plan that comes back has been checked all along its course.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.planning.errors import NoSweepFits, PlanRefused
from polewright.calculation.planning.feasibility import FIRST_SLEW, Outlook, evaluate
from polewright.calculation.planning.request import PlanRequest, SweepPlan, SweepWish
from polewright.calculation.planning.sky_grid import CELL, Level, SkyGrid, build_grid, levels
from polewright.calculation.planning.slew_paths import ON_MERIDIAN
from polewright.calculation.planning.uncertainty import predict_many
from polewright.calculation.planning.violations import Violation
from polewright.calculation.sky.frame import enu_from_hour_angle_dec
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import (
    DEG,
    SIDEREAL_RATE,
    Vector,
    azalt_from_enu,
    separation,
)
from polewright.foundation.language import say

#: At most so many candidates are looked at closely; each costs some milliseconds.
MAX_LOOKS = 120

#: A sweep whose middle is this close (rad, on the same side of the meridian) to that of a better
#: plan is no alternative to it.
ALIKE = 20.0 * DEG
#: A candidate that failed spoils its surroundings (rad of declination and of hour angle).
SPOILED = 5.0 * DEG
#: The same where the limits leave so little room that only the fine grid finds a sweep.
HAIR = 0.6 * DEG

#: Sweeps that begin within so many cells (2 deg) of a row are predicted once.
BLOCK = round(2.0 * DEG / CELL)

#: Predictions closer than this count as equal; then time and stars decide.
SAME_SIGMA = 0.03
#: A sweep for which the mount crosses the meridian is taken where no other is within so many times
#: its uncertainty: it may swing to the other side of its pier in the dark (own choice).
CROSSING_COST = 1.5
#: Within this fraction of the uncertainty, the time left for adjusting decides.
ADJUSTING_WEIGHT = 0.05
ADJUSTING_ENOUGH_S = 3600.0
#: A sweep runs the other way to end where both adjusters are seen, if so much time for adjusting
#: is left there, s; so much is wanted as well where a sweep begins where the mount stands (own
#: choice).
ADJUSTING_LEAST_S = 900.0


def plan_sweep(request: PlanRequest) -> list[SweepPlan]:
    """Return up to ``max_plans`` sweeps that break no limit, best first.

    Ranked by predicted uncertainty of the axis (from the fit's own covariance, made worse by
    moonlight and where the mount has to cross the meridian), then whether it ends where both
    adjusters are seen, then time, then stars in the poorest field, then time left for adjusting.

    Raises:
        NoSweepFits: nothing fits down to the smallest step.
    """
    return _Search(request).plans()


def judge_sweep(request: PlanRequest, wish: SweepWish) -> SweepPlan:
    """Judge a person's own sweep like one of ours.

    Raises:
        PlanRefused: with every broken limit, and the nearest sweep that fits.
    """
    search = _Search(
        request,
        request.timing.sweep_seconds(wish.step, wish.n_points, with_reserve=True),
    )
    if wish.direction is not None:
        directions: tuple[int, ...] = (wish.direction,)
    else:
        away = 1 if math.sin(wish.hour_angle) >= 0.0 else -1
        directions = (away, -away)
    refused: tuple[Violation, ...] | None = None
    for direction in directions:
        violations, plan = evaluate(
            search.outlook,
            wish.hour_angle,
            wish.declination,
            direction * wish.step,
            wish.n_points,
            search.best_open_sigma,
        )
        if plan is not None:
            return plan
        if refused is None or len(violations) < len(refused):
            refused = violations
    raise PlanRefused(refused or (), search.suggestion(wish))


@dataclass(eq=False)
class _Candidates:
    """Cells where sweeps fit, with an estimate of what they are worth; arrays (N,)."""

    row: NDArray[np.int64]
    column: NDArray[np.int64]
    level: NDArray[np.int64]
    score: Vector


class _Search:
    """One request being searched."""

    def __init__(self, request: PlanRequest, sweep_s: float = 0.0) -> None:
        self.request = request
        self.outlook = Outlook(request, sweep_s)

    @cached_property
    def grid(self) -> SkyGrid:
        return build_grid(self.outlook)

    @cached_property
    def best_open_sigma(self) -> float:
        """What the preferred sweep gives at its best place when nothing is in the way, rad."""
        grid = build_grid(self.outlook, obstacles=False)
        level = Level(self.request.n_points, round(self.request.step / CELL))
        row, column = np.nonzero(grid.fits(level.step_cells, level.n_points)[:, ::BLOCK])
        if len(row) == 0:
            return math.inf
        return float(np.min(self._sigmas(grid, row, column * BLOCK, level)))

    def plans(self) -> list[SweepPlan]:
        found, failures = self._collect(self.grid, SPOILED)
        if not found and not failures:
            # Perhaps something fits by a hair, between the cells of the careful grid.
            found, _ = self._collect(build_grid(self.outlook, hopeful=True), HAIR)
        if not found:
            raise NoSweepFits(
                self.request.min_step / DEG,
                self.request.n_points,
                {**self.grid.blocked, **failures},
            )
        # The open sky is looked at coarsely: none of these is better than the best there.
        best = min(plan.best_open_sigma for plan in found)
        found = [replace(plan, best_open_sigma=best) for plan in found]
        return sorted(found, key=_rank)

    def _collect(self, grid: SkyGrid, spoiled: float) -> tuple[list[SweepPlan], dict[str, float]]:
        """Return sweeps that passed, and the names of limits that others broke."""
        request = self.request
        found: list[SweepPlan] = []
        looks = 0
        failures: dict[str, float] = {}
        widest_span = 0
        groups = levels(request.step, request.min_step, request.n_points, request.max_points)
        for group in groups:
            span = (group[0].n_points - 1) * group[0].step_cells
            if found and span < 0.75 * widest_span:
                break  # alternatives much worse than the best help nobody
            candidates = self._candidates(grid, group)
            if candidates is None:
                continue
            self._mark_across(candidates, group)
            for better in found:
                self._suppress_alike(candidates, better, group)
            while len(found) < request.max_plans and looks < MAX_LOOKS:
                k = int(np.argmin(candidates.score))
                if not math.isfinite(candidates.score[k]):
                    break
                looks += 1
                plan, why = self._look(candidates, k, group)
                if plan is None:
                    failures.update({_name(violation): 1.0 for violation in why})
                    self._suppress_near(candidates, k, spoiled)
                    continue
                found.append(plan)
                widest_span = max(widest_span, span)
                self._suppress_alike(candidates, plan, group)
            if len(found) >= request.max_plans or looks >= MAX_LOOKS:
                break
        return found, failures

    def suggestion(self, wish: SweepWish) -> str:
        """Return the sweep nearest to a wish that fits, in words; empty when there is none."""
        grid = self.grid
        start = enu_from_hour_angle_dec(self.request.site, wish.hour_angle, wish.declination)
        directions = (1, -1) if wish.direction is None else (wish.direction,)
        for level in [
            group[0]
            for group in levels(wish.step, self.request.min_step, wish.n_points, wish.n_points)
        ]:
            rows, columns = np.nonzero(grid.fits(level.step_cells, level.n_points))
            if len(rows) == 0:
                continue
            span = (level.n_points - 1) * level.step_cells
            options = []
            for direction in directions:
                first = columns if direction > 0 else columns + span
                enu = enu_from_hour_angle_dec(
                    self.request.site, grid.hour_angle[first], grid.declination[rows]
                )
                gap = separation(enu, start)
                options += [
                    (float(gap[k]), direction, int(rows[k]), int(first[k]))
                    for k in np.argsort(gap)[:3]
                ]
            for _, direction, row, first_column in sorted(options):
                ha, dec = float(grid.hour_angle[first_column]), float(grid.declination[row])
                _, plan = evaluate(
                    self.outlook, ha, dec, direction * level.step, level.n_points,
                    self.best_open_sigma,
                )  # fmt: skip
                if plan is not None:
                    return _advise(plan)
        return ""

    def _look(
        self, candidates: _Candidates, k: int, group: list[Level]
    ) -> tuple[SweepPlan | None, tuple[Violation, ...]]:
        """Evaluate a candidate, in the direction that leaves more time for adjusting first.

        The other one is taken where only that ends where both adjusters are seen.
        """
        level = group[int(candidates.level[k])]
        row, column = int(candidates.row[k]), int(candidates.column[k])
        span = (level.n_points - 1) * level.step_cells
        dec = float(self.grid.declination[row])
        why: tuple[Violation, ...] = ()
        fits: SweepPlan | None = None
        for direction in (-1, 1):
            first = column + span if direction < 0 else column
            violations, plan = evaluate(
                self.outlook,
                float(self.grid.hour_angle[first]),
                dec,
                direction * level.step,
                level.n_points,
                self.best_open_sigma,
                all_reasons=False,
            )
            if plan is None:
                why = why or violations
            elif fits is None:
                if not plan.hides_adjuster:
                    return plan, ()
                fits = plan
            elif not plan.hides_adjuster and plan.adjusting_time_s >= ADJUSTING_LEAST_S:
                fits = plan
        return fits, why

    def _candidates(self, grid: SkyGrid, group: list[Level]) -> _Candidates | None:
        rows, columns, which, scores = [], [], [], []
        for number, level in enumerate(group):
            row, column = np.nonzero(grid.fits(level.step_cells, level.n_points))
            if len(row) == 0:
                continue
            rows.append(row)
            columns.append(column)
            which.append(np.full(len(row), number))
            scores.append(self._score(grid, row, column, level))
        if not rows:
            return None
        return _Candidates(
            np.concatenate(rows),
            np.concatenate(columns),
            np.concatenate(which),
            np.concatenate(scores),
        )

    def _score(
        self, grid: SkyGrid, row: NDArray[np.int64], column: NDArray[np.int64], level: Level
    ) -> Vector:
        """Return the uncertainty (rad) of sweeps, with moonlight and adjusting time."""
        moon = np.zeros(len(row))
        for i in range(level.n_points):
            moon = np.maximum(moon, grid.moon[row, column + i * level.step_cells])
        left = grid.cells_ahead[row, column] * (CELL / SIDEREAL_RATE)
        short = 1.0 - np.clip(left / ADJUSTING_ENOUGH_S, 0.0, 1.0)
        sigma = self._sigmas(grid, row, column, level)
        return np.asarray(sigma * (1.0 + moon) * (1.0 + ADJUSTING_WEIGHT * short))

    def _sigmas(
        self, grid: SkyGrid, row: NDArray[np.int64], column: NDArray[np.int64], level: Level
    ) -> Vector:
        """Return the predicted uncertainty (rad) of sweeps; alike within `BLOCK` cells of a row.

        The very prediction that a plan is offered with, so that the order is the true one.
        """
        blocks = grid.hour_angle.size // BLOCK + 1
        _, one, all_of = np.unique(
            row * blocks + column // BLOCK, return_index=True, return_inverse=True
        )
        row, column = row[one], column[one]
        offsets = level.step_cells * np.arange(level.n_points)
        at = (row[:, None], column[:, None] + offsets)
        stars = None if grid.stars is None else np.minimum(grid.stars[at], 1e6)
        covariances = predict_many(
            self.request.site,
            grid.hour_angle[column],
            np.asarray(offsets * CELL),
            grid.declination[row],
            self.request.noise.sigmas(grid.altitude[at], stars),
            self.request.shared,
        )
        sigma = np.sqrt(np.trace(covariances, axis1=-2, axis2=-1))
        return np.asarray(sigma[all_of])

    def _suppress_near(self, candidates: _Candidates, k: int, size: float) -> None:
        declination = self.grid.declination
        row, column = candidates.row[k], candidates.column[k]
        near = np.abs(declination[candidates.row] - declination[row]) < size
        near &= np.abs(candidates.column - column) * CELL < size
        candidates.score[near] = math.inf

    def _mark_across(self, candidates: _Candidates, group: list[Level]) -> None:
        """Count what lies over the meridian, seen from where the mount stands, less or never."""
        spans = np.array([(level.n_points - 1) * level.step_cells for level in group])
        across = np.sin(ON_MERIDIAN)
        for column in (candidates.column, candidates.column + spans[candidates.level]):
            there = np.sin(self.grid.hour_angle[column]) * self.request.standing
            candidates.score[there <= -across] *= math.inf if self.request.stay else CROSSING_COST

    def _suppress_alike(self, candidates: _Candidates, plan: SweepPlan, group: list[Level]) -> None:
        spans = np.array([(level.n_points - 1) * level.step_cells for level in group])
        middle = candidates.column + spans[candidates.level] // 2
        ha = self.grid.hour_angle[middle]
        site = self.request.site
        enu = enu_from_hour_angle_dec(site, ha, self.grid.declination[candidates.row])
        own = 0.5 * (plan.points[0].hour_angle + plan.points[-1].hour_angle)
        near = enu @ enu_from_hour_angle_dec(site, own, plan.declination) > math.cos(ALIKE)
        near &= np.sin(ha) * math.sin(own) > 0.0
        candidates.score[near] = math.inf


def _name(violation: Violation) -> str:
    if violation.where == FIRST_SLEW:
        return "first_slew"
    return (violation.reason.name or "").lower()


def _rank(plan: SweepPlan) -> tuple[int, bool, int, float, float]:
    sigma = plan.moonlit_sigma * (CROSSING_COST if plan.crosses_meridian else 1.0)
    stars = min((point.stars or 0.0) for point in plan.points)
    return (
        round(math.log(sigma) / SAME_SIGMA),
        plan.hides_adjuster,
        round(plan.duration_s / 15.0),
        -stars,
        -plan.adjusting_time_s,
    )


def _advise(plan: SweepPlan) -> str:
    azimuth, altitude = (float(x) / DEG for x in azalt_from_enu(plan.points[0].enu))
    return say(
        "This one fits: start at azimuth {azimuth:.0f} altitude {altitude:.0f} (hour "
        "angle {hour_angle:+.2f}, declination {declination:+.2f} deg), {points} points, "
        "{step:g} deg {way} each; {sigma} expected.",
        azimuth=azimuth,
        altitude=altitude,
        hour_angle=plan.points[0].hour_angle / DEG,
        declination=plan.declination / DEG,
        points=len(plan.points),
        step=plan.step / DEG,
        way=plan.way,
        sigma=angle_text(plan.sigma),
    )
