"""Whether the catalogue has stars enough for the field, found out before anything moves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from polewright.calculation.planning.errors import NoSweepFits, PlanRefused
from polewright.calculation.planning.planner import judge_sweep, plan_sweep
from polewright.calculation.planning.request import PlanRequest, SweepPlan, SweepWish
from polewright.calculation.planning.uncertainty import AttitudeNoise
from polewright.calculation.planning.violations import Reason
from polewright.foundation.angles import DEG, Vector, unit_vector
from polewright.foundation.language import say
from polewright.solving.base import CatalogueSolver
from polewright.solving.catalogue.density import SPARSE_STARS, SURE_STARS
from polewright.solving.errors import TWO_WAYS_OUT, FieldTooNarrow

_NO_DENSITY = math.inf


def field_area(noise: AttitudeNoise) -> float:
    """Steradians of a frame."""
    return noise.pixel_scale**2 * noise.width_px * noise.height_px


def field_deg(noise: AttitudeNoise) -> tuple[float, float]:
    """Width and height of a frame, degrees."""
    width, height = noise.field
    return width / DEG, height / DEG


def with_stars(request: PlanRequest, solver: object) -> PlanRequest:
    """Let the planner count the solver's catalogue stars, where the solver knows them."""
    if not isinstance(solver, CatalogueSolver):
        return request
    area = field_area(request.noise)
    return replace(
        request,
        stars_in_field=lambda directions: solver.star_density(directions) * area,
        min_stars=round(SPARSE_STARS),
    )


def check_field(request: PlanRequest, solver: object) -> None:
    """Refuse a field that is too narrow everywhere in the sky that ever rises high enough.

    Raises:
        FieldTooNarrow: with the numbers and the ways out.
    """
    if request.stars_in_field is None or not isinstance(solver, CatalogueSolver):
        return
    best = float(np.max(request.stars_in_field(_sky_seen(request))))
    if best < request.min_stars:
        raise FieldTooNarrow(field_deg(request.noise), best, request.min_stars, solver.catalogue)


def _sky_seen(request: PlanRequest) -> Vector:
    """ICRS directions (N, 3), one every few degrees, that rise above the lowest altitude."""
    latitude_deg = request.site.latitude_deg
    reach = 90.0 - request.sky.altitude_min_deg
    low, high = max(-90.0, latitude_deg - reach), min(90.0, latitude_deg + reach)
    dec, ra = np.meshgrid(
        np.arange(low, high + 1e-9, 2.0) * DEG, np.arange(0.0, 360.0, 3.0) * DEG, indexing="ij"
    )
    return unit_vector(ra.ravel(), dec.ravel())


def plans_for(request: PlanRequest, solver: object) -> list[SweepPlan]:
    """Return the sweeps that fit, best first, among fields rich in stars if there are such.

    Raises:
        FieldTooNarrow: sweeps would fit, but nowhere are stars enough for the solver.
        NoSweepFits: nothing fits, whatever the stars.
    """
    check_field(request, solver)
    if request.stars_in_field is None or not isinstance(solver, CatalogueSolver):
        return plan_sweep(request)
    for fewest in (math.ceil(SURE_STARS), request.min_stars):
        try:
            return plan_sweep(replace(request, min_stars=fewest))
        except NoSweepFits as exc:
            if not exc.blocked.get("stars"):
                raise
    richest = max(_poorest(plan) for plan in plan_sweep(replace(request, min_stars=0)))
    raise FieldTooNarrow(
        field_deg(request.noise),
        richest,
        request.min_stars,
        solver.catalogue,
        say("at the poorest point of the best sweep that fits"),
    )


def judged(request: PlanRequest, wish: SweepWish, solver: object) -> SweepPlan:
    """Judge a person's own sweep.

    Raises:
        FieldTooNarrow: nothing but the number of stars speaks against it.
        PlanRefused: it breaks a limit.
    """
    try:
        return judge_sweep(request, wish)
    except PlanRefused as refused:
        broken = refused.violations
        if not isinstance(solver, CatalogueSolver) or any(v.reason != Reason.STARS for v in broken):
            raise
        worst = max(broken, key=lambda violation: violation.amount)
        raise FieldTooNarrow(
            field_deg(request.noise),
            request.min_stars - worst.amount,
            request.min_stars,
            solver.catalogue,
            say("at {where} of the sweep asked for", where=worst.where),
        ) from refused


def doubts(request: PlanRequest, plans: Sequence[SweepPlan]) -> tuple[str, ...]:
    """Say it when the best sweep's fields are so poor that some frames will not solve."""
    if not plans or request.stars_in_field is None:
        return ()
    fewest = _poorest(plans[0])
    return () if fewest >= SURE_STARS else (_doubt(request.noise, fewest),)


def advice_here(noise: AttitudeNoise, solver: object, icrs: Vector | None) -> tuple[str, ...]:
    """Say it when frames of this size, here or (None) in half of the sky, hold few stars."""
    if not isinstance(solver, CatalogueSolver):
        return ()
    if icrs is None:
        spread = unit_vector(np.arange(0.0, 6.28, 0.1), np.arcsin(np.linspace(-0.99, 0.99, 63)))
        density = float(np.median(solver.star_density(spread)))
    else:
        density = float(solver.star_density(icrs[None, :])[0])
    expected = density * field_area(noise)
    return () if expected >= SURE_STARS else (_doubt(noise, expected),)


def stars_wanted(request: PlanRequest, like: SweepPlan) -> int:
    """Return how many stars each field should have: plenty, or no fewer than another sweep has."""
    return max(request.min_stars, math.floor(min(SURE_STARS, _poorest(like))))


def _poorest(plan: SweepPlan) -> float:
    return min(_NO_DENSITY if point.stars is None else point.stars for point in plan.points)


def _doubt(noise: AttitudeNoise, expected: float) -> str:
    width, height = field_deg(noise)
    return say(
        "A frame of {width:.2f} x {height:.2f} deg shows about {expected:.0f} catalogue "
        "stars there; below {sparse_stars:.0f} it may not be solved, and from "
        "{sure_stars:.0f} on average it nearly always is. {two_ways_out}",
        width=width,
        height=height,
        expected=expected,
        sparse_stars=SPARSE_STARS,
        sure_stars=SURE_STARS,
        two_ways_out=TWO_WAYS_OUT,
    )
