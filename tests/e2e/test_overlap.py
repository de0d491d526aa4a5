"""The mount slews on while the point before is solved: what goes wrong then still ends well."""

from __future__ import annotations

import threading
from itertools import groupby
from typing import Any

import pytest

from polewright.devices.alpaca.errors import ConnectionDropped
from polewright.devices.alpaca.one_exposure import WaitingImage
from polewright.foundation.angles import DEG
from polewright.foundation.errors import Cancelled
from polewright.observing.plan.plan_from_config import planned_points
from polewright.observing.runs.frame_check import check
from polewright.observing.runs.measurement import measure_axis, ready_mount
from polewright.observing.safety.guard_errors import WentElsewhere
from polewright.records.events import MotionStopped, PointSolved, Progress
from polewright_sim.sky.disturbance import Disturbance

pytestmark = pytest.mark.e2e

QUICK = {"sweep.settle_s": 0.0, "sweep.exposure_s": 1.0}
#: Quick to the first point; `slows_down` then makes it slow enough for a solve to end well within
#: a slew of 20 degrees.
FIRST_QUICK = {"mount": {"slew_deg_per_s": 30.0, "acceleration_deg_per_s2": 20.0}}
SLOW_DEG_S = 0.8


def connected(night):
    """A rig that has solved a frame already: before, the mount stands until the stars have told."""
    rig = night.connect(QUICK)
    ready_mount(rig)
    assert check(rig, 1.0).solved
    night.solves_in(rig, 1.0)
    night.events.clear()
    return rig


def slews(night) -> list[int]:
    """The points that the mount was sent to, in order."""
    told = [event.point for event in night.of_kind(Progress) if event.step == "slew"]
    return [number for number, _run in groupby(told)]


def slows_down(night, rig) -> None:
    """Let the mount slew slowly once it stands at the first point."""
    listen, mount = rig.emit, night.rig.mount

    def hear(event) -> None:
        listen(event)
        if isinstance(event, Progress) and event.step == "exposure":
            mount.spec = mount.spec.model_copy(update={"slew_deg_per_s": SLOW_DEG_S})

    rig.emit = hear


def stands(night) -> None:
    """The mount was told to stop, confirmed it, and stands in truth."""
    assert [event.state for event in night.of_kind(MotionStopped)] == ["stopped"]
    assert not night.rig.mount.still_moving(night.clock.utc_s())
    assert not night.rig.mount.tracking


def under_way(night, number: int) -> bool:
    """Whether the mount was stopped on its way to a point: it had begun and not arrived."""
    at = night.truth["mount"]["hour_angle_deg"]
    steps = [event for event in night.of_kind(Progress) if event.point == number]
    return {event.step for event in steps} == {"slew"} and -90.0 < at < 0.0


def test_points_are_solved_while_the_mount_slews_on(start_night) -> None:
    """All but the last are solved within the next slew; events keep their order and their thread,
    and what was saved is told."""
    night = start_night(FIRST_QUICK)
    rig = connected(night)
    slows_down(night, rig)
    threads: set[str] = set()
    listen = rig.emit

    def hear(event) -> None:
        threads.add(threading.current_thread().name)
        listen(event)

    rig.emit = hear
    result = measure_axis(rig, planned_points(rig))

    assert result.axis.total_arcmin == pytest.approx(night.truth["axis"]["total_arcmin"], abs=0.3)
    assert threads == {threading.current_thread().name}
    assert slews(night) == [1, 2, 3]
    assert [event.point for event in night.of_kind(PointSolved)] == [1, 2, 3]
    for number in (1, 2):
        at = night.events.index(night.of_kind(PointSolved)[number - 1])
        before = [event for event in night.events[:at] if isinstance(event, Progress)]
        after = [event for event in night.events[at:] if isinstance(event, Progress)]
        for event in (before[-1], after[0]):
            assert (event.step, event.point) == ("slew", number + 1)
    times = result.time
    assert times is not None
    assert times.overlap_saved_s > 0.1
    parts = (times.slew_s, times.settle_s, times.expose_s, times.download_s, times.solve_s)
    assert sum(parts) + times.other_s == pytest.approx(times.total_s)
    assert times.total_s <= (night.clock.utc_s() - night.events[0].utc_s) + 1e-3
    assert times.slew_s > 2.0 * 20.0 / SLOW_DEG_S


