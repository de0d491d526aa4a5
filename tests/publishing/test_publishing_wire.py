"""The published devices on the wire: the standard's rules, and the official client library."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import alpaca.discovery
import alpaca.management
import pytest
import requests
from alpaca.exceptions import (
    InvalidValueException,
    NotImplementedException,
    ValueNotSetException,
)
from alpaca.safetymonitor import SafetyMonitor
from alpaca.switch import Switch

from polewright.foundation.clock import CancelToken
from polewright.interfaces.publishing.devices import FIGURES
from polewright.interfaces.publishing.errors import CannotPublish
from polewright.interfaces.publishing.publish import Published, identity
from polewright.interfaces.publishing.status import (
    AlignmentStatus,
    Figures,
    PassiveWord,
    Rules,
    RunState,
    StatusSource,
    Verified,
)
from polewright_wire.device import CALLER, MOST_CLIENTS

NIGHT_S = 1795210200.0
INSTALLATION = uuid.UUID("0f4d2a58-5f0a-4c7e-8b87-3a5b8e2f9a10")


class HandClock:
    """A clock that stands until it is set."""

    def __init__(self) -> None:
        self.now_s = NIGHT_S

    def utc_s(self) -> float:
        return self.now_s

    def monotonic_s(self) -> float:
        return self.now_s

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        self.now_s += seconds


class Told(StatusSource):
    """Says what the test set."""

    def __init__(self) -> None:
        self.now = AlignmentStatus(RunState.IDLE)

    def status(self) -> AlignmentStatus:
        return self.now


ALIGNED = AlignmentStatus(
    RunState.FINISHED,
    Figures(0.5, -0.3, 0.4, 0.055, NIGHT_S),
    Verified(0.6, 1.0, "true", True, NIGHT_S),
)


class Bench:
    def __init__(self) -> None:
        self.clock, self.source = HandClock(), Told()
        self.published = Published(
            self.source,
            Rules(1.0, "true", 3600.0),
            self.clock,
            INSTALLATION,
            discovery_port=0,
        )
        self.address = f"127.0.0.1:{self.published.port}"


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.published.stop()


def test_management_and_discovery_tell_of_both_devices(bench: Bench) -> None:
    """The official client finds the server and lists a safety monitor and a switch."""
    before, alpaca.discovery.port = alpaca.discovery.port, bench.published.discovery_port
    try:
        found = alpaca.discovery.search_ipv4(numquery=1, timeout=1)
    finally:
        alpaca.discovery.port = before
    devices = alpaca.management.configureddevices(bench.address)

    assert any(each.endswith(f":{bench.published.port}") for each in found)
    assert alpaca.management.apiversions(bench.address) == [1]
    assert alpaca.management.description(bench.address)["ServerName"] == "Polewright"
    assert [(d["DeviceType"], d["DeviceNumber"]) for d in devices] == [
        ("SafetyMonitor", 0),
        ("Switch", 0),
    ]
    assert len({d["UniqueID"] for d in devices}) == 2


def test_safe_turns_unsafe_by_age_alone(bench: Bench) -> None:
    """A verified axis is safe to the client until the minute it is too old."""
    monitor = SafetyMonitor(bench.address, 0)
    bench.source.now = ALIGNED
    assert not monitor.IsSafe  # not connected yet
    monitor.Connected = True

    assert monitor.IsSafe
    bench.clock.now_s = NIGHT_S + 3600.0
    assert monitor.IsSafe
    bench.clock.now_s += 1.0
    assert not monitor.IsSafe
    assert "at most 60 min" in monitor.Action("WhyUnsafe", "")
    bench.clock.now_s = NIGHT_S + 60.0
    assert monitor.IsSafe
    assert monitor.SupportedActions == ["WhyUnsafe", "PassiveAxis"]
    assert {entry["Name"]: entry["Value"] for entry in monitor.DeviceState}["IsSafe"] is True


def _asked(bench: Bench, client: int | None, member: str, connect: bool | None = None) -> Any:
    url = f"http://{bench.address}/api/v1/{member}"
    form = {} if client is None else {"ClientID": str(client)}
    if connect is None:
        return requests.get(url, params=form, timeout=300).json().get("Value")
    put = form if member.endswith("connect") else {**form, "Connected": str(connect)}
    answer = requests.put(url, data=put, timeout=300).json()
    assert answer["ErrorNumber"] == 0
    return None


@pytest.mark.parametrize("way", ["connected", "disconnect"])
def test_one_clients_disconnect_leaves_the_others_connected(bench: Bench, way: str) -> None:
    """A roof controller's safety does not end because another program was closed."""
    bench.source.now = ALIGNED
    for client in (11, 12, None):
        assert _asked(bench, client, "safetymonitor/0/issafe") is False
        _asked(bench, client, "safetymonitor/0/connected", connect=True)
        _asked(bench, client, "switch/0/connected", connect=True)
        assert _asked(bench, client, "safetymonitor/0/issafe") is True

    for kind in ("safetymonitor", "switch"):
        _asked(bench, 12, f"{kind}/0/{way}", connect=False)

    assert _asked(bench, 12, "safetymonitor/0/connected") is False
    assert _asked(bench, 12, "safetymonitor/0/issafe") is False
    assert _asked(bench, 12, "switch/0/maxswitch") is None
    for client in (11, None):
        assert _asked(bench, client, "safetymonitor/0/connected") is True
        assert _asked(bench, client, "safetymonitor/0/issafe") is True
        assert _asked(bench, client, "switch/0/maxswitch") == 9


