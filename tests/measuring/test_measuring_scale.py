"""The focal length that was told is a hint: the stars are believed, and it is said once."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import Any, cast
from unittest.mock import MagicMock

import bench_frames
import numpy as np
import pytest

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.planning.request import Pointing
from polewright.foundation.angles import DEG
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.config import Config
from polewright.observing.rig.plate_solver import (
    FirstSolutionFalse,
    FocalClaim,
    PlateSolver,
    ScaleContradicts,
)
from polewright.observing.rig.settle_memory import SettleMemory
from polewright.observing.rig.tonight_tolerance import Known, tonights_tolerance
from polewright.observing.runs import drift_run
from polewright.observing.sweep import sweep as sweeping
from polewright.observing.sweep.solve_point import tell_focal_length
from polewright.solving.errors import NoMatch
from polewright.solving.registry import load_solver

FOCAL_MM = 200.0


@pytest.fixture(scope="module")
def shot() -> Any:
    """A frame at 200 mm, and its stars."""
    studio = bench_frames.Studio(2, focal_mm=FOCAL_MM, seed=9)
    taken = studio.shoot(studio.anywhere())
    return studio, taken, detect_stars(taken.frame)


def plates_for(studio: Any, told_mm: float, *, by_driver: bool = True, **how: Any) -> PlateSolver:
    claim = FocalClaim(told_mm, studio.sensor.pixel_um, by_driver)
    about: dict[str, Any] = {"hint_radius": 3.0 * DEG, "blind": False, "timeout_s": 60.0}
    return PlateSolver(
        load_solver("embedded", {"catalogue": "none"}),
        studio.site,
        studio.air,
        nominal_scale=claim.scale,
        claim=claim,
        **{**about, **how},
    )


@pytest.mark.parametrize(
    ("told_mm", "by_driver", "says"),
    [
        (100.0, True, "not 100 mm as the mount's driver says"),
        (400.0, False, "not 400 mm as [optics] focal_length_mm says"),
        (216.0, True, "not 216 mm as the mount's driver says"),
        (201.0, True, ""),
    ],
)
def test_a_focal_length_told_wrongly_gives_way_to_the_stars(
    shot: Any, told_mm: float, by_driver: bool, says: str
) -> None:
    """Half, twice and 8 % more: solved at once, said once with both figures, and kept."""
    studio, taken, stars = shot
    plates = plates_for(studio, told_mm, by_driver=by_driver)
    was_doubtful = plates.driver_alone_tells
    plate = plates.solve(stars, taken.frame, taken.hint.centre_icrs, CancelToken())

    assert was_doubtful is by_driver
    assert not plates.driver_alone_tells
    assert plate.solution.scale == pytest.approx(studio.scale, rel=2e-3)
    assert plates.scale == plate.solution.scale
    assert plates.hint(plate.sky, None).scale_tolerance <= 0.01
    assert says in plates.claim_corrected
    assert (
        ("focal length of 200 mm" in plates.claim_corrected)
        == bool(plates.claim_corrected)
        == bool(says)
    )
    again = plates.solve(stars, taken.frame, taken.hint.centre_icrs, CancelToken())
    assert again.solution.matched == plate.solution.matched


def test_a_wrong_direction_and_a_wrong_focal_length_are_got_over_together(shot: Any) -> None:
    """The mount says the other side of the sky and its driver twice the focal length."""
    studio, taken, stars = shot
    centre = -taken.hint.centre_icrs
    plates = plates_for(studio, 400.0, blind=True)
    plate = plates.solve(stars, taken.frame, centre, CancelToken())

    assert plate.solution.scale == pytest.approx(studio.scale, rel=2e-3)
    assert plate.mount_offset > 100.0 * DEG


def test_two_frames_of_a_run_cannot_have_two_scales(shot: Any) -> None:
    """What the stars told once is held against any later solution."""
    studio, taken, stars = shot
    plates = plates_for(studio, 200.0)
    plate = plates.solve(stars, taken.frame, taken.hint.centre_icrs, CancelToken())

    class Lying:
        name, needs_image = "lying", False

        def solve(self, *_: Any, **__: Any) -> Any:
            return dataclasses.replace(plate.solution, scale=1.5 * plate.solution.scale)

    plates.solver = Lying()
    with pytest.raises(ScaleContradicts, match="the frames before had") as caught:
        plates.solve(stars, taken.frame, taken.hint.centre_icrs, CancelToken())

    assert "new run" in caught.value.advice
    assert np.isclose(caught.value.found_arcsec, 1.5 * caught.value.expected_arcsec)


class Answers:
    """A solver that gives these answers in turn, and remembers what it was asked."""

    name, needs_image = "answers", False

    def __init__(self, *answers: Any) -> None:
        self.answers = list(answers)
        self.asked: list[Any] = []

    def solve(self, _stars: Any, hint: Any, **_: Any) -> Any:
        self.asked.append(hint)
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer


def test_two_frames_that_agree_overrule_a_false_first_solution(shot: Any) -> None:
    """A false first match has told scale, parity and place: the next frames match nothing by
    those, and are asked as if they were the first."""
    studio, taken, stars = shot
    plates = plates_for(studio, 200.0)
    centre = taken.hint.centre_icrs
    true = plates.solve(stars, taken.frame, centre, CancelToken()).solution
    nothing = NoMatch("near here", (5.0, 5.0), 50, "")
    false = dataclasses.replace(true, scale=0.8 * true.scale, parity=-true.parity)
    solver = Answers(false, nothing, true, nothing, true, true)
    plates = plates_for(studio, 200.0)
    plates.solver = cast("Any", solver)

    def solve() -> Any:
        return plates.solve(stars, taken.frame, centre, CancelToken())

    assert solve().solution is false
    with pytest.raises(ScaleContradicts) as first:
        solve()
    assert not isinstance(first.value, FirstSolutionFalse)
    with pytest.raises(FirstSolutionFalse, match="two frames since agree on"):
        solve()

    assert plates.scale == true.scale
    assert plates.parity == true.parity
    assert solve().solution is true
    assert not plates.claim_corrected
    first_frame, *_, as_first, last = solver.asked
    assert (as_first.scale, as_first.parity) == (first_frame.scale, None)
    assert as_first.scale_tolerance == first_frame.scale_tolerance
    assert (last.scale, last.parity) == (true.scale, true.parity)


def test_frames_that_follow_overrule_a_false_first_solution_too(shot: Any) -> None:
    """A drift check solves one frame and follows it: it must not hang on that one's scale."""
    studio, taken, stars = shot
    centre = taken.hint.centre_icrs
    true = plates_for(studio, 200.0).solve(stars, taken.frame, centre, CancelToken()).solution
    nothing = NoMatch("near here", (5.0, 5.0), 50, "")
    false = dataclasses.replace(true, scale=0.8 * true.scale, parity=-true.parity)
    solver = Answers(false, nothing, true, nothing, true, true)
    plates = plates_for(studio, 200.0, blind=True)
    plates.solver = cast("Any", solver)

    def follow() -> Any:
        return plates.follow(stars, taken.frame, centre, CancelToken(), tracking=True)

    plates.solve(stars, taken.frame, centre, CancelToken())
    with pytest.raises(ScaleContradicts):
        follow()
    with pytest.raises(FirstSolutionFalse, match="two frames since agree on"):
        follow()

    assert follow().solution is true
    assert all(hint.centre_icrs is not None for hint in solver.asked)  # never the whole sky


