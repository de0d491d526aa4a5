"""The looks of a startup at what is not the sweep: cover, light, roof and Sun."""

from __future__ import annotations

import math
from collections.abc import Callable

from polewright.calculation.planning.limits import SUN_COUNTS_ABOVE_DEG
from polewright.calculation.sky.bodies import sun_enu
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.devices.alpaca.cover_calibrator import CalibratorState, CoverCalibrator, CoverState
from polewright.devices.alpaca.dome import Dome, ShutterState
from polewright.devices.alpaca.mount_state import MountState
from polewright.foundation.angles import DEG, enu_from_azalt, separation
from polewright.foundation.language import joined, say
from polewright.observing.rig.rig import Rig
from polewright.observing.runs.startup_errors import (
    CoverClosed,
    LightIsOn,
    SunBeforeCover,
)
from polewright.observing.safety.guard_errors import RoofNotOpen
from polewright.observing.safety.guard_roof import shutter_words

COVER_TIMEOUT_S = 90.0
ROOF_TIMEOUT_S = 900.0
"""Ample for the slowest roof; what blocks it is told then (own choice)."""


def check_sun(rig: Rig, doing: str, state: MountState | None = None) -> None:
    """See that the telescope, as the mount says, does not point near a Sun that is up.

    Raises:
        SunBeforeCover: it does, or the mount does not tell.
    """
    limits = rig.config.limits
    sky = rig.sky_now()
    sun = sun_enu(sky)
    if _sun_deg(sky) < SUN_COUNTS_ABOVE_DEG:
        return
    now = rig.telescope.state() if state is None else state
    if now.azimuth_deg is None or now.altitude_deg is None:
        raise SunBeforeCover(doing, None, limits.sun_avoid_deg)
    pointing = enu_from_azalt(now.azimuth_deg * DEG, now.altitude_deg * DEG)
    distance_deg = float(separation(sun, pointing)) / DEG
    if distance_deg < limits.sun_avoid_deg:
        raise SunBeforeCover(doing, distance_deg, limits.sun_avoid_deg)


def dark_utc_s(site: Site, utc_s: float) -> float | None:
    """Return from when on the Sun no longer counts at a site (Unix seconds); None: not in a day.

    The Sun moves by a quarter of a degree a minute at most, so minutes are fine enough.

    Args:
        site: where.
        utc_s: now, Unix seconds UTC.
    """
    no_air = Atmosphere(pressure_hpa=0.0)
    for minute in range(24 * 60 + 1):
        at_s = utc_s + 60.0 * minute
        if _sun_deg(ObservedFrame.at(site, no_air, at_s)) < SUN_COUNTS_ABOVE_DEG:
            return at_s
    return None


def _sun_deg(sky: ObservedFrame) -> float:
    return math.asin(float(sun_enu(sky)[2])) / DEG


def look_at_cover(rig: Rig, cover: CoverCalibrator) -> str:
    """Say how cover and light are, and what `ready_cover` would do; nothing is moved or switched.

    Raises:
        CoverClosed: it would not be opened.
    """
    told = []
    if cover.calibrator_state() not in (CalibratorState.NONE, CalibratorState.OFF):
        told.append(say("the light is on and would be switched off"))
    state = cover.cover_state()
    if state in (CoverState.NONE, CoverState.OPEN):
        told.append(
            say("there is no cover") if state is CoverState.NONE else say("the cover is open")
        )
    elif state is CoverState.MOVING:
        told.append(say("the cover is moving; its end would be waited for"))
    elif rig.config.startup.open_cover and state is not CoverState.ERROR:
        told.append(say("the cover is closed and would be opened"))
    else:
        raise CoverClosed(state.name.lower())
    return joined(", ", told)


def look_at_roof(rig: Rig, dome: Dome) -> str:
    """Say how the roof is, and what `ready_roof` would do; nothing is moved.

    Raises:
        RoofNotOpen: it would not be opened.
    """
    state = dome.shutter_status()
    if state is ShutterState.OPEN:
        return say("roof or shutter is open")
    if state is ShutterState.OPENING:
        return say("roof or shutter is opening; its end would be waited for")
    if state is ShutterState.CLOSED and rig.config.startup.open_roof:
        return say("roof or shutter is closed and would be opened")
    raise RoofNotOpen(shutter_words(state))


def ready_cover(rig: Rig, cover: CoverCalibrator) -> str:
    """See that the cover is open and the light off; open it where that is allowed.

    Raises:
        CoverClosed, LightIsOn, SunBeforeCover: as they say.
        DeviceError: the cover does not do as it is told.
    """
    told = []
    light = cover.calibrator_state()
    if light not in (CalibratorState.NONE, CalibratorState.OFF):
        cover.calibrator_off()
        light = cover.calibrator_state()
        if light not in (CalibratorState.NONE, CalibratorState.OFF):
            raise LightIsOn(light.name.lower())
        told.append(say("the light was on and is off now"))
    state = cover.cover_state()
    if state is CoverState.MOVING:
        _wait(rig, lambda: cover.cover_state() is not CoverState.MOVING, COVER_TIMEOUT_S)
        state = cover.cover_state()
    if state not in (CoverState.NONE, CoverState.OPEN):
        if not rig.config.startup.open_cover or state is CoverState.ERROR:
            raise CoverClosed(state.name.lower())
        check_sun(rig, say("before the cover is opened"))
        cover.open_cover(
            timeout_s=COVER_TIMEOUT_S,
            clock=rig.clock,
            cancel=rig.cancel,
            watch=rig.guards.while_waiting,
        )
        told.append(say("the cover was opened"))
    else:
        told.append(
            say("there is no cover") if state is CoverState.NONE else say("the cover is open")
        )
    return joined(", ", told)


def ready_roof(rig: Rig, dome: Dome) -> str:
    """See that roof or shutter is open; open it only where that is allowed.

    Raises:
        RoofNotOpen: it is not, or does not tell.
        DeviceError: it does not open as told.
    """
    state = dome.shutter_status()
    if state is ShutterState.OPENING:
        _wait(rig, lambda: dome.shutter_status() is not ShutterState.OPENING, ROOF_TIMEOUT_S)
        state = dome.shutter_status()
    if state is ShutterState.OPEN:
        return say("roof or shutter is open")
    if state is not ShutterState.CLOSED or not rig.config.startup.open_roof:
        raise RoofNotOpen(shutter_words(state))
    check_sun(rig, say("before the roof is opened"))
    dome.open_shutter(
        timeout_s=ROOF_TIMEOUT_S,
        clock=rig.clock,
        cancel=rig.cancel,
        watch=rig.guards.while_waiting,
    )
    return say("roof or shutter was opened")


def _wait(rig: Rig, done: Callable[[], bool], timeout_s: float) -> None:
    """Wait for that, or until the time is over; the caller looks again."""
    end_s = rig.clock.monotonic_s() + timeout_s
    while not done() and rig.clock.monotonic_s() < end_s:
        rig.guards.while_waiting()
        rig.clock.sleep(0.5, rig.cancel)
