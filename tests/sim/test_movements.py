"""The checks of a whole night fail where they should, and only there."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import pytest
from support.movements import slews
from support.whole_night import crossed_untold, moved_after_stop

from polewright.foundation.angles import DEG
from polewright.records.events import Event, MotionStopped, Note, StepChanged, SweepPlanned
from polewright_sim.rig import SimulatedRig
from polewright_sim.spec import RigSpec

NIGHT_UTC_S = 1795210200.0


@dataclass
class Hand:
    """A clock that is set."""

    now_s: float = NIGHT_UTC_S
    events: list[Event] = field(default_factory=list)

    def utc_s(self) -> float:
        return self.now_s

    def monotonic_s(self) -> float:
        return self.now_s

    def sleep(self, seconds: float, cancel=None) -> None:
        self.now_s += seconds


@pytest.fixture
def night(request):
    """A rig that has unparked, tracks, and went to hour angle 30, declination 20 degrees."""
    clock = Hand()
    site = {"latitude_deg": getattr(request, "param", 44.0), "longitude_deg": 9.0}
    rig = SimulatedRig(RigSpec.model_validate({"site": site}), clock=clock)
    rig.mount.unpark(clock.now_s)
    rig.mount.set_tracking(True, clock.now_s)
    go(rig, clock, 30.0)
    return rig, clock


def go(rig, clock, hour_angle_deg: float, dec_deg: float = 20.0, wait_s: float = 120.0) -> None:
    """Slew, and wait."""
    dec_deg = math.copysign(dec_deg, rig.spec.site.latitude_deg)
    ra, dec = rig.mount.belief.ra_dec(hour_angle_deg * DEG, dec_deg * DEG, clock.now_s)
    rig.mount.slew_ra_dec(ra, dec, clock.now_s)
    clock.sleep(wait_s)


@pytest.mark.parametrize("night", [44.0, -33.0], indirect=True)
def test_a_slew_across_the_meridian_has_to_be_told_before(night) -> None:
    """From home to one side is nothing; to the other side fails, unless it was told right before;
    a session's plan has to have said it, too."""
    rig, clock = night
    go(rig, clock, 50.0)
    assert crossed_untold(rig, []) == []

    at_s = clock.now_s
    go(rig, clock, -40.0)
    assert len(slews(rig.mount, NIGHT_UTC_S, clock.now_s)) == 3
    assert len(crossed_untold(rig, [])) >= 1

    note = Note(utc_s=at_s - 1.0, severity="warning", text="The slew crosses the meridian.")
    late = Note(utc_s=at_s + 60.0, severity="warning", text="The slew crosses the meridian.")
    assert crossed_untold(rig, [note]) == []
    assert len(crossed_untold(rig, [late])) >= 1

    step = StepChanged(utc_s=at_s - 9.0, step="planning", was="adjusting", why="")

    def plan(crosses: bool) -> SweepPlanned:
        return SweepPlanned(
            utc_s=at_s - 2.0, hour_angles_deg=(), declination_deg=20.0, altitudes_deg=(),
            azimuths_deg=(), crosses_meridian=crosses,
        )  # fmt: skip

    assert len(crossed_untold(rig, [step, plan(False), note])) >= 1
    assert crossed_untold(rig, [step, plan(True), note]) == []


def test_what_moves_after_a_stop_was_told_is_found(night) -> None:
    """A mount that stands is fine; one that tracks on, or slews on unasked, is not; what it is
    told afterwards is another matter."""
    rig, clock = night

    def stopped() -> list[Event]:
        return [MotionStopped(utc_s=clock.now_s, state="stopped", reason="test")]

    assert len(moved_after_stop(rig, stopped())) == 1  # it tracks

    rig.mount.set_tracking(False, clock.now_s)
    clock.sleep(1.0)
    events = stopped()
    clock.sleep(30.0)
    assert moved_after_stop(rig, events) == []
    rig.mount.set_tracking(True, clock.now_s)
    clock.sleep(10.0)
    assert moved_after_stop(rig, events) == []

    go(rig, clock, 60.0, wait_s=3.0)  # said to stand in the middle of a slew
    unknown = [MotionStopped(utc_s=clock.now_s, state="unknown", reason="test")]
    assert len(moved_after_stop(rig, stopped())) == 1
    assert moved_after_stop(rig, unknown) == []
