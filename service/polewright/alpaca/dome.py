"""A dome or roof, read only: whether the sky above is open."""

from __future__ import annotations

from enum import IntEnum
from typing import ClassVar

from polewright.alpaca.device import Device
from polewright.alpaca.models import BOOL, INT


class ShutterState(IntEnum):
    """Where the shutter or roof is."""

    OPEN = 0
    CLOSED = 1
    OPENING = 2
    CLOSING = 3
    ERROR = 4


class Dome(Device):
    """A dome or roll-off roof of interface version 1 to 3; never moved by this program."""

    device_type: ClassVar[str] = "dome"
    platform7_version: ClassVar[int] = 3

    def shutter_status(self) -> ShutterState | None:
        """Return where the shutter is; None when the dome does not tell.

        Asked by the urgent lane: a closing roof must be noticed during an image download.
        """
        number = self._optional("shutterstatus", INT, urgent=True)
        return ShutterState(number) if number is not None and 0 <= number <= 4 else None

    def slaved(self) -> bool | None:
        """Return whether the dome follows a telescope by itself."""
        return self._optional("slaved", BOOL)
