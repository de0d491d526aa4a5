"""A clock that is set during a run, somebody else who moves the mount, and a flip that is named."""

from __future__ import annotations

import numpy as np
import pytest

from polewright.calculation.planning.limits import MountLimits, Rules
from polewright.calculation.planning.request import Pointing
from polewright.calculation.planning.slew_paths import Timing
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.devices.alpaca.mount_state import MountState
from polewright.devices.alpaca.slew_and_stop import SlewResult
from polewright.foundation.angles import DEG, SIDEREAL_RATE
from polewright.observing.rig.guard_interface import Arrival, Look, Move
from polewright.observing.safety.guard_errors import (
    BeyondAltitudeLimit,
    ClockWasSet,
    FlipsOver,
    MovedBySomebodyElse,
)
from polewright.observing.safety.guard_interference import ClockGuard, MasterGuard
from polewright.observing.safety.guard_limits import AllowedSkyGuard

SITE = Site(44.62, 9.31, 420.0)
NIGHT_UTC_S = 1795210200.0


class Clock:
    """Two timers that somebody moves."""

    def __init__(self) -> None:
        self.utc, self.timer = NIGHT_UTC_S, 10.0

    def utc_s(self) -> float:
        return self.utc

    def monotonic_s(self) -> float:
        return self.timer

    def sleep(self, seconds: float, _cancel=None) -> None:
        self.utc, self.timer = self.utc + seconds, self.timer + seconds


def look(
    hour_angle_deg: float, dec_deg: float, after_s: float = 0.0, *, slewing: bool = False,
    move: Move | None = None,
) -> Look:  # fmt: skip
    sky = ObservedFrame.at(SITE, Atmosphere.none(), NIGHT_UTC_S + after_s)
    state = MountState(sky.utc_s, 3.0, dec_deg, slewing, True)
    return Look(state, Pointing(hour_angle_deg * DEG, dec_deg * DEG), sky, move, 0.0)


def move(start: tuple[float, float], goal: tuple[float, float], *, first: bool = False) -> Move:
    sky = ObservedFrame.at(SITE, Atmosphere.none(), NIGHT_UTC_S)
    begin, end = (Pointing(h * DEG, d * DEG) for h, d in (start, goal))
    return Move(2, begin, end, first, sky, 3.0, goal[1])


# -- the clock ---------------------------------------------------------------------------------


class HeldUp(Clock):
    """A clock on a computer that once does something else between two looks at its timers."""

    held_up_s = 0.0

    def utc_s(self) -> float:
        told_s = super().utc_s()
        self.sleep(self.held_up_s)
        self.held_up_s = 0.0
        return told_s


def test_a_computer_that_is_held_up_between_two_looks_has_not_set_its_clock() -> None:
    clock = HeldUp()
    guard = ClockGuard(clock)
    guard.begin()
    clock.held_up_s = 20.0
    guard.tracking(look(-30.0, 20.0))
    guard.tracking(look(-30.0, 20.0))

    clock.utc += 20.0
    with pytest.raises(ClockWasSet, match=r"set forward by 20\.0 s"):
        guard.tracking(look(-30.0, 20.0))


@pytest.mark.parametrize(("jump_s", "how"), [(3600.0, "forward"), (-40.0, "back")])
def test_a_clock_that_is_set_is_named(jump_s: float, how: str) -> None:
    clock = Clock()
    guard = ClockGuard(clock)
    guard.begin()
    clock.sleep(30.0)
    guard.tracking(look(-30.0, 20.0))
    clock.utc += jump_s

    with pytest.raises(ClockWasSet, match=f"clock was set {how} by {abs(jump_s):.1f} s"):
        guard.tracking(look(-30.0, 20.0))
    guard.tracking(look(-30.0, 20.0))  # told once


def test_a_clock_that_is_steered_is_not() -> None:
    """A time server makes it go 500 parts in a million faster for hours."""
    clock = Clock()
    guard = ClockGuard(clock)
    guard.begin()
    for _ in range(2000):
        clock.sleep(5.0)
        clock.utc += 5.0 * 500e-6
        guard.tracking(look(-30.0, 20.0))


# -- one master --------------------------------------------------------------------------------


def test_a_mount_that_tracks_or_stands_is_left_alone() -> None:
    """For an hour, at a lunar rate, with guiding; and standing while the sky turns."""
    rng = np.random.default_rng(3)
    for rate in (SIDEREAL_RATE, 0.966 * SIDEREAL_RATE, 0.0):
        guard = MasterGuard()
        guard.begin()
        for second in np.arange(0.0, 3600.0, 20.0):
            ha, dec = -30.0 + second * rate / DEG, 20.0
            jitter = rng.normal(size=2) * 0.005
            guard.tracking(look(ha + jitter[0], dec + jitter[1], float(second)))


@pytest.mark.parametrize(
    ("ha", "dec", "slewing"), [(-31.0, 20.0, False), (-30.0, 21.0, False), (-30.2, 20.0, True)]
)
def test_somebody_else_who_moves_the_mount_is_named(ha: float, dec: float, slewing: bool) -> None:
    guard = MasterGuard()
    guard.begin()
    guard.tracking(look(-30.0, 20.0))

    with pytest.raises(MovedBySomebodyElse, match="someone else moved or synchronised the mount"):
        guard.tracking(look(ha, dec, 0.1, slewing=slewing))


def test_its_own_slews_and_those_before_a_run_are_nobody_elses() -> None:
    guard = MasterGuard()
    for ha in (0.0, 30.0, -20.0):
        guard.tracking(look(ha, 20.0))  # a check, while the user slews about
    guard.begin()
    guard.tracking(look(-20.0, 20.0))
    there = move((-20.0, 20.0), (-40.0, 20.0))
    guard.before_slew(there)
    guard.arrived(Arrival(there, SlewResult(1.0, True, 0.0, look(-40.0, 20.0).state)))
    guard.tracking(look(-40.0, 20.0))


# -- a flip ------------------------------------------------------------------------------------


def test_a_flip_that_leaves_what_is_allowed_is_named() -> None:
    """Not only that some declination is outside some limits."""
    limits = MountLimits(declination_min_deg=-85.0, declination_max_deg=85.0)
    guard = AllowedSkyGuard(Rules(SITE, mount=limits), Timing(), lambda _text: None)
    turn = move((-30.0, 40.0), (-50.0, 40.0))
    guard.before_slew(turn)
    guard.during(look(-32.0, 70.0, move=turn))

    with pytest.raises(FlipsOver) as caught:
        guard.during(look(-32.0, 86.0, move=turn))

    text = str(caught.value)
    assert "flipping to the other side of the pier: it reports declination +86.0" in text
    assert "ends at +40.0" in text


def test_a_turn_that_leaves_what_is_allowed_is_no_flip() -> None:
    guard = AllowedSkyGuard(Rules(SITE), Timing(), lambda _text: None)
    turn = move((-30.0, 0.0), (-50.0, 0.0))
    guard.before_slew(turn)
    with pytest.raises(BeyondAltitudeLimit):
        guard.during(look(-89.0, 0.0, move=turn))
