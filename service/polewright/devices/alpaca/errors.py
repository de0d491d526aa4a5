"""What can go wrong between this program and an Alpaca device.

::

    DeviceError
    └── AlpacaError             where (server, device), member, detail
        ├── ServerUnreachable   nothing listens there
        ├── DeviceSilent        it listens, but no answer came in time
        ├── ConnectionDropped   the answer broke off
        ├── BadReply            an answer that is not Alpaca's
        │   ├── ForeignAnswer       an answer to another question
        │   ├── TruncatedImage      image data shorter than its header says
        │   └── MislabelledImage    image header contradicts itself or the request
        ├── HttpRejected        HTTP status other than 200
        │   ├── WrongAddress        404, 405, redirects: not there
        │   ├── RequestRejected     400 and other 4xx
        │   ├── AccessDenied        401, 403
        │   └── ServerFault         5xx
        ├── RefusedByDevice     HTTP 200 with an ErrorNumber (leaves: one a number)
        ├── NotConnectedInTime, SlewTimedOut, SlewIgnored, CannotSlew,
        │   SettingNotTaken, DeviceTimedOut
        ├── CameraBusy, ExposureFailed, ExposureTimedOut, ExposureOutOfRange, StaleImage,
        │   BadGeometry
        └── DeviceNotFound

Error numbers: ASCOM Alpaca API Reference v12, 2026-02-23, "Reserved error numbers"; 0x40E from
the official Python client. COM drivers leak HRESULTs 0x80040xxx; they are folded (`fold_hresult`).
"""

from __future__ import annotations

from dataclasses import dataclass

from polewright.foundation.errors import DeviceError
from polewright.foundation.language import say


@dataclass(frozen=True)
class Where:
    """Which device, or which server when ``device_type`` is empty."""

    host: str
    port: int
    device_type: str = ""
    number: int = 0
    name: str = ""

    @property
    def address(self) -> str:
        """``host:port``, IPv6 in brackets."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    def __str__(self) -> str:
        if not self.device_type:
            return say("Alpaca server at {address}", address=self.address)
        name = say(" '{name}'", name=self.name) if self.name else ""
        return say(
            "{device_type} {number}{name} at {address}",
            device_type=self.device_type,
            number=self.number,
            name=name,
            address=self.address,
        )


class AlpacaError(DeviceError):
    """Base: says which device, which member, and what was odd (``detail``)."""

    code = "alpaca"
    situation = "failed"
    server_answered = True
    """False when it is open whether anything Alpaca is there at all."""

    def __init__(self, where: Where, member: str, detail: str = "") -> None:
        super().__init__(where, member, detail)
        self.where, self.member, self.detail = where, member, detail

    def __str__(self) -> str:
        text = say(
            "{where}: {member}: {situation}",
            where=self.where,
            member=self.member,
            situation=self.situation,
        )
        return say("{text} ({detail})", text=text, detail=self.detail) if self.detail else text


class ServerUnreachable(AlpacaError):
    """Nothing accepts connections at the address."""

    code = "server_unreachable"
    situation = say("no connection")
    likely = say("the Alpaca server is not started, or it has another address or port.")
    server_answered = False
    advice = say(
        "Check that the Alpaca server runs and that host and port are right (often "
        "11111); `polewright devices` lists the servers that answer. A firewall can also "
        "be in the way."
    )


class DeviceSilent(AlpacaError):
    """The server accepted the request but did not answer in time."""

    code = "device_silent"
    situation = say("no answer in time")
    likely = say("the device has no power or cable, or its driver hangs.")
    server_answered = False
    advice = say(
        "Look at the device's power and cable and at its driver's window; restart its "
        "server if it hangs. A command that timed out may still have been carried out."
    )


class ConnectionDropped(AlpacaError):
    """The server closed the connection before or within its answer."""

    code = "connection_dropped"
    situation = say("the connection broke off")
    server_answered = False
    advice = say(
        "The server may have crashed, or the network is bad: check both, then try again. "
        "A command that broke off may still have been carried out."
    )


class BadReply(AlpacaError):
    """The answer is not what Alpaca prescribes."""

    code = "bad_reply"
    situation = say("not a usable Alpaca answer")
    advice = say("Check that this port belongs to an Alpaca server; if it does, update its driver.")


class TruncatedImage(BadReply):
    """Image data are shorter than the header promises."""

    code = "truncated_image"
    situation = say("the image is cut short")
    advice = say("Take the exposure again; if it happens often, check the network or the driver.")

    def __init__(self, where: Where, member: str, got: int, expected: int) -> None:
        super().__init__(
            where, member, say("{got} bytes, {expected} expected", got=got, expected=expected)
        )
        self.args = (where, member, got, expected)
        self.got, self.expected = got, expected


class MislabelledImage(BadReply):
    """The image's description contradicts its data or the request."""

    code = "mislabelled_image"
    situation = say("the image does not fit its description")
    advice = say("The camera's driver is at fault: update it, or use another readout mode.")


