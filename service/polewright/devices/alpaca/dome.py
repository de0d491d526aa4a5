"""A dome or roof: whether the sky above is open; opened only where somebody asks for it."""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum
from typing import ClassVar

from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.errors import DriverFault
from polewright.devices.alpaca.models import INT
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.language import say


class ShutterState(IntEnum):
    """Where the shutter or roof is."""

    OPEN = 0
    CLOSED = 1
    OPENING = 2
    CLOSING = 3
    ERROR = 4


class Dome(Device):
    """A dome or roll-off roof of interface version 1 to 3."""

    device_type: ClassVar[str] = "dome"
    platform7_version: ClassVar[int] = 3

    def shutter_status(self) -> ShutterState | None:
        """Return where the shutter is; None when the dome does not tell.

        Asked by the urgent lane: a closing roof must be noticed during an image download.
        """
        number = self._optional("shutterstatus", INT, urgent=True)
        return ShutterState(number) if number is not None and 0 <= number <= 4 else None

    def open_shutter(
        self,
        *,
        timeout_s: float = 240.0,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
        watch: Callable[[], None] = lambda: None,
    ) -> None:
        """Open the shutter or roof and wait until it is open; halted when this ends early.

        Whether the telescope is clear of it is the caller's business. ``watch`` is called again
        and again meanwhile; raising ends the wait.

        Raises: `DeviceTimedOut`, `DriverFault`, `NotImplementedByDevice`, `Cancelled`.
        """
        self._put("openshutter", timeout_s=timeout_s)  # the first interfaces may block until open
        try:
            self._until("openshutter", self._is_open, timeout_s, clock, cancel, watch)
        except BaseException:
            self._quietly(self.halt)
            raise

    def _is_open(self) -> bool:
        state = self.shutter_status()
        if state is ShutterState.ERROR:
            raise DriverFault(
                self.where, "shutterstatus", say("the shutter reports an error state")
            )
        return state is ShutterState.OPEN

    def halt(self) -> None:
        """Stop all motion of the dome, its shutter included; one that cannot leaves a note."""
        self._put_if_offered("abortslew")