def test_a_drift_check_drops_a_false_first_frame(monkeypatch: pytest.MonkeyPatch) -> None:
    """The field goes on from the frames that agree, and says so."""
    told: list[str] = []
    kept: list[str] = []
    answers = [ScaleContradicts(9.0, 7.0), FirstSolutionFalse(9.0, 7.0), "one", "two", "three"]

    def follow(*_: Any, **__: Any) -> Any:
        answer = answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return SimpleNamespace(attitude=answer)

    class Check:
        n_fields, decision, is_done = 1, None, True
        field_is_done = property(lambda _: len(kept) == 3)

        def begin_field(self) -> None:
            pass

        def drop_frames(self) -> None:
            kept.clear()

        def add(self, attitude: Any) -> None:
            kept.append(attitude)

    place = SimpleNamespace(name="east", azimuth=1.0, altitude=1.0, hour_angle=0.2, declination=0.0)
    for name in ("shared_errors_of", "tube_sag", "focal_length_mm", "tell_tube_sag", "ready_mount"):
        monkeypatch.setattr(drift_run, name, lambda *_: None)
    for name in ("go_to", "settle", "tell_focal_length", "take_frame", "watched"):
        monkeypatch.setattr(drift_run, name, lambda *_, **__: MagicMock())
    monkeypatch.setattr(drift_run, "plan_request", lambda *_: SimpleNamespace(pointing=True))
    monkeypatch.setattr(drift_run, "choose_fields", lambda *_, **__: [place])
    monkeypatch.setattr(drift_run, "DriftCheck", lambda *_: Check())
    monkeypatch.setattr(drift_run, "_step_back", lambda *_: None)
    monkeypatch.setattr(drift_run, "look_at", lambda *_: (None, None))
    first = SimpleNamespace(plate=SimpleNamespace(attitude="false"))
    monkeypatch.setattr(drift_run, "solve_here", lambda *_: first)
    monkeypatch.setattr(drift_run, "_describe", lambda *_: None)
    rig: Any = MagicMock()
    rig.clock.utc_s.return_value = 0.0
    rig.note = lambda text, **_: told.append(text)
    rig.plates.follow = follow

    drift_run.run_drift(rig, None, drift_run.DriftSettings(two_fields=False))

    assert kept == ["one", "two", "three"]
    assert any("it had 7.000 arcsec per pixel" in text for text in told)


