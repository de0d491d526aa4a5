"""What watches a run: before each slew, during it, on arrival, after the solve, while tracking.

A guard raises a `GuardError`; whoever runs the sweep stops the mount then
(`stopping.motion_stopped_on_trouble`). Guards go by the planner's own limits, so what was planned
does not trip them; they catch what the plan could not know.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from polewright.calculation.planning.pointing import pointing_from_mount
from polewright.calculation.planning.request import Pointing
from polewright.calculation.planning.slew_paths import meridian_side
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.mount_coordinates import mount_from_of_date, of_date_at
from polewright.devices.alpaca.dome import Dome
from polewright.devices.alpaca.mount_state import MountState
from polewright.devices.alpaca.safety_monitor import SafetyMonitor
from polewright.devices.alpaca.slew_and_stop import SlewResult
from polewright.foundation.angles import DEG, fold_pi
from polewright.foundation.language import say
from polewright.observing.plan.plan_from_config import plan_request
from polewright.observing.rig.guard_interface import Arrival, Guard, Look, Move, Solved
from polewright.observing.rig.plate_solver import Plate
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.guard_interference import ClockGuard, MasterGuard
from polewright.observing.safety.guard_limits import AllowedSkyGuard
from polewright.observing.safety.guard_roof import RoofGuard
from polewright.observing.safety.guard_safety_monitor import SafetyGuard
from polewright.observing.safety.guard_slew import ArrivalGuard, SideGuard, TimeGuard
from polewright.observing.safety.guard_stars import TruthGuard
from polewright.records.events import Note

#: While the mount only tracks it is looked at this often, s.
TRACKING_LOOK_S = 5.0


class Guards:
    """All guards of a run, shown everything in turn."""

    def __init__(self, rig: Rig, guards: Sequence[Guard]) -> None:
        self.rig, self.guards = rig, tuple(guards)
        self._roof: RoofGuard | None = None
        self._looked_s = -math.inf

    def watch_roof(self, dome: Dome) -> None:
        """From now on the run ends when the roof is not open; a startup opens it before."""
        self._roof = RoofGuard(dome, self.rig.clock)
        self.guards = (*self.guards, self._roof)

    def while_parking(self) -> None:
        """Ask whether the roof is still open, if one is watched."""
        if self._roof is not None:
            self._roof.ask_if_due(say("while parking"))

    def begin(self) -> None:
        """Tell that a new sweep begins."""
        for guard in self.guards:
            guard.begin()

    def before_slew(self, number: int, goal: Pointing, *, first: bool) -> Move:
        """Ask whether a slew may be sent; return what to tell the mount.

        Raises:
            GuardError: it may not.
        """
        rig = self.rig
        sky = rig.sky_now()
        of_date = of_date_at(sky, goal.hour_angle, goal.declination)
        right_ascension, declination = mount_from_of_date(sky, rig.equatorial_system, of_date)
        start = self._pointing(
            sky, rig.telescope.right_ascension_hours(), rig.telescope.declination_deg()
        )
        start = rig.sides.told(start, rig.telescope.side_of_pier())
        move = Move(number, start, goal, first, sky, right_ascension, declination)
        for guard in self.guards:
            guard.before_slew(move)
        if meridian_side(start.hour_angle) * meridian_side(goal.hour_angle) < 0:
            begin_deg, end_deg = (fold_pi(x.hour_angle) / DEG for x in (start, goal))
            text = say(
                "The {doing} crosses the meridian, from hour angle {begin_deg:+.0f}° to "
                "{end_deg:+.0f}°: the mount may swing to the other side of the pier. "
                "Keep clear of it.",
                doing=move.doing,
                begin_deg=begin_deg,
                end_deg=end_deg,
            )
            rig.emit(Note(utc_s=rig.clock.utc_s(), severity="warning", text=text, passing=True))
        return move

    def watch(self, move: Move, then: Callable[[float], None]) -> Callable[[MountState], None]:
        """Return a watcher of the slew; ``then`` is told the seconds since it began."""
        timer = self.rig.clock
        began_s = timer.monotonic_s()

        def look(state: MountState) -> None:
            elapsed_s = timer.monotonic_s() - began_s
            sky = self.rig.sky_now()
            pointing = self._pointing(sky, state.right_ascension_hours, state.declination_deg)
            seen = Look(state, pointing, sky, move, elapsed_s)
            for guard in self.guards:
                guard.during(seen)
            then(elapsed_s)

        return look

    def arrived(self, move: Move, result: SlewResult) -> None:
        """Check how a slew ended."""
        arrival = Arrival(move, result)
        for guard in self.guards:
            guard.arrived(arrival)

    def solved(
        self, number: int, plate: Plate, pointing: Pointing, predicted_miss: float | None
    ) -> None:
        """Check what the stars say."""
        solved = Solved(number, plate, pointing, predicted_miss)
        for guard in self.guards:
            guard.solved(solved)

    def wary(self) -> bool:
        """Whether nothing may move before the stars have told where the telescope points."""
        sky = self.rig.sky_now()
        return any(guard.wary(sky) for guard in self.guards)

    def while_waiting(self) -> None:
        """Ask those that can end the wait for a roof or a cover; cheap enough for every look."""
        for guard in self.guards:
            guard.waiting()

    def while_tracking(self, *, at_once: bool = False) -> None:
        """Look at a mount that should only track; cheap enough to be called all the time.

        ``at_once`` looks even if it has just been looked at.
        """
        timer_s = self.rig.clock.monotonic_s()
        if not at_once and timer_s - self._looked_s < TRACKING_LOOK_S:
            return
        self._looked_s = timer_s
        state, sky = self.rig.telescope.state(), self.rig.sky_now()
        pointing = self._pointing(sky, state.right_ascension_hours, state.declination_deg)
        look = Look(state, pointing, sky, None, 0.0)
        for guard in self.guards:
            guard.tracking(look)

    def _pointing(self, sky: ObservedFrame, ra_hours: float, dec_deg: float) -> Pointing:
        return pointing_from_mount(sky, self.rig.equatorial_system, ra_hours, dec_deg)


def make_guards(rig: Rig, monitor: SafetyMonitor | None) -> Guards:
    """Return the guards that the configuration of a connected rig asks for.

    Raises:
        ConfigError: the horizon file or a limit is wrong.
    """
    request, settings = plan_request(rig), rig.config.sweep
    guards: list[Guard] = [] if monitor is None else [SafetyGuard(monitor, rig.clock)]
    guards += [
        ClockGuard(rig.clock),  # before those that count with the time
        AllowedSkyGuard(request.rules, request.timing, lambda text: rig.note(text, warning=True)),
        SideGuard(rig.telescope),
        TimeGuard(rig.config.limits.slew_timeout_s),
        ArrivalGuard(settings.arrival_tolerance_deg),
        TruthGuard(rig.site, settings.arrival_tolerance_deg),
        MasterGuard(),
    ]
    return Guards(rig, guards)
