"""The looks of a startup at what is not the sweep: site, clock, cover, light, roof and Sun."""

from __future__ import annotations

import math
from collections.abc import Callable

from polewright.alpaca.cover_calibrator import CalibratorState, CoverCalibrator, CoverState
from polewright.alpaca.dome import Dome, ShutterState
from polewright.alpaca.telescope import MountState
from polewright.angles import DEG, HOUR, enu_from_azalt, fold_pi, separation
from polewright.clock import Clock
from polewright.measuring.guard_looks import Look, Move, Watching
from polewright.measuring.rig import Rig
from polewright.measuring.startup_errors import (
    CoverClosed,
    LightIsOn,
    MountContradicts,
    RoofNotOpen,
    SunBeforeCover,
)
from polewright.sky.bodies import sun_enu

#: A roof is asked this often during a run, s.
ASK_S = 2.0
COVER_TIMEOUT_S = 90.0
SIDEREAL_S_PER_DEG = 240.0


def check_site_and_clock(rig: Rig) -> str:
    """Compare site, clock and sidereal time with the mount's; return what was compared.

    Raises:
        MountContradicts: beyond the tolerances of [startup]; names every contradiction.
    """
    mount, site, limits = rig.telescope, rig.site, rig.config.startup
    wrong: list[str] = []
    seen: list[str] = []
    for name, ours, theirs in (
        ("latitude", site.latitude_deg, mount.site_latitude_deg()),
        ("longitude", site.longitude_deg, mount.site_longitude_deg()),
    ):
        if theirs is None:
            continue
        seen.append(name)
        off_deg = abs(fold_pi((theirs - ours) * DEG)) / DEG
        if off_deg > limits.site_tolerance_deg:
            reversed_sign = " (the sign looks reversed)" if abs(theirs + ours) < 1.0 else ""
            wrong.append(f"its {name} is {theirs:.3f} deg, ours {ours:.3f} deg{reversed_sign}")
    before_s = rig.clock.utc_s()
    theirs_utc_s = mount.utc_date()
    if theirs_utc_s is not None:
        seen.append("clock")
        off_s = theirs_utc_s - 0.5 * (before_s + rig.clock.utc_s())
        if abs(off_s) > limits.clock_tolerance_s:
            wrong.append(f"its clock is {abs(off_s):.0f} s {'ahead' if off_s > 0 else 'behind'}")
    sidereal = mount.sidereal_time_hours()
    if sidereal is not None:
        seen.append("sidereal time")
        off_s = fold_pi(sidereal * HOUR - rig.sky_now().lst) / HOUR * 3600.0
        allowed_s = limits.clock_tolerance_s + limits.site_tolerance_deg * SIDEREAL_S_PER_DEG
        if abs(off_s) > allowed_s:
            wrong.append(f"its sidereal time is {off_s:+.0f} s off ours")
    if wrong:
        raise MountContradicts(tuple(wrong))
    if not seen:
        return "the mount tells neither site nor clock: nothing to compare"
    return f"{', '.join(seen)} agree with the mount's"


def check_sun(rig: Rig, doing: str, state: MountState | None = None) -> None:
    """See that the telescope, as the mount says, does not point near a Sun that is up.

    Raises:
        SunBeforeCover: it does, or the mount does not tell.
    """
    limits = rig.config.limits
    sun = sun_enu(rig.sky_now())
    if math.asin(float(sun[2])) / DEG < limits.sun_counts_above_deg:
        return
    now = rig.telescope.state() if state is None else state
    if now.azimuth_deg is None or now.altitude_deg is None:
        raise SunBeforeCover(doing, None, limits.sun_avoid_deg)
    pointing = enu_from_azalt(now.azimuth_deg * DEG, now.altitude_deg * DEG)
    distance_deg = float(separation(sun, pointing)) / DEG
    if distance_deg < limits.sun_avoid_deg:
        raise SunBeforeCover(doing, distance_deg, limits.sun_avoid_deg)


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
        told.append("the light was on and is off now")
    state = cover.cover_state()
    if state is CoverState.MOVING:
        _wait(rig, lambda: cover.cover_state() is not CoverState.MOVING, COVER_TIMEOUT_S)
        state = cover.cover_state()
    if state not in (CoverState.NONE, CoverState.OPEN):
        if not rig.config.startup.open_cover or state is CoverState.ERROR:
            raise CoverClosed(state.name.lower())
        check_sun(rig, "before the cover is opened")
        cover.open_cover(
            timeout_s=COVER_TIMEOUT_S,
            clock=rig.clock,
            cancel=rig.cancel,
            watch=rig.guards.while_waiting,
        )
        told.append("the cover was opened")
    else:
        told.append("there is no cover" if state is CoverState.NONE else "the cover is open")
    return ", ".join(told)


def ready_roof(rig: Rig, dome: Dome) -> str:
    """See that roof or shutter is open; open it only where that is allowed.

    Raises:
        RoofNotOpen: it is not, or does not tell.
        DeviceError: it does not open as told.
    """
    state = dome.shutter_status()
    timeout_s = rig.config.startup.roof_timeout_s
    if state is ShutterState.OPENING:
        _wait(rig, lambda: dome.shutter_status() is not ShutterState.OPENING, timeout_s)
        state = dome.shutter_status()
    if state is ShutterState.OPEN:
        return "roof or shutter is open"
    if state is not ShutterState.CLOSED or not rig.config.startup.open_roof:
        raise RoofNotOpen(_words(state))
    check_sun(rig, "before the roof is opened")
    dome.open_shutter(
        timeout_s=timeout_s,
        clock=rig.clock,
        cancel=rig.cancel,
        watch=rig.guards.while_waiting,
    )
    return "roof or shutter was opened"


class RoofGuard(Watching):
    """Stops a run as soon as the roof is not open any more, or does not tell."""

    def __init__(self, dome: Dome, clock: Clock) -> None:
        self.dome, self.clock = dome, clock
        self._asked_s = -math.inf

    def before_slew(self, move: Move) -> None:  # noqa: ARG002 - the roof counts, not the move
        """Ask."""
        self._ask()

    def during(self, look: Look) -> None:  # noqa: ARG002
        """Ask now and then."""
        self.ask_if_due()

    def tracking(self, look: Look) -> None:  # noqa: ARG002
        """Ask now and then."""
        self.ask_if_due()

    def ask_if_due(self) -> None:
        """Ask, unless it was asked just now."""
        if self.clock.monotonic_s() - self._asked_s >= ASK_S:
            self._ask()

    def _ask(self) -> None:
        self._asked_s = self.clock.monotonic_s()
        state = self.dome.shutter_status()
        if state is not ShutterState.OPEN:
            raise RoofNotOpen(_words(state))


def _words(state: ShutterState | None) -> str:
    return "nothing" if state is None else state.name.lower()


def _wait(rig: Rig, done: Callable[[], bool], timeout_s: float) -> None:
    """Wait for that, or until the time is over; the caller looks again."""
    end_s = rig.clock.monotonic_s() + timeout_s
    while not done() and rig.clock.monotonic_s() < end_s:
        rig.guards.while_waiting()
        rig.clock.sleep(0.5, rig.cancel)
