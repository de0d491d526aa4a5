"""What all Alpaca devices share: typed reads and writes, optional members, connecting.

Optional members that a device lacks are None, remembered for the session, and noted once in
``device.notes`` for the user.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, ClassVar, TypeVar

from pydantic import TypeAdapter, ValidationError

from polewright.devices.alpaca.client import AlpacaConnection, Param
from polewright.devices.alpaca.deadline import Deadline
from polewright.devices.alpaca.errors import (
    AlpacaError,
    BadReply,
    DeviceNotFound,
    DeviceTimedOut,
    HttpRejected,
    InvalidOperation,
    NotConnectedInTime,
    NotImplementedByDevice,
    RefusedByDevice,
    RequestRejected,
    ValueNotSet,
    Where,
    WrongAddress,
    is_absent,
)
from polewright.devices.alpaca.models import (
    ANYTHING,
    BOOL,
    INT,
    TEXT,
    Reply,
    StateEntry,
    convert,
)
from polewright.foundation.clock import CancelToken, Clock, SystemClock
from polewright.foundation.language import say

log = logging.getLogger(__name__)
T = TypeVar("T")

CONNECT_S = 60.0


class Device:
    """One device of a server.

    Args:
        connection: the way to its server, shared by the server's devices.
        number: Alpaca device number, from 0.
        clock: for polls and deadlines.
    """

    device_type: ClassVar[str] = ""
    #: First interface version with connect, connecting, disconnect and devicestate.
    platform7_version: ClassVar[int] = 1

    def __init__(
        self, connection: AlpacaConnection, number: int = 0, *, clock: Clock | None = None
    ) -> None:
        self.connection, self.number = connection, number
        self.clock: Clock = clock or SystemClock()
        self.where = Where(connection.host, connection.port, self.device_type, number)
        self.notes: list[str] = []
        """What the device lacks or does oddly, in the order found."""
        self.told: deque[str] = deque()
        """Those of them that the user has to know, until somebody has told them."""
        self.connected_by_us = False
        self._absent: set[str] = set()
        self._flags: dict[str, bool] = {}
        self._version = 0
        self._state_works = True
        self._forget()

    def note(self, text: str, *, tell: bool = False) -> None:
        """Keep a message once; ``tell`` it to the user, too. Any thread may."""
        if text not in self.notes:
            self.notes.append(text)
            if tell:
                self.told.append(text)
            log.info("alpaca.note device=%s %s", self.where, text)

    # -- wire ------------------------------------------------------------------------------

    def _path(self, member: str) -> str:
        return f"api/v1/{self.device_type}/{self.number}/{member}"

    def _get(
        self,
        member: str,
        kind: TypeAdapter[T],
        *,
        timeout_s: float | None = None,
        urgent: bool = False,
        **params: Param,
    ) -> T:
        """Read a member; keyword arguments with capitals are Alpaca parameters."""
        return self._read(member, kind, params, timeout_s, urgent)

    def _read(
        self,
        member: str,
        kind: TypeAdapter[T],
        params: Mapping[str, Param],
        timeout_s: float | None = None,
        urgent: bool = False,
    ) -> T:
        values: list[T] = []

        def check(reply: Reply) -> None:
            if "Value" not in reply.model_fields_set:
                raise BadReply(self.where, member, say("the answer has no Value"))
            values.append(convert(kind, reply.Value, self.where, member))

        self.connection.get(
            self._path(member),
            where=self.where,
            params=params,
            timeout_s=timeout_s,
            urgent=urgent,
            check=check,
        )
        return values[-1]

    def _put(
        self,
        member: str,
        *,
        timeout_s: float | None = None,
        urgent: bool = False,
        **params: Param,
    ) -> Any:
        """Send a command; return its Value, None for most."""
        return self.connection.put(
            self._path(member), where=self.where, params=params, timeout_s=timeout_s, urgent=urgent
        ).Value

    def _optional(
        self,
        member: str,
        kind: TypeAdapter[T],
        *,
        quiet: bool = False,
        urgent: bool = False,
        **params: Param,
    ) -> T | None:
        """Read a member that may be missing or have no value now: then None.

        Missing ones are remembered and not asked for again; failures of the transport raise.
        ``quiet`` leaves no note, for members whose absence means nothing to a user.
        """
        if member in self._absent:
            return None
        try:
            return self._read(member, kind, params, urgent=urgent)
        except (ValueNotSet, InvalidOperation):
            return None
        except BadReply as exc:
            told = say(
                "{device_type} gives no usable {member}: ",
                device_type=self.device_type,
                member=member,
            )
            if not any(note.startswith(told) for note in self.notes):
                self.note(told + exc.detail)
            return None
        except (RefusedByDevice, HttpRejected) as exc:
            if not is_absent(exc):
                raise
            self._absent.add(member)
            if not quiet:
                self.note(
                    say(
                        "{device_type} does not offer {member}",
                        device_type=self.device_type,
                        member=member,
                    )
                )
            return None

    def _until(
        self,
        member: str,
        done: Callable[[], bool],
        timeout_s: float,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
        watch: Callable[[], None] = lambda: None,
    ) -> None:
        """Poll until ``done``, after ``watch`` each time; raise `DeviceTimedOut` or `Cancelled`."""
        timer = clock or self.clock
        deadline = Deadline(timer, timeout_s)
        while True:
            watch()
            if done():
                return
            if deadline.passed:
                raise DeviceTimedOut(
                    self.where, member, say("waited {timeout_s:.0f} s", timeout_s=timeout_s)
                )
            timer.sleep(0.25, cancel)

    def _quietly(self, command: Callable[[], object]) -> None:
        """Run a halt while another error is on its way: its own failure must not hide that."""
        try:
            command()
        except AlpacaError as exc:
            log.warning("alpaca.halt_failed device=%s: %s", self.where, exc)

    def _put_if_offered(self, member: str, *, urgent: bool = True) -> None:
        """Send a command without parameters that a device may lack: then it leaves a note."""
        if member in self._absent:
            return
        try:
            self._put(member, timeout_s=15.0, urgent=urgent)
        except (RefusedByDevice, HttpRejected) as exc:
            if not is_absent(exc):
                raise
            self._absent.add(member)
            self.note(
                say(
                    "{device_type} does not offer {member}",
                    device_type=self.device_type,
                    member=member,
                )
            )

    def _flag(self, member: str, *, needed: bool = False) -> bool:
        """Read a Can... flag once a session; missing counts as False.

        An answer that makes no sense counts as False as well, but is not remembered; for a flag
        that is ``needed`` it raises `BadReply`: a glitch is not an inability.
        """
        if member not in self._flags:
            value = self._optional(member, BOOL)
            if value is None and member not in self._absent:
                if needed:
                    raise BadReply(self.where, member, say("neither True nor False"))
                return False
            self._flags[member] = value is True
        return self._flags[member]

    # -- who it is -------------------------------------------------------------------------

    @property
    def label(self) -> str:
        """The device's name once it was read, else type and number."""
        return self.where.name or f"{self.device_type} {self.number}"

    def interface_version(self) -> int:
        """Return the interface version, 1 when the device does not tell."""
        if self._version == 0:
            try:
                self._version = max(1, self._get("interfaceversion", INT))
            except BadReply as exc:
                self.note(
                    say(
                        "{device_type} gives no usable interfaceversion: {detail}",
                        device_type=self.device_type,
                        detail=exc.detail,
                    )
                )
                self._version = 1
            except (NotImplementedByDevice, HttpRejected) as exc:
                if not is_absent(exc):
                    raise
                self._version = 1
        return self._version

    def name(self) -> str:
        """Return the device's name, empty when it has none; later errors show it."""
        text = self._optional("name", TEXT, quiet=True) or ""
        self.where = replace(self.where, name=text[:60])
        return text

    def description(self) -> str:
        """Return the driver's one-line description of the device."""
        return self._optional("description", TEXT, quiet=True) or ""

    def driver_info(self) -> str:
        """Return what the driver says about itself."""
        return self._optional("driverinfo", TEXT, quiet=True) or ""

    def driver_version(self) -> str:
        """Return the driver's version text."""
        return self._optional("driverversion", TEXT, quiet=True) or ""

    def action(self, name: str, parameters: str = "", *, timeout_s: float = 30.0) -> str:
        """Call a driver-specific action and return its text. Raises `ActionNotImplemented`."""
        value = self._put("action", timeout_s=timeout_s, Action=name, Parameters=parameters)
        return convert(TEXT, value, self.where, "action")

    # -- connecting ------------------------------------------------------------------------

    def connected(self) -> bool:
        """Return whether the driver has a link to the hardware."""
        return self._get("connected", BOOL)

    def connect(
        self,
        *,
        timeout_s: float = CONNECT_S,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
    ) -> None:
        """Connect the device; already connected (perhaps by another program) is success.

        A ``clock`` given here becomes the device's own.

        Raises: `DeviceNotFound`, `NotConnectedInTime`, or what the driver reports.
        """
        self.clock = clock or self.clock
        self._forget()
        if not self._is_connected_quietly():
            if self.interface_version() < self.platform7_version or not self._connect_async(
                timeout_s, cancel
            ):
                self._put("connected", timeout_s=timeout_s, Connected=True)
            self.connected_by_us = True
            if not self.connected():
                raise NotConnectedInTime(
                    self.where, "connected", say("still False after connecting without an error")
                )
        self._forget()  # versions and abilities may differ once the hardware is known
        self.name()
        log.info("alpaca.connected device=%s version=%d", self.where, self.interface_version())

    def _forget(self) -> None:
        """Drop what was learnt about the device; a new session may differ."""
        self._absent.clear()
        self._flags.clear()
        self._version = 0
        self._state_works = True

    def _is_connected_quietly(self) -> bool:
        try:
            return self.connected()
        except (NotImplementedByDevice, WrongAddress, RequestRejected) as exc:
            # Every device has this member: its absence means that there is no such device.
            raise DeviceNotFound(self.where, "connected", exc.detail) from exc
        except (RefusedByDevice, BadReply):
            return False

    def _connect_async(self, timeout_s: float, cancel: CancelToken | None) -> bool:
        """Connect by ``connect``; return False when the server lacks it in spite of its version."""
        try:
            self._put("connect", timeout_s=timeout_s)
            self._wait_connecting("connect", timeout_s, cancel)
        except (RefusedByDevice, HttpRejected) as exc:
            if not is_absent(exc):
                raise
            self.note(
                say(
                    "{device_type} lacks connect; connected the older way",
                    device_type=self.device_type,
                )
            )
            return False
        return True

    def _wait_connecting(self, member: str, timeout_s: float, cancel: CancelToken | None) -> None:
        deadline = Deadline(self.clock, timeout_s)
        while self._get("connecting", BOOL):
            if deadline.passed:
                raise NotConnectedInTime(
                    self.where, member, say("waited {timeout_s:.0f} s", timeout_s=timeout_s)
                )
            self.clock.sleep(0.2, cancel)

    def disconnect(self, *, timeout_s: float = 30.0, even_if_shared: bool = False) -> None:
        """Disconnect if `connect` of this object connected it: others may be using the device."""
        if not (self.connected_by_us or even_if_shared):
            return
        self.connected_by_us = False
        if self.interface_version() >= self.platform7_version:
            try:
                self._put("disconnect", timeout_s=timeout_s)
            except (RefusedByDevice, HttpRejected) as exc:
                if not is_absent(exc):
                    raise
            else:
                self._wait_connecting("disconnect", timeout_s, None)
                return
        self._put("connected", timeout_s=timeout_s, Connected=False)

    # -- many values at once ---------------------------------------------------------------

    def device_state(self) -> Mapping[str, Any] | None:
        """Return the values of ``devicestate`` by name; None when the device has no such thing.

        Entries are optional: a missing one must be read from its property.
        """
        if not self._state_works or self.interface_version() < self.platform7_version:
            return None
        try:
            entries = self._get("devicestate", ANYTHING)
        except (RefusedByDevice, HttpRejected, BadReply) as exc:
            if isinstance(exc, RefusedByDevice | HttpRejected) and not is_absent(exc):
                raise
            entries = None
        if not isinstance(entries, list):
            self._state_works = False
            self.note(
                say(
                    "{device_type} has no usable devicestate; properties are read singly",
                    device_type=self.device_type,
                )
            )
            return None
        state: dict[str, Any] = {}
        for entry in entries:
            try:
                parsed = StateEntry.model_validate(entry)
            except ValidationError:
                continue
            state[parsed.Name] = parsed.Value
        return state

    def _from_state(
        self, state: Mapping[str, Any] | None, name: str, kind: TypeAdapter[T]
    ) -> T | None:
        """Return one usable value of a device state, else None."""
        if state is None or state.get(name) is None:
            return None
        try:
            return kind.validate_python(state[name])
        except (ValueError, RecursionError):
            return None
