"""What a device may answer instead of a value, with the numbers of the Alpaca standard.

::

    WireFault
    ├── NotUnderstood          HTTP 400: the request itself is wrong, no device saw it
    └── DeviceFault            HTTP 200 with ErrorNumber and ErrorMessage
        ├── NotSupported       0x400   the member exists in the standard, this device lacks it
        ├── ValueRefused       0x401   understood, but out of range
        ├── ValueMissing       0x402   read before anything set it
        ├── Disconnected       0x407
        ├── Parked             0x408
        ├── Slaved             0x409
        ├── NotNow             0x40B   not in this state
        ├── ActionUnknown      0x40C
        ├── OperationAborted   0x40E
        └── DriverTrouble      0x500-0xFFF, the device's own numbers

Numbers: ASCOM Alpaca API Reference, section "ASCOM Alpaca Errors and Reserved Error Numbers";
0x40E as the official client library has it.
"""

from __future__ import annotations


class WireFault(Exception):
    """Base of everything that is told to the client on purpose."""


class NotUnderstood(WireFault):
    """The request is not one this server knows: answered with HTTP 400 and a text."""

    status = 400


class DeviceFault(WireFault):
    """The device understood and refuses: answered with HTTP 200 and an error number."""

    number = 0x500


class NotSupported(DeviceFault):
    """The member is standard, but this device does not have it."""

    number = 0x400


class ValueRefused(DeviceFault):
    """A parameter is outside what the device accepts."""

    number = 0x401


class ValueMissing(DeviceFault):
    """The value was read before anything set it."""

    number = 0x402


class Disconnected(DeviceFault):
    """The device is not connected."""

    number = 0x407


class Parked(DeviceFault):
    """The device is parked and will not move."""

    number = 0x408


class Slaved(DeviceFault):
    """The device follows another one and takes no commands of its own."""

    number = 0x409


class NotNow(DeviceFault):
    """The device cannot do this in its present state."""

    number = 0x40B


class ActionUnknown(DeviceFault):
    """No action of that name."""

    number = 0x40C


class OperationAborted(DeviceFault):
    """An operation under way was stopped by another command."""

    number = 0x40E


class DriverTrouble(DeviceFault):
    """Something went wrong inside the device; ``number`` lies in 0x500 to 0xFFF."""

    def __init__(self, message: str, number: int = 0x500) -> None:
        super().__init__(message, number)
        if not 0x500 <= number <= 0xFFF:
            raise ValueError(f"driver error numbers run from 0x500 to 0xFFF, not {number:#x}")
        self.message = message
        self.number = number

    def __str__(self) -> str:
        return self.message