def test_a_scale_that_two_frames_told_stays(shot: Any) -> None:
    """Once another frame has agreed, no number of contradictions changes it."""
    studio, taken, stars = shot
    plates = plates_for(studio, 200.0)
    centre = taken.hint.centre_icrs
    true = plates.solve(stars, taken.frame, centre, CancelToken()).solution
    plates.solve(stars, taken.frame, centre, CancelToken())
    false = dataclasses.replace(true, scale=0.8 * true.scale)
    solver = Answers(false, false, false, NoMatch("near here", (5.0, 5.0), 50, ""))
    plates.solver = cast("Any", solver)
    for _ in range(3):
        with pytest.raises(ScaleContradicts) as caught:
            plates.solve(stars, taken.frame, centre, CancelToken())
        assert not isinstance(caught.value, FirstSolutionFalse)
    with pytest.raises(NoMatch):
        plates.solve(stars, taken.frame, centre, CancelToken())

    assert plates.scale == pytest.approx(true.scale)
    assert len(solver.asked) == 4


def test_a_sweep_begins_again_when_its_first_point_was_false(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Points that the false scale solved are not kept; what happened is part of the story."""
    points = [Pointing(0.2, 1.4), Pointing(0.5, 1.4), Pointing(0.8, 1.4)]
    told: list[str] = []
    began: list[str] = []
    rig: Any = SimpleNamespace(
        config=Config(),
        emit=lambda event: told.append(event.text),
        note=lambda *_, **__: None,
        clock=SystemClock(),
        plates=SimpleNamespace(claim_corrected=""),
        known=None,
        guards=SimpleNamespace(begin=lambda: began.append("guards")),
        cancel=CancelToken(),
        settle_memory=SettleMemory(),
    )

    def visit(_run: object, asked: Any) -> list[Any]:
        began.append("sweep")
        assert list(asked) == points
        if len(began) == 1:
            raise FirstSolutionFalse(9.0, 7.0)
        return ["first", "second", "third"]

    monkeypatch.setattr(sweeping._Sweep, "_visit_all", visit)
    swept = sweeping.sweep(rig, points)

    assert tuple(map(str, swept.points)) == ("first", "second", "third")
    assert began == ["sweep", "guards", "sweep"]
    assert list(swept.story) == told
    assert "it had 7.000 arcsec per pixel, and two frames since agree on 9.000" in told[0]


@pytest.mark.parametrize("tonights_mm", [None, 300.0])
def test_tonights_tolerance_follows_the_focal_length_that_the_stars_tell(
    shot: Any, tonights_mm: float | None
) -> None:
    """The driver says twice the focal length: at half of it the axis may be off by more. Not so
    where the exposures of the night are another telescope's."""
    studio, taken, stars = shot
    tonight = {"exposure_s": 300.0, "pixel_um": 3.76, "focal_length_mm": tonights_mm}
    told: list[str] = []

    def rig_told(focal_mm: float) -> Any:
        plates = plates_for(studio, focal_mm)
        known = Known(focal_mm, studio.sensor.pixel_um)
        config = Config.model_validate(
            {"pole": {"tolerance_from_tonight": True}, "tonight": tonight}
        )
        arcmin, _told, _warned = tonights_tolerance(config, known, studio.site, studio.air)
        rig: Any = SimpleNamespace(
            plates=plates, known=known, config=config, tolerance_arcmin=arcmin,
            site=studio.site, atmosphere=studio.air,
            note=lambda text, **_: told.append(text),
        )  # fmt: skip
        plates.solve(stars, taken.frame, taken.hint.centre_icrs, CancelToken())
        tell_focal_length(rig)
        tell_focal_length(rig)
        return rig.tolerance_arcmin

    true = rig_told(200.0)
    assert not told
    by_driver = rig_told(400.0)

    assert by_driver == pytest.approx(true, rel=0.02)
    assert ("Tonight's tolerance is" in " ".join(told)) == (tonights_mm is None)
    assert len([text for text in told if text.startswith("Tonight's")]) == (tonights_mm is None)