class ForeignAnswer(BadReply):
    """The answer carries the transaction id of another question."""

    code = "foreign_answer"
    situation = say("the answer belongs to another question")
    advice = say(
        "The server, or something between it and this computer, mixes answers up: "
        "restart it. A command answered like this may have been carried out."
    )

    def __init__(self, where: Where, member: str, sent: int, received: int) -> None:
        super().__init__(
            where,
            member,
            say(
                "asked with transaction {sent}, answered with {received}",
                sent=sent,
                received=received,
            ),
        )
        self.args = (where, member, sent, received)
        self.sent, self.received = sent, received


class HttpRejected(AlpacaError):
    """HTTP status other than 200."""

    code = "http_rejected"
    situation = say("refused by the server")

    def __init__(self, where: Where, member: str, detail: str = "", status: int = 0) -> None:
        super().__init__(where, member, detail)
        self.args = (where, member, detail, status)
        self.status = status

    def __str__(self) -> str:
        text = say(
            "{where}: {member}: {situation}, HTTP {status}",
            where=self.where,
            member=self.member,
            situation=self.situation,
            status=self.status,
        )
        return say("{text} ({detail})", text=text, detail=self.detail) if self.detail else text


class WrongAddress(HttpRejected):
    """No such path: another server, no such device, or no such member."""

    code = "wrong_address"
    situation = say("not found there")
    likely = say(
        "another web server listens at this address and port, or the device number is wrong."
    )
    advice = say(
        "Check the port and the device number: `polewright devices` lists what each "
        "server offers. Another web server may be listening on this port."
    )


class RequestRejected(HttpRejected):
    """The server does not know the device or member, or dislikes a parameter."""

    code = "request_rejected"
    situation = say("request rejected")
    advice = say(
        "Check the device number with `polewright devices`; update the driver if it is right."
    )


class AccessDenied(HttpRejected):
    """A login or an allow-list stands before the server."""

    code = "access_denied"
    situation = say("access denied")
    advice = say("Allow this computer in the server's settings; logins are not supported.")


class ServerFault(HttpRejected):
    """The server or driver crashed on the request."""

    code = "server_fault"
    situation = say("the server failed")
    advice = say("Look at the server's log; reconnect or restart the device's driver.")


class RefusedByDevice(AlpacaError):
    """The device answered with an error number that has no class of its own."""

    code = "refused_by_device"
    situation = say("refused by the device")
    advice = say("Read the device's message; its driver's documentation explains the number.")

    def __init__(self, where: Where, member: str, detail: str = "", number: int = 0) -> None:
        super().__init__(where, member, detail)
        self.args = (where, member, detail, number)
        self.number = number

    def __str__(self) -> str:
        text = say(
            "{where}: {member}: {situation}, error 0x{error_number:X}",
            where=self.where,
            member=self.member,
            situation=self.situation,
            error_number=self.number,
        )
        return say("{text} ({detail})", text=text, detail=self.detail) if self.detail else text


class NotImplementedByDevice(RefusedByDevice):
    """The driver lacks this member."""

    code = "not_implemented_by_device"
    situation = say("not offered by the device")
    advice = say("The device cannot do this; a newer driver may.")


