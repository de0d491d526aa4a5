"""What guards are shown, and what a run asks of all of them together."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from polewright.calculation.planning.request import Pointing
from polewright.calculation.sky.frame import ObservedFrame
from polewright.devices.alpaca.dome import Dome
from polewright.devices.alpaca.mount_state import MountState
from polewright.devices.alpaca.slew_and_stop import SlewResult
from polewright.foundation.clock import Clock
from polewright.foundation.language import say
from polewright.observing.rig.plate_solver import Plate

#: A device that guards a run is asked this often while the mount moves or tracks, s.
ASK_S = 2.0


@dataclass(frozen=True)
class Move:
    """A slew to a point of the sweep. Angles by the mount's axes, rad."""

    number: int
    """Of the point, from 1."""
    start: Pointing
    goal: Pointing
    first: bool
    """Whether this brings the mount to the sweep; later slews turn the RA axis only."""
    sky: ObservedFrame
    """When the slew begins."""
    right_ascension_hours: float
    """What the mount is told, in its own system."""
    declination_deg: float

    @property
    def doing(self) -> str:
        """The slew in words."""
        return say("slew to point {point}", point=self.number)


@dataclass(frozen=True)
class Look:
    """One look at the mount."""

    state: MountState
    pointing: Pointing
    """Where it says it points."""
    sky: ObservedFrame
    move: Move | None
    """None while it only tracks."""
    elapsed_s: float
    """Since the slew began."""


@dataclass(frozen=True)
class Arrival:
    """How a slew ended."""

    move: Move
    result: SlewResult


@dataclass(frozen=True)
class Solved:
    """A frame of the sweep that was solved."""

    number: int
    plate: Plate
    pointing: Pointing
    """The mount's word for the middle of the exposure."""
    predicted_miss: float | None
    """Angle (rad) from where the centre should be by the offset found at the point before; None at
    the first."""


class Watching:
    """A guard that lets everything pass; the real ones override what they watch."""

    def begin(self) -> None:
        """See `Guard`."""

    def before_slew(self, move: Move) -> None:
        """See `Guard`."""

    def during(self, look: Look) -> None:
        """See `Guard`."""

    def arrived(self, arrival: Arrival) -> None:
        """See `Guard`."""

    def solved(self, solved: Solved) -> None:
        """See `Guard`."""

    def tracking(self, look: Look) -> None:
        """See `Guard`."""

    def waiting(self) -> None:
        """See `Guard`."""

    def wary(self, sky: ObservedFrame) -> bool:
        """See `Guard`."""
        del sky
        return False


class Asking(Watching):
    """A guard that asks a device before a slew, and now and then while the mount moves."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self._asked_s = -math.inf

    def ask(self, doing: str) -> None:
        """Ask the device, and raise if the run must not go on; ``doing`` is for messages."""
        raise NotImplementedError

    def ask_now(self, doing: str) -> None:
        """Ask, and remember when."""
        self._asked_s = self.clock.monotonic_s()
        self.ask(doing)

    def ask_if_due(self, doing: str) -> None:
        """Ask, unless it was asked just now."""
        if self.clock.monotonic_s() - self._asked_s >= ASK_S:
            self.ask_now(doing)

    def before_slew(self, move: Move) -> None:
        """Ask."""
        self.ask_now(say("before the {doing}", doing=move.doing))

    def during(self, look: Look) -> None:
        """Ask now and then."""
        self.ask_if_due(
            say("while tracking")
            if look.move is None
            else say("during the {doing}", doing=look.move.doing)
        )

    def tracking(self, look: Look) -> None:
        """Ask now and then."""
        self.during(look)


class Guard(Protocol):
    """One thing to watch. Every method may raise a `GuardError`."""

    def begin(self) -> None:
        """A new sweep begins: forget the one before."""

    def before_slew(self, move: Move) -> None:
        """A slew is about to be sent."""

    def during(self, look: Look) -> None:
        """The mount was looked at during a slew."""

    def arrived(self, arrival: Arrival) -> None:
        """The mount says that a slew is over."""

    def solved(self, solved: Solved) -> None:
        """The stars told where the telescope points."""

    def tracking(self, look: Look) -> None:
        """The mount was looked at while it should only follow the sky."""

    def waiting(self) -> None:
        """A roof or a cover moves while the mount stands."""

    def wary(self, sky: ObservedFrame) -> bool:
        """Whether nothing may move before the stars have told where the telescope points."""


class RunGuards(Protocol):
    """All guards of a run, shown everything in turn; see `observing.safety.guards.Guards`."""

    guards: tuple[Guard, ...]

    def begin(self) -> None:
        """Tell that a new sweep begins."""

    def before_slew(self, number: int, goal: Pointing, *, first: bool) -> Move:
        """Ask whether a slew may be sent; return what to tell the mount."""

    def watch(self, move: Move, then: Callable[[float], None]) -> Callable[[MountState], None]:
        """Return a watcher of the slew; ``then`` is told the seconds since it began."""

    def arrived(self, move: Move, result: SlewResult) -> None:
        """Check how a slew ended."""

    def solved(
        self, number: int, plate: Plate, pointing: Pointing, predicted_miss: float | None
    ) -> None:
        """Check what the stars say."""

    def wary(self) -> bool:
        """Whether nothing may move before the stars have told where the telescope points."""

    def watch_roof(self, dome: Dome) -> None:
        """From now on the run ends when the roof is not open."""

    def while_parking(self) -> None:
        """Ask whether the roof is still open, if one is watched."""

    def while_waiting(self) -> None:
        """Ask those that can end the wait for a roof or a cover."""

    def while_tracking(self, *, at_once: bool = False) -> None:
        """Look at a mount that should only track."""