def test_a_stop_during_slew_and_solve_stops_the_mount_and_the_solve(
    start_night, monkeypatch
) -> None:
    """Cancelled while the next slew runs and the solve goes on: both end, at once."""
    night = start_night(FIRST_QUICK)
    rig = connected(night)
    slows_down(night, rig)
    points = planned_points(rig)
    entered, left = threading.Event(), threading.Event()

    def solve_for_ever(_stars, _hint, *, cancel, **_more):
        entered.set()
        try:
            while True:
                cancel.check()
                night.clock.sleep(0.01)
        finally:
            left.set()

    monkeypatch.setattr(rig.plates.solver, "solve", solve_for_ever)
    listen = rig.emit

    def hear(event) -> None:
        listen(event)
        slews_on = isinstance(event, Progress) and (event.step, event.point) == ("slew", 2)
        if slews_on and event.done_s > 2.0 and entered.is_set():
            night.cancel.cancel("stopped by the test")

    rig.emit = hear

    with pytest.raises(Cancelled):
        measure_axis(rig, points)

    stands(night)
    assert under_way(night, 2)
    night.until(left.is_set, within_s=2.0)
    assert not night.of_kind(PointSolved)


def test_a_point_that_fails_during_the_next_slew_is_gone_back_to(start_night) -> None:
    """The slew ends, the mount goes back and exposes longer, and the sweep goes on from there."""
    night = start_night()
    rig = connected(night)
    points = planned_points(rig)
    cloudy = iter([False, True])
    night.rig.disturbance_at = lambda *_: Disturbance(transmission=float(not next(cloudy, False)))

    result = measure_axis(rig, points)

    assert result.axis.total_arcmin == pytest.approx(night.truth["axis"]["total_arcmin"], abs=0.3)
    assert slews(night) == [1, 2, 3, 2, 3]
    assert [point.exposure_s for point in result.points] == pytest.approx([1.0, 2.0, 2.0])
    assert [point.hour_angle_deg for point in result.points] == pytest.approx(
        [point.hour_angle / DEG for point in points]
    )
    assert "Exposing 2 s from now on, since that solved." in result.notes


def test_a_wrong_place_found_during_the_next_slew_stops_it(start_night) -> None:
    """The stars of point 2 say that the clutch slipped: the slew to point 3 ends half-way."""
    night = start_night(FIRST_QUICK)
    rig = connected(night)
    slows_down(night, rig)
    points = planned_points(rig)
    listen = rig.emit
    slipped: list[Any] = []

    def hear(event) -> None:
        listen(event)
        if isinstance(event, Progress) and (event.step, event.point) == ("exposure", 2):
            if not slipped:
                night.rig.disturb_mount(slip_right_ascension_arcmin=120.0)
            slipped.append(1)

    rig.emit = hear

    with pytest.raises(WentElsewhere) as caught:
        measure_axis(rig, points)

    assert "from point 1 to 2" in str(caught.value)
    stands(night)
    assert under_way(night, 3)


def test_an_image_that_does_not_come_is_taken_again(start_night, monkeypatch) -> None:
    """The link breaks while the image is fetched and the mount slews: it goes back for another."""
    night = start_night()
    rig = connected(night)
    points = planned_points(rig)
    fetch, calls = WaitingImage.fetch, []

    def breaks_once(self):
        calls.append(threading.current_thread().name)
        if len(calls) == 1:
            night.clock.sleep(3.0)  # the mount has answered meanwhile, and slews
            raise ConnectionDropped(rig.camera.where, "imagearray", "made up")
        return fetch(self)

    monkeypatch.setattr(WaitingImage, "fetch", breaks_once)

    result = measure_axis(rig, points)

    assert calls[0] == "point-1"
    assert slews(night) == [1, 2, 1, 2, 3]
    assert result.axis.total_arcmin == pytest.approx(night.truth["axis"]["total_arcmin"], abs=0.3)
    assert any("exposing again" in note for note in result.notes)


def test_nothing_moves_on_the_mounts_word_before_a_frame_was_solved(start_night) -> None:
    """The first frame of a run is solved with the mount standing, the second while it slews."""
    night = start_night(FIRST_QUICK)
    rig = night.connect(QUICK)
    slows_down(night, rig)

    measure_axis(rig, planned_points(rig))

    steps = [e for e in night.events if isinstance(e, (Progress, PointSolved))]
    first, second = (steps.index(point) for point in night.of_kind(PointSolved)[:2])
    assert "slew" not in {e.step for e in steps[:first] if isinstance(e, Progress) and e.point == 2}
    assert "slew" in {e.step for e in steps[:second] if isinstance(e, Progress) and e.point == 3}
