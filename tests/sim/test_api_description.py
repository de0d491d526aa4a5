"""Every operation of the official device API description, tried on the simulated rig."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from sim.rig_bench import RigBench
from support.alpaca_members import Operation, is_of_type, operations

from polewright_wire.device import WITHOUT_CONNECTION
from polewright_wire.parameters import Kind
from polewright_wire.standard import STANDARDS

SAMPLES: dict[str, object] = {
    "RightAscension": 3.5,
    "Declination": 20.0,
    "Altitude": 45.0,
    "Azimuth": 100.0,
    "Axis": 0,
    "Rate": 0.0,
    "Id": 0,
    "State": "True",
    "Value": 1.0,
    "Duration": 1,
    "Direction": 0,
    "Light": "True",
    "UTCDate": "2026-09-20T12:00:00.0Z",
    "Action": "x",
    "Parameters": "",
    "Command": "x",
    "Raw": "False",
    "Name": "a name",
}
OF_KIND: dict[Kind, object] = {
    Kind.INTEGER: 1,
    Kind.NUMBER: 0.002,
    Kind.BOOLEAN: "True",
    Kind.TEXT: "x",
}
CONNECTION = ("connect", "connected", "connecting", "disconnect")


OPERATIONS = operations(STANDARDS)
every_operation = pytest.mark.parametrize("operation", OPERATIONS, ids=str)


def values(operation: Operation) -> dict[str, object]:
    """Parameters that the rig takes."""
    kinds = STANDARDS[operation.device].verbs[operation.method, operation.member].parameters
    return {name: SAMPLES.get(name, OF_KIND[kind]) for name, kind in kinds.items()}


@pytest.fixture(scope="module")
def shared_bench() -> Iterator[RigBench]:
    bench = RigBench()
    yield bench
    bench.close()


@pytest.fixture
def bench(shared_bench: RigBench) -> RigBench:
    for device in shared_bench.running.devices:
        shared_bench.until(lambda device=device: not device._connecting)  # type: ignore[misc]
        device.put_connected(True)
    return shared_bench


def test_the_tables_agree_with_the_description() -> None:
    """Same members, methods and parameter names; numbers and booleans where it says so."""
    kinds = {Kind.INTEGER: "integer", Kind.NUMBER: "number", Kind.BOOLEAN: "boolean"}
    described = {(op.device, op.method, op.member): op.parameters for op in OPERATIONS}
    ours = {
        (standard.type_name, method, member): dict(verb.parameters)
        for standard in STANDARDS.values()
        for (method, member), verb in standard.verbs.items()
    }
    extra = {key for key in ours if key not in described}

    assert set(described) - set(ours) == set()
    assert extra == {("switch", "PUT", "cancelasync")}  # in the interface, not in the description
    for key, parameters in described.items():
        assert set(parameters) == set(ours[key]), key
        for name, kind in parameters.items():
            assert kinds.get(ours[key][name], "string") == kind, (key, name)


@every_operation
def test_the_right_request_is_answered(bench: RigBench, operation: Operation) -> None:
    """HTTP 200 with the whole envelope and the type told, extra parameters ignored, ids echoed."""
    given = {**values(operation), "ClientID": 5, "ClientTransactionID": 321, "Extra": "more"}
    answer = bench.request(operation.method, operation.path, given)
    document = answer.json()

    assert answer.status_code == 200
    assert document["ClientTransactionID"] == 321
    assert document["ServerTransactionID"] > 0
    assert isinstance(document["ErrorNumber"], int)
    assert isinstance(document["ErrorMessage"], str)
    assert bool(document["ErrorNumber"]) == bool(document["ErrorMessage"])
    assert document["ErrorNumber"] == 0 or 0x400 <= document["ErrorNumber"] <= 0xFFF
    if document["ErrorNumber"] == 0 and operation.method == "GET":
        assert is_of_type(document["Value"], operation.value)


@every_operation
def test_wrong_casing_is_refused(bench: RigBench, operation: Operation) -> None:
    """In the member or the device type: 400 with a text."""
    given = values(operation)
    for path in (
        f"{operation.device}/0/{operation.member.title()}",
        f"{operation.device.upper()}/0/{operation.member}",
        f"{operation.device}/0/{operation.member}x",
        f"{operation.device}/1/{operation.member}",
    ):
        answer = bench.request(operation.method, path, given)
        assert answer.status_code == 400, path
        assert answer.text


@every_operation
def test_the_other_method_is_refused(bench: RigBench, operation: Operation) -> None:
    """Unless the description has it too."""
    other = "PUT" if operation.method == "GET" else "GET"
    if (other, operation.member) in STANDARDS[operation.device].verbs:
        other = "POST"

    assert bench.request(other, operation.path, values(operation)).status_code == 400


@pytest.mark.parametrize("operation", [op for op in OPERATIONS if op.parameters], ids=str)
def test_parameters_are_required_and_cased(bench: RigBench, operation: Operation) -> None:
    """Each one missing or unreadable: 400. Casing counts in a form and not in a query."""
    given = values(operation)
    kinds = STANDARDS[operation.device].verbs[operation.method, operation.member].parameters
    for name in given:
        without = {key: value for key, value in given.items() if key != name}
        assert bench.request(operation.method, operation.path, without).status_code == 400
        swapped = {**without, name.swapcase(): given[name]}
        expected = 200 if operation.method == "GET" else 400
        answer = bench.request(operation.method, operation.path, swapped)
        assert answer.status_code == expected
        if kinds[name] is not Kind.TEXT:
            unreadable = {**given, name: "12;5"}
            answer = bench.request(operation.method, operation.path, unreadable)
            assert answer.status_code == 400


@pytest.mark.parametrize(
    "operation", [op for op in OPERATIONS if op.member not in CONNECTION], ids=str
)
def test_a_disconnected_device_says_so(bench: RigBench, operation: Operation) -> None:
    """0x407, except for what describes the device, and the safety monitor, which is not safe."""
    device = bench.running.server.devices[operation.device, 0]
    device.put_connected(False)
    document = bench.request(operation.method, operation.path, values(operation)).json()

    if operation.member == "issafe":
        assert (document["ErrorNumber"], document["Value"]) == (0, False)
    elif operation.member.startswith(("action", "command")):
        assert document["ErrorNumber"] == 0x407
    elif operation.member in WITHOUT_CONNECTION:
        assert document["ErrorNumber"] == 0
    else:
        assert document["ErrorNumber"] == 0x407
