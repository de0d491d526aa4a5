"""A motorised cover and a flat-field light."""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum
from typing import ClassVar

from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.errors import DriverFault
from polewright.devices.alpaca.models import INT
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.language import say


class CoverState(IntEnum):
    """Where the cover is."""

    NONE = 0
    CLOSED = 1
    MOVING = 2
    OPEN = 3
    UNKNOWN = 4
    ERROR = 5


class CalibratorState(IntEnum):
    """What the light does."""

    NONE = 0
    OFF = 1
    NOT_READY = 2
    READY = 3
    UNKNOWN = 4
    ERROR = 5


class CoverCalibrator(Device):
    """A cover or calibrator of interface version 1 or 2."""

    device_type: ClassVar[str] = "covercalibrator"
    platform7_version: ClassVar[int] = 2

    def cover_state(self) -> CoverState:
        """Return where the cover is; unknown numbers count as UNKNOWN."""
        number = self._optional("coverstate", INT)
        if number is None:
            return CoverState.NONE
        return CoverState(number) if 0 <= number <= 5 else CoverState.UNKNOWN

    def calibrator_state(self) -> CalibratorState:
        """Return what the light does; unknown numbers count as UNKNOWN."""
        number = self._optional("calibratorstate", INT)
        if number is None:
            return CalibratorState.NONE
        return CalibratorState(number) if 0 <= number <= 5 else CalibratorState.UNKNOWN

    def open_cover(
        self,
        *,
        timeout_s: float = 60.0,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
        watch: Callable[[], None] = lambda: None,
    ) -> None:
        """Open the cover and wait until it is open; halts it when this ends early.

        ``watch`` is called again and again meanwhile; raising ends the wait.

        Raises: `DeviceTimedOut`, `DriverFault`, `NotImplementedByDevice`, `Cancelled`.
        """
        self._put("opencover", timeout_s=timeout_s)  # the first interface may block until open
        try:
            self._until("opencover", self._is_open, timeout_s, clock, cancel, watch)
        except BaseException:
            self._quietly(self.halt_cover)
            raise

    def _is_open(self) -> bool:
        state = self.cover_state()
        if state is CoverState.ERROR:
            raise DriverFault(self.where, "coverstate", say("the cover reports an error state"))
        return state is CoverState.OPEN

    def halt_cover(self) -> None:
        """Stop the cover where it is; covers that cannot leave a note."""
        self._put_if_offered("haltcover")

    def calibrator_off(self) -> None:
        """Switch the light off, if there is one."""
        self._put_if_offered("calibratoroff")
