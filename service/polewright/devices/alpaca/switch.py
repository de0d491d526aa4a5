"""A box of switches and values: relays, dimmers, sensors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.errors import InvalidValue
from polewright.devices.alpaca.models import BOOL, FLOAT, INT, TEXT
from polewright.foundation.clock import CancelToken, Clock


@dataclass(frozen=True)
class SwitchInfo:
    """One switch of a box; a two-way switch has the range 0 to 1 with step 1."""

    index: int
    name: str
    description: str
    writable: bool
    minimum: float
    maximum: float
    step: float


class Switch(Device):
    """A box of switches of interface version 1 to 3."""

    device_type: ClassVar[str] = "switch"
    platform7_version: ClassVar[int] = 3

    def count(self) -> int:
        """Return how many switches there are; indices run from 0."""
        return self._get("maxswitch", INT)

    def info(self, index: int) -> SwitchInfo:
        """Return what is known about a switch. Raises `InvalidValue` for a wrong index."""
        writable = self._optional("canwrite", BOOL, Id=index)
        minimum = self._optional("minswitchvalue", FLOAT, Id=index)
        maximum = self._optional("maxswitchvalue", FLOAT, Id=index)
        step = self._optional("switchstep", FLOAT, Id=index)
        return SwitchInfo(
            index=index,
            name=self._get("getswitchname", TEXT, Id=index),
            description=self._optional("getswitchdescription", TEXT, Id=index) or "",
            writable=writable is not False,
            minimum=0.0 if minimum is None else minimum,
            maximum=1.0 if maximum is None else maximum,
            step=1.0 if step is None else step,
        )

    def value(self, index: int) -> float:
        """Return the value of a switch."""
        return self._get("getswitchvalue", FLOAT, Id=index)

    def is_on(self, index: int) -> bool:
        """Return the state of a two-way switch."""
        return self._get("getswitch", BOOL, Id=index)

    def set_value(self, index: int, value: float) -> None:
        """Set a switch. Raises `InvalidValue` outside its range or when it is read-only."""
        about = self.info(index)
        if not about.writable or not about.minimum <= value <= about.maximum:
            limits = f"{about.minimum:g} to {about.maximum:g}" if about.writable else "read-only"
            raise InvalidValue(
                self.where, "setswitchvalue", f"'{about.name}': {value:g} asked; {limits}", 0x401
            )
        self._put("setswitchvalue", timeout_s=15.0, Id=index, Value=float(value))

    def set_on(self, index: int, on: bool) -> None:
        """Set a two-way switch."""
        self._put("setswitch", timeout_s=15.0, Id=index, State=on)

    def set_value_and_wait(
        self,
        index: int,
        value: float,
        *,
        timeout_s: float = 60.0,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
    ) -> None:
        """Set a slow switch (where it has an asynchronous setter) and wait until it is done.

        Raises: as `set_value`, and `DeviceTimedOut`.
        """
        if not self._optional("canasync", BOOL, quiet=True, Id=index):
            self.set_value(index, value)
            return
        self._put("setasyncvalue", timeout_s=15.0, Id=index, Value=float(value))
        self._until(
            "setasyncvalue",
            lambda: self._get("statechangecomplete", BOOL, Id=index),
            timeout_s,
            clock,
            cancel,
        )
