"""The safety monitor, asked before anything moves and again and again afterwards."""

from __future__ import annotations

import math

from polewright.devices.alpaca.safety_monitor import SafetyMonitor
from polewright.foundation.clock import Clock
from polewright.observing.rig.guard_interface import Look, Move, Watching
from polewright.observing.safety.guard_errors import SafetyUnsafe

#: During motion the monitor is asked this often, s.
ASK_S = 2.0


class SafetyGuard(Watching):
    """Stops the run as soon as the monitor says unsafe, or says nothing usable."""

    def __init__(self, monitor: SafetyMonitor, clock: Clock) -> None:
        self.monitor, self.clock = monitor, clock
        self._asked_s = -math.inf

    def begin(self) -> None:
        """Ask before the mount is even unparked."""
        self._ask("before the sweep")

    def before_slew(self, move: Move) -> None:
        """Ask."""
        self._ask(f"before the {move.doing}")

    def during(self, look: Look) -> None:
        """Ask now and then."""
        self._ask_if_due(look)

    def tracking(self, look: Look) -> None:
        """Ask now and then."""
        self._ask_if_due(look)

    def waiting(self) -> None:
        """Ask now and then."""
        if self._due():
            self._ask("while roof or cover move")

    def _ask_if_due(self, look: Look) -> None:
        if self._due():
            self._ask("while tracking" if look.move is None else f"during the {look.move.doing}")

    def _due(self) -> bool:
        return self.clock.monotonic_s() - self._asked_s >= ASK_S

    def _ask(self, doing: str) -> None:
        self._asked_s = self.clock.monotonic_s()
        known = len(self.monitor.notes)
        if not self.monitor.is_safe():
            raise SafetyUnsafe(self.monitor.label, doing, "; ".join(self.monitor.notes[known:]))
