"""The roof or dome shutter, asked before each slew and again and again afterwards."""

from __future__ import annotations

from polewright.devices.alpaca.dome import Dome, ShutterState
from polewright.foundation.clock import Clock
from polewright.observing.rig.guard_interface import Asking
from polewright.observing.safety.guard_errors import RoofNotOpen


class RoofGuard(Asking):
    """Stops a run as soon as the roof is not open any more, or does not tell."""

    def __init__(self, dome: Dome, clock: Clock) -> None:
        super().__init__(clock)
        self.dome = dome

    def ask(self, doing: str) -> None:  # noqa: ARG002 - the state says enough
        """Ask the dome. Raises `RoofNotOpen`."""
        state = self.dome.shutter_status()
        if state is not ShutterState.OPEN:
            raise RoofNotOpen(shutter_words(state))


def shutter_words(state: ShutterState | None) -> str:
    """Return what a shutter says; None is a shutter that does not tell."""
    return "nothing" if state is None else state.name.lower()
