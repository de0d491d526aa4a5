"""The notice board of a session."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from polewright.calculation.adjusting.advice import Advice, PassKind, Verdict
from polewright.calculation.adjusting.axis_at_rest import State
from polewright.calculation.adjusting.engine import Reading
from polewright.calculation.adjusting.glance_follow import Moving
from polewright.calculation.adjusting.instructions import Action
from polewright.calculation.geometry.axis_error import AxisError
from polewright.calculation.sky.pole import PoleTarget
from polewright.foundation.adjuster_profile import Axis
from polewright.foundation.clock import SystemClock
from polewright.foundation.errors import MotionUnknown, PolewrightError
from polewright.observing.rig.mount_site import MountContradicts
from polewright.observing.safety.guard_errors import (
    BeyondAltitudeLimit,
    SafetyUnsafe,
    SlewOverdue,
    TooNearSun,
)
from polewright.records.events import FrameMeasured, MotionStopped, Note, Progress
from polewright.session.session import NoReference
from polewright.session.snapshot_builder import FAILURE_KINDS, KEPT_NOTES, Board
from polewright.session.states import Step
from polewright_sim.simulated_clock import SimulatedClock


def test_the_board_keeps_the_last_notes_only() -> None:
    """A night that complains every second must not grow the snapshot that every page gets."""
    board = Board("night", 1.0, SystemClock())
    for number in range(KEPT_NOTES + 50):
        board.hears(Note(utc_s=0.0, severity="info", text=f"note {number}"))

    kept = board.snapshot().notes
    assert len(kept) == KEPT_NOTES
    assert kept[0] == "note 50"
    assert kept[-1] == f"note {KEPT_NOTES + 49}"


@pytest.mark.parametrize(
    ("stop", "error", "motion"),
    [
        (None, PolewrightError("no mount answers"), "unasked"),
        ("stopped", PolewrightError("clouds"), "still"),
        ("unknown", MotionUnknown("no answer"), "unknown"),
        (None, MotionUnknown("no answer"), "unknown"),
    ],
)
def test_a_failure_says_of_the_mount_only_what_was_seen(stop, error, motion) -> None:
    """A mount that was never asked is not called still, nor one whose stop was not confirmed."""
    board = Board("night", 1.0, SystemClock())
    if stop is not None:
        board.hears(MotionStopped(utc_s=0.0, state=stop, reason="end"))

    board.fails(error)

    assert board.snapshot().motion == motion


@pytest.mark.parametrize(
    ("error", "step", "kind"),
    [
        (MountContradicts(("its longitude",), "East and west."), Step.CHECKING, "refused"),
        (TooNearSun("point 2", "near", "wait", 3.0, 90.0, 5.0), Step.PLANNING, "sun"),
        (SafetyUnsafe("rain", "before the sweep"), Step.CHECKING, "unsafe"),
        (BeyondAltitudeLimit("slewing", "low", "back", 1.0, 0.0, 9.0), Step.SWEEPING, "limit"),
        (NoReference(3, "no stars"), Step.ADJUSTING, "cloud"),
        (SlewOverdue(90.0, 60.0, 4.0), Step.SWEEPING, "failed"),
    ],
)
def test_a_session_that_ended_early_says_what_sort_of_thing_ended_it(error, step, kind) -> None:
    """Page and scripts tell them apart without reading sentences."""
    board = Board("night", 1.0, SystemClock())
    board.goes(step)

    board.fails(error)

    failure = board.snapshot().failure
    assert failure is not None
    assert failure.kind == kind
    assert failure.brief == error.brief


def test_every_kind_of_failure_belongs_to_an_error_there_is() -> None:
    """A code that was renamed must not fall back to "failed" unseen."""

    def codes(error: type[PolewrightError]) -> set[str]:
        return {error.code}.union(*map(codes, error.__subclasses__()))

    assert set(FAILURE_KINDS) <= codes(PolewrightError)


def test_a_point_that_does_not_solve_is_counted_try_by_try() -> None:
    """Page and scripts see that a sweep waits for clouds, and that it goes on."""
    board = Board("night", 1.0, SystemClock())
    board.goes(Step.SWEEPING)
    frame: dict[str, Any] = {
        "utc_s": 0.0, "star_count": 2, "hfd_px": None, "elongation": None,
        "background_adu": 900.0, "exposure_s": 2.0,
    }  # fmt: skip
    seen = []
    for point in (1, 2, 2, 2):
        board.hears(FrameMeasured(point=point, **frame))
        seen.append(board.snapshot().unread)
    assert seen == [0, 0, 1, 2]

    board.goes(Step.ADJUSTING)

    assert board.snapshot().unread == 0


def test_a_warning_of_what_was_to_come_goes_when_the_session_is_stopped() -> None:
    """Nothing is about to move any more, and there is nothing to stop."""
    board = Board("s", 1.0, SystemClock())
    board.goes(Step.SWEEPING)
    board.hears(Note(utc_s=1.0, severity="warning", text="In 10 s the mount moves."))
    board.offers("Ask for the sweep once more.")
    assert board.snapshot().noted is not None

    board.goes(Step.STOPPED)

    assert (board.snapshot().noted, board.snapshot().offer) == (None, "")


def test_a_warning_of_a_slew_goes_once_the_mount_is_there() -> None:
    """At point 2 nobody needs to keep clear of the slew to point 1; other warnings stay."""
    board = Board("s", 1.0, SystemClock())
    board.goes(Step.SWEEPING)
    board.hears(Note(utc_s=1.0, severity="warning", text="Keep clear of it.", passing=True))
    on_the_way = Progress(utc_s=2.0, step="slew", point=1, points=3, done_s=1.0, total_s=9.0)
    there = replace(on_the_way, step="exposure")
    board.hears(on_the_way)
    assert board.snapshot().noted is not None

    board.hears(there)
    assert board.snapshot().noted is None
    board.hears(Note(utc_s=3.0, severity="warning", text="The disk is nearly full."))
    board.hears(there)
    assert board.snapshot().noted is not None


def error_of(arcmin: float) -> AxisError:
    """An axis too low by so much, and known to a tenth of it."""
    low, sigma = math.radians(arcmin / 60.0), math.radians(arcmin / 600.0)
    noise = np.diag([sigma**2, sigma**2])
    return AxisError(-low, 0.0, 0.0, low, noise, PoleTarget.TRUE)


def turn_by(arcmin: float, state: State = State.SETTLED) -> Advice:
    action = Action.RAISE if state is State.SETTLED else Action.WAIT
    return Advice(action, f"{arcmin} up", Axis.ALTITUDE, Action.RAISE, arcmin, zone_arcmin=0.4)


def full_frame(
    arcmin: float, utc_s: float, state: State = State.SETTLED, axis_utc_s: float | None = None
) -> Reading:
    error = error_of(arcmin)
    return Reading(
        utc_s=utc_s,
        state=state,
        axis=np.array([0.0, 0.7, 0.7]),
        covariance=np.eye(3) * 1e-12,
        error=error,
        bound=error.total,
        advice=turn_by(arcmin, state),
        verdict=Verdict.OUTSIDE,
        pass_kind=PassKind.FINAL,
        axis_utc_s=utc_s if axis_utc_s is None else axis_utc_s,
        notices=(),
        moved=0.0,
        unexplained_turn=None,
        slip_would_show=False,
    )


def glance(arcmin: float, utc_s: float) -> Moving:
    error = error_of(arcmin)
    return Moving(
        utc_s=utc_s,
        axis=np.array([0.0, 0.7, 0.7]),
        covariance=np.eye(3) * 1e-12,
        error=error,
        bound=error.total,
        turning=True,
        resting=False,
        advice=turn_by(arcmin, State.MOVING),
        hidden=(),
        odd=False,
    )


@pytest.mark.parametrize(
    ("smeared", "shown"),
    [
        (full_frame(30.0, 12.0, State.MOVING, axis_utc_s=1.0), 20.0),
        (full_frame(18.0, 12.0), 18.0),
        (full_frame(30.0, 9.0), 20.0),
    ],
    ids=["smeared since, its figure is from before", "settled since", "taken before"],
)
def test_the_advice_belongs_to_the_reading_that_is_shown(smeared: Reading, shown: float) -> None:
    """Whoever has turned ten arcminutes by glances is not told to turn them again."""
    board = Board("night", 1.0, SystemClock())
    board.goes(Step.ADJUSTING)
    board.read(full_frame(30.0, 1.0))
    board.glanced(glance(20.0, 10.0))

    board.read(smeared)

    now = board.snapshot()
    assert now.advice is not None
    assert now.error is not None
    assert now.advice.amount_arcmin == shown
    assert (now.moving or now.error).total_arcmin == pytest.approx(shown)


def test_a_reading_ages_although_no_frame_comes() -> None:
    """A camera that hangs tells nothing, and what is shown gets too old to turn by."""
    night = SimulatedClock(1000.0)
    board = Board("night", 1.0, night)
    board.goes(Step.ADJUSTING)
    board.read(full_frame(30.0, 1000.0))
    version = board.snapshot().version

    night.sleep(60.0)

    for now in (board.snapshot(), board.wait_for_change(version, 0.0)):
        assert now.version == version
        assert now.utc_s == pytest.approx(1060.0)
    night.close()


def test_a_frame_without_stars_is_told_whatever_a_glance_showed_before() -> None:
    board = Board("night", 1.0, SystemClock())
    board.goes(Step.ADJUSTING)
    board.read(full_frame(30.0, 1.0))
    board.glanced(glance(20.0, 10.0))

    board.read(full_frame(30.0, 12.0, State.LOST, axis_utc_s=1.0))

    assert (board.snapshot().moving, board.snapshot().unread) == (None, 1)


def test_where_glances_end_nobody_turns_by_what_the_last_one_told() -> None:
    """Nor by the full frame before, of an axis that was turned since."""
    board = Board("night", 1.0, SystemClock())
    board.goes(Step.ADJUSTING)
    board.read(full_frame(30.0, 1.0))
    board.glanced(glance(20.0, 10.0))

    board.glances_ended()

    now = board.snapshot()
    assert now.advice is not None
    assert (now.moving, now.advice.action, now.advice.heading) == (None, "wait", None)
    board.glances_ended()  # told again by each one that was still under way
    board.read(full_frame(19.0, 12.0))
    board.glances_ended()
    now = board.snapshot()
    assert now.advice is not None
    assert now.advice.amount_arcmin == 19.0
