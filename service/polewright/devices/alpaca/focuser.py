"""A focuser."""

from __future__ import annotations

from typing import ClassVar

from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.errors import InvalidValue, NotImplementedByDevice
from polewright.devices.alpaca.models import BOOL, FLOAT, INT
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.language import say


class Focuser(Device):
    """A focuser of interface version 1 to 4."""

    device_type: ClassVar[str] = "focuser"
    platform7_version: ClassVar[int] = 4

    def absolute(self) -> bool:
        """Whether positions are absolute steps."""
        return self._flag("absolute")

    def position(self) -> int | None:
        """Return the position in steps; None for a relative focuser."""
        return self._optional("position", INT)

    def max_step(self) -> int | None:
        """Return the largest position in steps."""
        return self._optional("maxstep", INT)

    def is_moving(self) -> bool:
        """Return whether the focuser moves."""
        return self._get("ismoving", BOOL)

    def temperature_c(self) -> float | None:
        """Return the temperature at the focuser, degrees Celsius."""
        return self._optional("temperature", FLOAT)

    def temperature_compensation(self) -> bool | None:
        """Return whether the focuser follows the temperature by itself."""
        return self._optional("tempcomp", BOOL)

    def move_and_wait(
        self,
        position: int,
        *,
        timeout_s: float = 120.0,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
    ) -> None:
        """Move to an absolute position in steps and wait; halted when this ends early.

        Raises: `InvalidValue`, `NotImplementedByDevice` for a relative focuser,
            `DeviceTimedOut`, `Cancelled`.
        """
        if not self.absolute():
            raise NotImplementedByDevice(self.where, "move", say("the focuser is relative"), 0x400)
        top = self.max_step()
        if position < 0 or (top is not None and position > top):
            raise InvalidValue(
                self.where,
                "move",
                say("{position} asked; 0 to {top}", position=position, top=top),
                0x401,
            )
        self._put("move", timeout_s=timeout_s, Position=position)
        try:
            self._until("move", lambda: not self.is_moving(), timeout_s, clock, cancel)
        except BaseException:
            self._quietly(self.halt)
            raise

    def halt(self) -> None:
        """Stop the focuser; one that cannot leaves a note."""
        self._put_if_offered("halt")