def test_clients_that_never_disconnect_do_not_push_out_one_that_asks(bench: Bench) -> None:
    """The longest silent are forgotten: a program that asks now and then stays."""
    bench.source.now = ALIGNED
    _asked(bench, 7, "safetymonitor/0/connected", connect=True)
    monitor = bench.published.monitor
    for client in range(100, 100 + 3 * MOST_CLIENTS // 2):
        token = CALLER.set(("10.0.0.9", client))
        monitor.put_connected(True)
        CALLER.reset(token)
        if client % 500 == 0:
            assert _asked(bench, 7, "safetymonitor/0/issafe") is True

    assert _asked(bench, 7, "safetymonitor/0/issafe") is True


def test_a_name_that_is_not_ours_is_not_answered(bench: Bench) -> None:
    """A page on the internet may rebind its own name to this address: as on the page's port."""
    url = f"http://{bench.address}/api/v1/safetymonitor/0/name"

    assert requests.get(url, timeout=300).status_code == 200
    foreign = requests.get(url, headers={"Host": "evil.example"}, timeout=300)
    assert foreign.status_code == 421
    put = requests.put(
        url.replace("name", "connected"),
        data={"Connected": "True"},
        headers={"Host": "192.168.1.7:11111"},
        timeout=300,
    )
    assert put.status_code == 421  # it listens on loopback only


def test_a_session_under_way_makes_it_unsafe_at_once(bench: Bench) -> None:
    """What the source doubts is not safe, whatever was verified before."""
    monitor = SafetyMonitor(bench.address, 0)
    monitor.Connected = True
    bench.source.now = AlignmentStatus(
        RunState.ADJUSTING, ALIGNED.figures, ALIGNED.verified, "somebody turns the adjusters"
    )

    assert not monitor.IsSafe
    assert monitor.Action("whyunsafe", "") == "somebody turns the adjusters"


def test_the_switch_gives_the_figures_and_takes_none(bench: Bench) -> None:
    """Nine values in range, each read only; ids beyond are refused."""
    switch = Switch(bench.address, 0)
    switch.Connected = True
    figures = Figures(0.8, 0.5, 0.6, 0.1, NIGHT_S)
    told = PassiveWord("measured", "The axis is 0.8 arcmin off.", NIGHT_S, figures)
    bench.source.now = replace(ALIGNED, passive=told)
    bench.clock.now_s = NIGHT_S + 90.0

    assert switch.MaxSwitch == 9
    values = [switch.GetSwitchValue(number) for number in range(9)]
    assert values == [0.5, -0.3, 0.4, 0.055, 1.5, 5.0, 0.8, 0.1, 1.5]
    for number, figure in enumerate(FIGURES):
        assert switch.GetSwitchName(number) == figure.name
        assert switch.GetSwitchDescription(number)
        assert not switch.CanWrite(number)
        assert not switch.CanAsync(number)
        low, high = switch.MinSwitchValue(number), switch.MaxSwitchValue(number)
        assert low <= values[number] <= high
        assert switch.SwitchStep(number) > 0.0
        assert switch.GetSwitch(number) is (values[number] > low)
        with pytest.raises(NotImplementedException):
            switch.SetSwitchValue(number, low)
        with pytest.raises(NotImplementedException):
            switch.SetSwitch(number, True)
        with pytest.raises(NotImplementedException):
            switch.SetSwitchName(number, "mine")
        with pytest.raises(NotImplementedException):
            switch.SetAsync(number, True)
        with pytest.raises(InvalidValueException):
            switch.SetSwitchValue(number, high + 1.0)
    for number in (-1, 9):
        with pytest.raises(InvalidValueException):
            switch.GetSwitchValue(number)
        with pytest.raises(InvalidValueException):
            switch.SetSwitch(number, False)


def test_what_is_not_known_is_an_error_and_not_zero(bench: Bench) -> None:
    """Before the first sweep only the run state has a value."""
    switch = Switch(bench.address, 0)
    switch.Connected = True

    for number in range(5):
        with pytest.raises(ValueNotSetException):
            switch.GetSwitchValue(number)
    assert switch.GetSwitchValue(5) == 0.0
    assert "0 idle" in switch.GetSwitchDescription(5)


@pytest.mark.parametrize(
    ("method", "path", "data", "status", "error"),
    [
        ("GET", "safetymonitor/0/issafe", None, 200, 0),
        ("GET", "SafetyMonitor/0/issafe", None, 400, None),
        ("GET", "safetymonitor/0/IsSafe", None, 400, None),
        ("GET", "safetymonitor/1/issafe", None, 400, None),
        ("PUT", "safetymonitor/0/issafe", {}, 400, None),
        ("GET", "switch/0/maxswitch", None, 200, 0x407),
        ("GET", "switch/0/getswitchvalue", None, 400, None),
        ("GET", "switch/0/getswitchvalue?iD=0", None, 200, 0x407),
        ("GET", "switch/0/getswitchvalue?Id=zero", None, 400, None),
        ("PUT", "switch/0/setswitchvalue", {"id": "0", "Value": "1"}, 400, None),
        ("PUT", "switch/0/setswitchvalue", {"Id": "0", "Value": "1"}, 200, 0x407),
        ("PUT", "switch/0/connected", {"Connected": "perhaps"}, 400, None),
        ("PUT", "safetymonitor/0/action", {"Action": "WhyUnsafe", "Parameters": ""}, 200, 0x407),
    ],
)
def test_requests_are_judged_strictly(
    bench: Bench, method: str, path: str, data: dict | None, status: int, error: int | None
) -> None:
    """Casing, numbers, methods and the connection are checked as the standard says."""
    answer = requests.request(
        method, f"http://{bench.address}/api/v1/{path}", data=data, timeout=300
    )

    assert answer.status_code == status
    if error is not None:
        assert answer.json()["ErrorNumber"] == error


def test_the_identity_stays_over_restarts(tmp_path: Path) -> None:
    """Made once, kept beside the journals; an unreadable one is replaced."""
    first = identity(tmp_path / "sessions")

    assert identity(tmp_path / "sessions") == first
    (tmp_path / "sessions" / "alpaca-identity.txt").write_text("?")
    assert identity(tmp_path / "sessions") != first


def test_a_taken_port_is_told_plainly(bench: Bench) -> None:
    """Two programs cannot publish on one port; the second says so."""
    with pytest.raises(CannotPublish, match=f":{bench.published.port}"):
        Published(
            bench.source,
            Rules(1.0, "true", 3600.0),
            bench.clock,
            INSTALLATION,
            port=bench.published.port,
        )
