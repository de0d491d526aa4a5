"""Every path of the official device API description, tried on the simulated rig.

Runs where the description's YAML file lies in a folder ``alpaca`` near the checkout; elsewhere it
is skipped.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import yaml
from rig_bench import RigBench

from polewright_wire.device import WITHOUT_CONNECTION
from polewright_wire.parameters import Kind
from polewright_wire.standard import STANDARDS

CHECKOUT = Path(__file__).parents[2]
FILE = next(iter(sorted(CHECKOUT.parent.glob("*/alpaca/AlpacaDeviceAPI_v1.yaml"))), None)

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


@dataclass(frozen=True)
class Operation:
    """One method of one path in the description."""

    kind: str
    member: str
    method: str
    parameters: dict[str, str | None]

    @property
    def path(self) -> str:
        return f"{self.kind}/0/{self.member}"

    def __str__(self) -> str:
        return f"{self.method} {self.kind} {self.member}"

    def values(self) -> dict[str, object]:
        kinds = STANDARDS[self.kind].verbs[self.method, self.member].parameters
        return {name: SAMPLES.get(name, OF_KIND[kind]) for name, kind in kinds.items()}


class Description:
    """The YAML file, with its references followed."""

    def __init__(self, file: Path) -> None:
        self.document = yaml.safe_load(file.read_text(encoding="utf-8"))

    def resolve(self, node: Any) -> Any:
        while "$ref" in node:
            target: Any = self.document
            for step in node["$ref"].split("/")[1:]:
                target = target[step]
            node = target
        return node

    def properties(self, schema: Any) -> dict[str, str | None]:
        schema = self.resolve(schema)
        found: dict[str, str | None] = {}
        for part in schema.get("allOf", []):
            found.update(self.properties(part))
        for name, node in schema.get("properties", {}).items():
            found[name] = self.resolve(node).get("type")
        return found

    def parameters(self, method: str, operation: Any) -> dict[str, str | None]:
        if method == "get":
            nodes = [self.resolve(node) for node in operation.get("parameters", [])]
            all_of = {n["name"]: n["schema"].get("type") for n in nodes if n["in"] == "query"}
        else:
            body = self.resolve(operation.get("requestBody", {}))
            content = list(body.get("content", {}).values())
            all_of = self.properties(content[0]["schema"]) if content else {}
        return {n: t for n, t in all_of.items() if n not in ("ClientID", "ClientTransactionID")}

    def operations(self) -> list[Operation]:
        found = []
        for path, methods in self.document["paths"].items():
            kind, _, member = path.strip("/").split("/")
            kinds = list(STANDARDS) if kind == "{device_type}" else [kind]
            for each in kinds:
                if each not in STANDARDS:
                    continue
                for method, operation in methods.items():
                    if method in ("get", "put"):
                        parameters = self.parameters(method, operation)
                        found.append(Operation(each, member, method.upper(), parameters))
        return found


OPERATIONS = [] if FILE is None else Description(FILE).operations()

pytestmark = pytest.mark.skipif(
    FILE is None, reason="the official API description is not beside this checkout"
)
every_operation = pytest.mark.parametrize("operation", OPERATIONS, ids=str)


@pytest.fixture(scope="module")
def shared_bench() -> Iterator[RigBench]:
    bench = RigBench()
    yield bench
    bench.close()


@pytest.fixture
def bench(shared_bench: RigBench) -> RigBench:
    for device in shared_bench.running.devices:
        shared_bench.until(lambda device=device: device._connecting is None)  # type: ignore[misc]
        device.put_connected(True)
    return shared_bench


def test_the_tables_agree_with_the_description() -> None:
    """Same members, methods and parameter names; numbers and booleans where it says so."""
    kinds = {Kind.INTEGER: "integer", Kind.NUMBER: "number", Kind.BOOLEAN: "boolean"}
    described = {(op.kind, op.method, op.member): op.parameters for op in OPERATIONS}
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
            if kind is not None:
                assert kinds.get(ours[key][name], "string") == kind, (key, name)


@every_operation
def test_the_right_request_is_answered(bench: RigBench, operation: Operation) -> None:
    """HTTP 200 with the whole envelope, extra parameters ignored, ids echoed."""
    values = {**operation.values(), "ClientID": 5, "ClientTransactionID": 321, "Extra": "more"}
    answer = bench.request(operation.method, operation.path, values)
    document = answer.json()

    assert answer.status_code == 200
    assert document["ClientTransactionID"] == 321
    assert document["ServerTransactionID"] > 0
    assert isinstance(document["ErrorNumber"], int)
    assert isinstance(document["ErrorMessage"], str)
    assert bool(document["ErrorNumber"]) == bool(document["ErrorMessage"])
    assert document["ErrorNumber"] == 0 or 0x400 <= document["ErrorNumber"] <= 0xFFF
    if document["ErrorNumber"] == 0 and operation.method == "GET":
        assert document["Value"] is not None


@every_operation
def test_wrong_casing_is_refused(bench: RigBench, operation: Operation) -> None:
    """In the member or the device type: 400 with a text."""
    values = operation.values()
    for path in (
        f"{operation.kind}/0/{operation.member.title()}",
        f"{operation.kind.upper()}/0/{operation.member}",
        f"{operation.kind}/0/{operation.member}x",
        f"{operation.kind}/1/{operation.member}",
    ):
        answer = bench.request(operation.method, path, values)
        assert answer.status_code == 400, path
        assert answer.text


@every_operation
def test_the_other_method_is_refused(bench: RigBench, operation: Operation) -> None:
    """Unless the description has it too."""
    other = "PUT" if operation.method == "GET" else "GET"
    if (other, operation.member) in STANDARDS[operation.kind].verbs:
        other = "POST"

    assert bench.request(other, operation.path, operation.values()).status_code == 400


@pytest.mark.parametrize("operation", [op for op in OPERATIONS if op.parameters], ids=str)
def test_parameters_are_required_and_cased(bench: RigBench, operation: Operation) -> None:
    """Each one missing or unreadable: 400. Casing counts in a form and not in a query."""
    values = operation.values()
    kinds = STANDARDS[operation.kind].verbs[operation.method, operation.member].parameters
    for name in values:
        without = {key: value for key, value in values.items() if key != name}
        assert bench.request(operation.method, operation.path, without).status_code == 400
        swapped = {**without, name.swapcase(): values[name]}
        expected = 200 if operation.method == "GET" else 400
        answer = bench.request(operation.method, operation.path, swapped)
        assert answer.status_code == expected
        if kinds[name] is not Kind.TEXT:
            unreadable = {**values, name: "12;5"}
            answer = bench.request(operation.method, operation.path, unreadable)
            assert answer.status_code == 400


@pytest.mark.parametrize(
    "operation", [op for op in OPERATIONS if op.member not in CONNECTION], ids=str
)
def test_a_disconnected_device_says_so(bench: RigBench, operation: Operation) -> None:
    """0x407, except for what describes the device, and the safety monitor, which is not safe."""
    device = bench.running.server.devices[operation.kind, 0]
    device.put_connected(False)
    document = bench.request(operation.method, operation.path, operation.values()).json()

    if operation.member == "issafe":
        assert (document["ErrorNumber"], document["Value"]) == (0, False)
    elif operation.member.startswith(("action", "command")):
        assert document["ErrorNumber"] == 0x407
    elif operation.member in WITHOUT_CONNECTION:
        assert document["ErrorNumber"] == 0
    else:
        assert document["ErrorNumber"] == 0x407
