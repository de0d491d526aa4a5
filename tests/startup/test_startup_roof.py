"""Roof and shutter at an observatory's start, with a dome of the test's own (answers made up)."""

from __future__ import annotations

import types
from typing import Any, cast

import pytest

from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.devices.alpaca.dome import ShutterState
from polewright.devices.alpaca.mount_state import MountState
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.config import config_from_text
from polewright.observing.runs.startup_errors import SunBeforeCover
from polewright.observing.runs.startup_site import check_sun, look_at_roof, ready_roof
from polewright.observing.safety.guard_errors import RoofNotOpen
from polewright.observing.safety.guards import Guards

SITE = Site(44.62, 9.31, 420.0)
NIGHT_UTC_S = 1795210200.0
#: 2026-11-20 11:20 UTC: the Sun near the meridian at this site, some 25 degrees high.
NOON_UTC_S = 1795173600.0


class Roof:
    def __init__(self, *states: ShutterState | None) -> None:
        self.states = list(states)
        self.opened = 0

    def shutter_status(self) -> ShutterState | None:
        return self.states.pop(0) if len(self.states) > 1 else self.states[0]

    def open_shutter(self, **_how: object) -> None:
        self.opened += 1
        self.states = [ShutterState.OPEN]


def rig_at(utc_s: float, altitude_deg: float, azimuth_deg: float, **startup: object):
    """Only what these looks need."""
    clock = SystemClock(50.0, utc_s)
    state = MountState(
        utc_s=utc_s,
        right_ascension_hours=0.0,
        declination_deg=0.0,
        slewing=False,
        tracking=False,
        altitude_deg=altitude_deg,
        azimuth_deg=azimuth_deg,
        side_of_pier=None,
        at_park=True,
        sidereal_time_hours=None,
    )
    return types.SimpleNamespace(
        config=config_from_text(
            "", overrides={f"startup.{key}": value for key, value in startup.items()}
        ),
        clock=clock,
        cancel=CancelToken(),
        guards=types.SimpleNamespace(while_waiting=lambda: None),
        sky_now=lambda: ObservedFrame.at(SITE, Atmosphere.none(), utc_s),
        telescope=types.SimpleNamespace(state=lambda: state),
    )


def opened(rig: Any, roof: Any) -> str:
    return ready_roof(rig, roof)


def test_an_open_roof_is_left_alone() -> None:
    """Open, or just opening: nothing is sent."""
    roof = Roof(ShutterState.OPENING, ShutterState.OPENING, ShutterState.OPEN)
    assert opened(rig_at(NIGHT_UTC_S, 45, 0), roof) == "roof or shutter is open"
    assert roof.opened == 0


def test_a_dry_run_refuses_no_roof_that_is_just_opening() -> None:
    """The start itself would wait for it; one that closes is refused by both."""
    rig = rig_at(NIGHT_UTC_S, 45, 0)
    assert "opening" in look_at_roof(rig, cast("Any", Roof(ShutterState.OPENING)))
    with pytest.raises(RoofNotOpen):
        look_at_roof(rig, cast("Any", Roof(ShutterState.CLOSING)))


@pytest.mark.parametrize("state", [ShutterState.CLOSED, ShutterState.ERROR, None])
def test_a_roof_that_is_not_open_is_never_moved_unasked(state) -> None:
    """Closed, in error, or silent: refused."""
    roof = Roof(state)
    with pytest.raises(RoofNotOpen):
        opened(rig_at(NIGHT_UTC_S, 45, 0), roof)
    assert roof.opened == 0


def test_a_closed_roof_is_opened_when_told_and_only_then() -> None:
    """open_roof = true opens a closed one; not one in error."""
    roof, broken = Roof(ShutterState.CLOSED), Roof(ShutterState.ERROR)
    assert opened(rig_at(NIGHT_UTC_S, 45, 0, open_roof=True), roof).endswith("was opened")
    with pytest.raises(RoofNotOpen):
        opened(rig_at(NIGHT_UTC_S, 45, 0, open_roof=True), broken)
    assert (roof.opened, broken.opened) == (1, 0)


def test_nothing_is_opened_towards_the_sun() -> None:
    """By day with the telescope to the south the roof stays closed; to the north it may open."""
    roof = Roof(ShutterState.CLOSED)
    with pytest.raises(SunBeforeCover) as caught:
        opened(rig_at(NOON_UTC_S, 30, 180, open_roof=True), roof)
    assert roof.opened == 0
    assert caught.value.distance_deg is not None
    assert caught.value.distance_deg < 30.0
    check_sun(rig_at(NOON_UTC_S, 45, 0), "before something")


def test_a_roof_that_closes_stops_the_run() -> None:
    """The guards object before a slew, on the way, while tracking and while parking; not before
    the startup has seen the roof open."""
    timer: Any = types.SimpleNamespace(monotonic_s=lambda: timer.now_s, now_s=0.0)
    guards = Guards(cast("Any", types.SimpleNamespace(clock=timer)), [])
    guards.while_parking()
    roof = Roof(ShutterState.OPEN)
    guards.watch_roof(cast("Any", roof))
    guard: Any
    (guard,) = guards.guards
    move = types.SimpleNamespace(doing="slew to point 1")
    guard.before_slew(move)
    roof.states = [ShutterState.CLOSING]

    guard.tracking(types.SimpleNamespace(move=None))  # asked just now
    for look in (
        lambda: guard.before_slew(move),
        lambda: guard.during(types.SimpleNamespace(move=move)),
        lambda: guard.tracking(types.SimpleNamespace(move=None)),
        guards.while_parking,
    ):
        timer.now_s += 3.0
        with pytest.raises(RoofNotOpen, match="closing"):
            look()
