"""Every operation of the official device API description, tried on the simulated rig."""

from __future__ import annotations

from collections.abc import Callable, Iterator

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


def values(operation: Operation) -> dict[str, object]:
    """Parameters that the rig takes."""
    kinds = STANDARDS[operation.device].verbs[operation.method, operation.member].parameters
    return {name: SAMPLES.get(name, OF_KIND[kind]) for name, kind in kinds.items()}


def right_request(bench: RigBench, operation: Operation) -> None:
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


def wrong_case(bench: RigBench, operation: Operation) -> None:
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


def other_method(bench: RigBench, operation: Operation) -> None:
    """Unless the description has it too."""
    other = "PUT" if operation.method == "GET" else "GET"
    if (other, operation.member) in STANDARDS[operation.device].verbs:
        other = "POST"

    assert bench.request(other, operation.path, values(operation)).status_code == 400


def parameters(bench: RigBench, operation: Operation) -> None:
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


def disconnected(bench: RigBench, operation: Operation) -> None:
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


CHECKS: dict[str, Callable[[RigBench, Operation], None]] = {
    "right request": right_request,
    "wrong case": wrong_case,
    "other method": other_method,
    "parameters": parameters,
    "disconnected": disconnected,
}


def applies(name: str, operation: Operation) -> bool:
    """Whether a check says anything about an operation."""
    if name == "parameters":
        return bool(operation.parameters)
    return name != "disconnected" or operation.member not in CONNECTION


def ready(bench: RigBench) -> None:
    """Connect every device, as before each check."""
    for device in bench.running.devices:
        bench.until(lambda device=device: not device._connecting)  # type: ignore[misc]
        device.put_connected(True)


@pytest.fixture(scope="module")
def bench() -> Iterator[RigBench]:
    bench = RigBench()
    yield bench
    bench.close()


@pytest.mark.parametrize("name", CHECKS)
@pytest.mark.parametrize("device", [standard.type_name for standard in STANDARDS.values()])
def test_every_operation_keeps_to_the_description(bench: RigBench, device: str, name: str) -> None:
    """All operations of a device that fail are named, each with what was seen."""
    tried = [one for one in OPERATIONS if one.device == device and applies(name, one)]
    failed = []
    for operation in tried:
        ready(bench)
        try:
            CHECKS[name](bench, operation)
        except AssertionError as error:
            failed.append(f"{operation}: {error}")

    assert tried
    assert not failed, "\n".join(failed)


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
