"""Safety monitor, cover, focuser and dome over real HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

import pytest
from support.alpaca_wire import Refuse, Status, WireServer, wire_server

from polewright.devices.alpaca import errors
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.cover_calibrator import CalibratorState, CoverCalibrator, CoverState
from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.dome import Dome, ShutterState
from polewright.devices.alpaca.focuser import Focuser
from polewright.devices.alpaca.safety_monitor import SafetyMonitor
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.errors import Cancelled

D = TypeVar("D", bound=Device)


@contextmanager
def linked(kind: type[D], members: dict[str, Any]) -> Iterator[tuple[WireServer, D]]:
    def full(key: str) -> str:
        method, _, member = key.rpartition(" ")
        return f"{method} {kind.device_type}/0/{member}".strip()

    with (
        wire_server({full(key): value for key, value in members.items()}) as server,
        AlpacaConnection("127.0.0.1", server.port, timeout_s=1.0) as connection,
    ):
        yield server, kind(connection, clock=SystemClock(rate=10.0))


def refuse(number: int) -> Any:
    def member(_params: dict[str, str]) -> None:
        raise Refuse(number, "no")

    return member


def status(code: int) -> Any:
    def member(_params: dict[str, str]) -> None:
        raise Status(code)

    return member


@pytest.mark.parametrize(
    ("answer", "safe"),
    [
        (True, True),
        (1, True),
        ("true", True),
        (False, False),
        (None, False),
        ("perhaps", False),
        (refuse(0x407), False),
        (status(500), False),
        (status(404), False),
    ],
)
def test_only_a_clear_yes_is_safe(answer: Any, safe: bool) -> None:
    with linked(SafetyMonitor, {"issafe": answer}) as (_, monitor):
        assert monitor.is_safe() is safe
        assert bool(monitor.notes) == (answer is not False and not safe)


def test_vanished_monitor_is_unsafe() -> None:
    with wire_server() as server:
        port = server.port
    with AlpacaConnection("127.0.0.1", port) as connection:
        assert SafetyMonitor(connection).is_safe() is False


def test_cover_is_opened_and_waited_for() -> None:
    states = [1, 2, 2, 3]
    members = {"coverstate": lambda p: states.pop(0), "PUT opencover": lambda p: None}
    with linked(CoverCalibrator, members) as (server, cover):
        cover.open_cover()

        assert states == []
        assert server.order() == ["opencover"]


def test_cover_that_jams_is_halted() -> None:
    members = {
        "coverstate": 2,
        "PUT opencover": lambda p: None,
        "PUT haltcover": lambda p: None,
    }
    with linked(CoverCalibrator, members) as (server, cover):
        with pytest.raises(errors.DeviceTimedOut, match="opencover"):
            cover.open_cover(timeout_s=2.0)
        assert server.order() == ["opencover", "haltcover"]

        server.members["covercalibrator/0/coverstate"] = 5
        with pytest.raises(errors.DriverFault):
            cover.open_cover()


def test_cover_without_halt_still_tells_the_first_error() -> None:
    cancel = CancelToken()
    cancel.cancel()
    members = {"coverstate": 2, "PUT opencover": lambda p: None, "PUT haltcover": status(500)}
    with linked(CoverCalibrator, members) as (_, cover), pytest.raises(Cancelled):
        cover.open_cover(cancel=cancel)


def test_states_out_of_the_book_are_unknown() -> None:
    with linked(CoverCalibrator, {"coverstate": 9, "calibratorstate": -1}) as (_, cover):
        assert cover.cover_state() is CoverState.UNKNOWN
        assert cover.calibrator_state() is CalibratorState.UNKNOWN
    with linked(CoverCalibrator, {}) as (server, cover):
        assert cover.cover_state() is CoverState.NONE
        assert cover.calibrator_state() is CalibratorState.NONE
        cover.calibrator_off()
        cover.calibrator_off()
        assert server.order() == ["calibratoroff"]
        assert "covercalibrator does not offer calibratoroff" in cover.notes


def test_focuser_moves_and_waits() -> None:
    moving = [True, True, False]
    members = {
        "absolute": True,
        "maxstep": 1000,
        "position": 400,
        "PUT move": lambda p: None,
        "ismoving": lambda p: moving.pop(0),
    }
    with linked(Focuser, members) as (server, focuser):
        focuser.move_and_wait(500)

        assert focuser.position() == 400
        assert server.sent("move")[0]["Position"] == "500"
        assert moving == []
        for wrong in (-1, 1001):
            with pytest.raises(errors.InvalidValue, match="0 to 1000"):
                focuser.move_and_wait(wrong)


def test_focuser_is_halted_when_it_takes_too_long() -> None:
    members = {
        "absolute": True,
        "PUT move": lambda p: None,
        "ismoving": True,
        "PUT halt": lambda p: None,
    }
    with linked(Focuser, members) as (server, focuser):
        with pytest.raises(errors.DeviceTimedOut):
            focuser.move_and_wait(5, timeout_s=2.0)

        assert server.order() == ["move", "halt"]


def test_relative_focuser_is_not_sent_to_a_position() -> None:
    with linked(Focuser, {"absolute": False}) as (server, focuser):
        with pytest.raises(errors.NotImplementedByDevice, match="relative"):
            focuser.move_and_wait(5)

        assert server.order() == []


@pytest.mark.parametrize(
    ("answer", "state"),
    [(0, ShutterState.OPEN), ("1", ShutterState.CLOSED), (7, None), (refuse(0x400), None)],
)
def test_shutter_is_read(answer: Any, state: ShutterState | None) -> None:
    with linked(Dome, {"shutterstatus": answer}) as (_, dome):
        assert dome.shutter_status() is state
