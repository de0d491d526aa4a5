"""A field too narrow for the catalogue is told before anything moves, with numbers and ways out."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from typing import Any, cast

import numpy as np
import pytest
from typer.testing import CliRunner

from polewright.calculation.planning.errors import PlanRefused
from polewright.calculation.planning.request import PlanRequest, SweepWish
from polewright.foundation.config import Config, config_from_text
from polewright.foundation.errors import ExitCode
from polewright.interfaces.cli.app import build_app
from polewright.observing.plan.star_coverage import (
    advice_here,
    check_field,
    doubts,
    field_area,
    judged,
    plans_for,
    with_stars,
)
from polewright.observing.runs.offline_plan import offline_plans, offline_request, offline_solver
from polewright.solving.base import CatalogueSolver
from polewright.solving.errors import FieldTooNarrow

UTC_S = 1795210200.0  # 2026-11-20 21:30 UTC
TEXT = """
[site]
latitude_deg = 44.62
longitude_deg = 9.31
[solver]
catalogue = "none"
"""


def config(focal_length_mm: float) -> Config:
    return config_from_text(
        TEXT, overrides={"optics.focal_length_mm": focal_length_mm, "optics.pixel_um": 3.76}
    )


def request_at(focal_length_mm: float) -> PlanRequest:
    return offline_request(config(focal_length_mm), UTC_S)[0]


class Counting(cast("Any", CatalogueSolver)):  # type: ignore[misc] # a part of what it names
    """A solver whose catalogue has so many stars a frame east and west of right ascension 0."""

    catalogue = "invented"

    def __init__(self, request: PlanRequest, east: float, west: float) -> None:
        self.area, self.east, self.west = field_area(request.noise), east, west

    def star_density(self, vectors: np.ndarray) -> np.ndarray:
        return np.where(vectors[:, 1] > 0.0, self.east, self.west) / self.area


def test_enough_stars_are_no_matter() -> None:
    """400 mm: planned among the catalogue's real stars, nothing to be said."""
    request = request_at(400.0)
    solver = offline_solver(config(400.0))
    plans, said = offline_plans(request, None, solver, assumed=False)

    assert said == ()
    assert all(point.stars is not None and point.stars > 11.0 for point in plans[0].points)


def test_a_sky_too_poor_is_refused_with_numbers_and_ways_out() -> None:
    """4 m: under two stars of the bundled catalogue a frame anywhere, six needed; exit code 5."""
    request = request_at(4000.0)
    solver = offline_solver(config(4000.0))
    with pytest.raises(FieldTooNarrow) as caught:
        offline_plans(request, None, solver, assumed=False)
    plans, said = offline_plans(request, None, solver, assumed=True)

    error = caught.value
    assert 0.5 < error.expected < 3.0
    assert error.needed == 6.0
    assert error.field_deg == pytest.approx((0.2154, 0.1616), abs=1e-3)
    assert error.exit_code is ExitCode.SOLVE
    assert all(word in str(error) for word in ("0.22 x 0.16 deg", "gaia", "6"))
    assert all(word in error.advice for word in ("polewright catalogue build", "command", "focal"))
    assert plans
    assert "catalogue build" in said[0]


def test_a_sweep_is_planned_where_stars_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of the sky has 3 stars a frame, half 20: every point is in the rich half."""
    request = request_at(1000.0)
    solver = Counting(request, east=20.0, west=3.0)
    counted = with_stars(request, solver)
    check_field(counted, solver)
    plans = plans_for(counted, solver)

    assert {point.stars for plan in plans for point in plan.points} == {20.0}
    assert doubts(counted, plans) == ()


def test_few_stars_are_doubts_and_none_anywhere_a_refusal() -> None:
    request = request_at(1000.0)
    few, none = Counting(request, 8.0, 2.0), Counting(request, 5.0, 5.0)
    plans = plans_for(with_stars(request, few), few)

    assert [point.stars for point in plans[0].points] == [8.0, 8.0, 8.0]
    (said,) = doubts(with_stars(request, few), plans)
    assert "about 8 catalogue stars" in said
    with pytest.raises(FieldTooNarrow, match=r"about 5\.0 stars"):
        plans_for(with_stars(request, none), none)


def test_a_wish_into_the_poor_half_is_told_as_such() -> None:
    """Nothing but stars speaks against it; a wish below the horizon stays a refused plan."""
    request = request_at(1000.0)
    plan = plans_for(request, None)[0]
    wish = SweepWish(plan.points[0].hour_angle, plan.declination, plan.step, 3, plan.direction)
    poor = Counting(request, 4.0, 4.0)
    counted = with_stars(request, poor)

    with pytest.raises(FieldTooNarrow, match="of the sweep asked for"):
        judged(counted, wish, poor)
    with pytest.raises(PlanRefused):
        judged(counted, dataclasses.replace(wish, declination=-1.4), poor)
    assert judged(request, wish, None).declination == plan.declination


def test_advice_here_counts_around_the_place() -> None:
    request = request_at(1000.0)
    solver = Counting(request, 20.0, 3.0)
    east, west = np.array([0.0, 1.0, 0.0]), np.array([0.0, -1.0, 0.0])

    assert advice_here(request.noise, solver, east) == ()
    assert "about 3 catalogue stars" in advice_here(request.noise, solver, west)[0]
    assert advice_here(request.noise, object(), west) == ()


def test_plan_tells_it_beside_the_plan(tmp_path: Any) -> None:
    """Without a camera the frame is assumed: a note, not a refusal."""
    path = tmp_path / "rig.toml"
    path.write_text(TEXT + "[optics]\nfocal_length_mm = 4000\npixel_um = 3.76\n")
    answer = CliRunner().invoke(
        build_app(), ["plan", "-c", str(path), "--at", "2026-11-20T21:30", "--json"]
    )
    document: Mapping[str, Any] = json.loads(answer.stdout)

    assert answer.exit_code == 0
    assert any("catalogue build" in note for note in document["notes"])
