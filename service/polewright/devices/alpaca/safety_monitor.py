"""A safety monitor: weather, roof, whatever decides whether motion is allowed."""

from __future__ import annotations

from typing import ClassVar

from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.errors import AlpacaError
from polewright.devices.alpaca.models import BOOL
from polewright.foundation.language import say


class SafetyMonitor(Device):
    """A safety monitor of interface version 1 to 3."""

    device_type: ClassVar[str] = "safetymonitor"
    platform7_version: ClassVar[int] = 3

    def is_safe(self) -> bool:
        """Return what the monitor says; False, with a note, whenever it says nothing usable.

        Asked by the urgent lane, so that a slow image download does not delay the news.
        """
        try:
            return self._get("issafe", BOOL, urgent=True)
        except AlpacaError as exc:
            self.note(say("the safety monitor counts as unsafe: {exc}", exc=exc))
            return False
