"""The safety monitor, asked before anything moves and again and again afterwards."""

from __future__ import annotations

from polewright.devices.alpaca.safety_monitor import SafetyMonitor
from polewright.foundation.clock import Clock
from polewright.foundation.language import joined, say
from polewright.observing.rig.guard_interface import Asking
from polewright.observing.safety.guard_errors import SafetyUnsafe


class SafetyGuard(Asking):
    """Stops the run as soon as the monitor says unsafe, or says nothing usable."""

    def __init__(self, monitor: SafetyMonitor, clock: Clock) -> None:
        super().__init__(clock)
        self.monitor = monitor

    def begin(self) -> None:
        """Ask before the mount is even unparked."""
        self.ask_now(say("before the sweep"))

    def waiting(self) -> None:
        """Ask now and then."""
        self.ask_if_due(say("while roof or cover move"))

    def ask(self, doing: str) -> None:
        """Ask the monitor. Raises `SafetyUnsafe`."""
        known = len(self.monitor.notes)
        if not self.monitor.is_safe():
            raise SafetyUnsafe(self.monitor.label, doing, joined("; ", self.monitor.notes[known:]))