class InvalidValue(RefusedByDevice):
    """A value is out of the device's range."""

    code = "invalid_value"
    situation = say("value not accepted")
    advice = say("Use a value inside the range that the device states.")


class ValueNotSet(RefusedByDevice):
    """A value was read before it was set."""

    code = "value_not_set"
    situation = say("value not set yet")
    advice = say("Set the value in the device's driver first.")


class NotConnected(RefusedByDevice):
    """The driver runs, but has no link to its hardware."""

    code = "not_connected"
    situation = say("the device is not connected")
    likely = say("it has no power, or its cable or port is wrong in its driver's settings.")
    advice = say(
        "Check power and cable, then connect the device (a measurement does so at its start)."
    )


class Parked(RefusedByDevice):
    """The mount is parked."""

    code = "parked"
    situation = say("the mount is parked")
    advice = say("Unpark the mount; if its driver cannot, do so at the mount.")


class Slaved(RefusedByDevice):
    """The dome is slaved to the telescope."""

    code = "slaved"
    situation = say("not possible while the dome is slaved")
    advice = say("Switch off dome slaving for the measurement.")


class InvalidOperation(RefusedByDevice):
    """Not possible in the device's present state."""

    code = "invalid_operation"
    situation = say("not possible now")
    likely = say("tracking is off, a limit is reached, or another program has the device at work.")
    advice = say(
        "Set that right at the device or in its driver (what it says is above); try again."
    )


class ActionNotImplemented(RefusedByDevice):
    """A driver-specific action is unknown."""

    code = "action_not_implemented"
    situation = say("the driver does not know this action")
    advice = say("Look the action up in the driver's list of supported actions.")


class OperationCancelled(RefusedByDevice):
    """The device gave up an operation because it was told to."""

    code = "operation_cancelled"
    situation = say("the operation was cancelled")
    advice = say(
        "Find out who cancelled it (another program, the hand controller), then try again."
    )


class DriverFault(RefusedByDevice):
    """A driver-specific failure (0x500 to 0xFFF)."""

    code = "driver_fault"
    situation = say("the driver reports a fault")
    advice = say("Read the driver's message; check power and cable; reconnect the device.")


class NotConnectedInTime(AlpacaError):
    """Connecting did not come to an end."""

    code = "not_connected_in_time"
    situation = say("did not connect in time")
    likely = say("it has no power, or its cable or port is wrong in its driver's settings.")
    advice = say(
        "Check power and cable of the device, and the port chosen in its driver's settings."
    )


class DeviceTimedOut(AlpacaError):
    """An operation of the device did not come to an end."""

    code = "device_timed_out"
    situation = say("did not finish in time")
    advice = say(
        "Go and look at the device: it may be blocked, unpowered, or slower than expected."
    )


class SlewTimedOut(AlpacaError):
    """The mount still reported motion at the deadline, and was told to stop."""

    code = "slew_timed_out"
    situation = say("the slew did not end in time and was stopped")
    advice = say(
        "Check whether the mount is blocked; if it is only slow, allow more time for a slew."
    )

    def __init__(self, where: Where, member: str, waited_s: float, slewing: bool = True) -> None:
        super().__init__(where, member, say("waited {waited_s:.0f} s", waited_s=waited_s))
        self.args = (where, member, waited_s, slewing)
        self.waited_s, self.slewing = waited_s, slewing


class SlewIgnored(AlpacaError):
    """The mount took the command, but stayed where it was."""

    code = "slew_ignored"
    situation = say("the mount accepted the slew but did not begin it")
    advice = say(
        "Check that the motors are on, the mount is aligned or initialised, and that the "
        "target is inside the limits set in its driver."
    )

    def __init__(self, where: Where, member: str, distance_deg: float, waited_s: float) -> None:
        super().__init__(
            where,
            member,
            say(
                "waited {waited_s:.0f} s, the target is {distance_deg:.2f} degrees away",
                waited_s=waited_s,
                distance_deg=distance_deg,
            ),
        )
        self.args = (where, member, distance_deg, waited_s)
        self.distance_deg, self.waited_s = distance_deg, waited_s


class CannotSlew(AlpacaError):
    """The mount has no slews by right ascension and declination."""

    code = "cannot_slew"
    situation = say("the mount offers no slew to right ascension and declination")
    advice = say("Check its driver's settings, or use a driver or mount with such slews.")


class SettingNotTaken(AlpacaError):
    """The device accepted a setting, but reads back another."""

    code = "setting_not_taken"
    situation = say("the setting was not taken over")
    advice = say("Check the device's limits and state (parked, at a limit), then try again.")


class CameraBusy(AlpacaError):
    """Another exposure runs."""

    code = "camera_busy"
    situation = say("the camera is busy")
    advice = say("Stop the other program's exposure, or wait until it ends.")


class ExposureFailed(AlpacaError):
    """The camera reports its error state."""

    code = "exposure_failed"
    situation = say("the exposure failed")
    advice = say("Check the camera's cable and power; reconnect it, then try again.")


class ExposureTimedOut(AlpacaError):
    """No image was ready at the deadline."""

    code = "exposure_timed_out"
    situation = say("no image in time")
    advice = say("Check the camera's cable; allow more time if its readout is slow.")


class ExposureOutOfRange(AlpacaError):
    """The camera cannot expose that long or that short."""

    code = "exposure_out_of_range"
    situation = say("exposure time outside the camera's range")
    advice = say("Choose an exposure time inside the range shown.")


class StaleImage(AlpacaError):
    """The image handed out belongs to an earlier exposure."""

    code = "stale_image"
    situation = say("the image is from an earlier exposure")
    advice = say(
        "Take the exposure again; if it persists, reconnect the camera or update its driver."
    )


class BadGeometry(AlpacaError):
    """Binning or subframe do not fit the sensor."""

    code = "bad_geometry"
    situation = say("binning or subframe does not fit the sensor")
    advice = say("Choose binning and subframe inside the limits shown.")


class DeviceNotFound(AlpacaError):
    """The server has no such device."""

    code = "device_not_found"
    situation = say("no such device")
    advice = say(
        "`polewright devices` lists what is there; start the driver, or correct the number."
    )


#: How servers say "no such member": by the book 400 or error 0x400, in the field also others.
_ABSENT = (NotImplementedByDevice, WrongAddress, RequestRejected, AccessDenied)


def is_absent(error: AlpacaError) -> bool:
    """Whether an error means that the member does not exist (rather than that it failed)."""
    return isinstance(error, _ABSENT) or (isinstance(error, ServerFault) and error.status == 501)


_BY_NUMBER: dict[int, type[RefusedByDevice]] = {
    0x400: NotImplementedByDevice,
    0x401: InvalidValue,
    0x402: ValueNotSet,
    0x407: NotConnected,
    0x408: Parked,
    0x409: Slaved,
    0x40B: InvalidOperation,
    0x40C: ActionNotImplemented,
    0x40E: OperationCancelled,
}


def fold_hresult(number: int) -> int:
    """Map a COM HRESULT 0x80040xxx (often sent as a negative number) to Alpaca's 0xxxx."""
    unsigned = number & 0xFFFFFFFF
    return unsigned & 0xFFF if unsigned & 0xFFFFF000 == 0x80040000 else number


def refusal(where: Where, member: str, number: int, message: str) -> RefusedByDevice:
    """Return the exception for a non-zero error number."""
    folded = fold_hresult(number)
    kind = _BY_NUMBER.get(folded)
    if kind is None:
        kind = DriverFault if 0x500 <= folded <= 0xFFF else RefusedByDevice
    return kind(where, member, message, folded)


def rejection(where: Where, member: str, status: int, text: str) -> HttpRejected:
    """Return the exception for an HTTP status other than 200."""
    kind: type[HttpRejected]
    if status in {401, 403}:
        kind = AccessDenied
    elif status >= 500:
        kind = ServerFault
    elif status in {404, 405, 410} or status < 400:
        kind = WrongAddress
    else:
        kind = RequestRejected
    return kind(where, member, text, status)
