"""The official facts about Alpaca's members, from the table beside this file."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

TABLE = Path(__file__).with_suffix(".tsv")
TYPES: dict[str, type | tuple[type, ...]] = {
    "boolean": bool,
    "integer": int,
    "number": (int, float),
    "object": dict,
    "string": str,
}


@dataclass(frozen=True)
class Operation:
    """One method of one member of a device type."""

    device: str
    method: str
    member: str
    parameters: dict[str, str]
    """Names and types."""
    value: str
    """Type of the answer's value; empty where it has none."""

    @property
    def path(self) -> str:
        return f"{self.device}/0/{self.member}"

    def __str__(self) -> str:
        return f"{self.method} {self.device} {self.member}"


def operations(devices: Iterable[str]) -> list[Operation]:
    """All operations of some device types, with those that every type has."""
    devices = list(devices)
    with TABLE.open(encoding="utf-8", newline="") as file:
        lines = (line for line in file if not line.startswith("#"))
        rows = list(csv.DictReader(lines, delimiter="\t"))
    found = []
    for row in rows:
        parameters = dict(each.split(":") for each in row["parameters"].split())
        for device in devices if row["device"] == "common" else [row["device"]]:
            if device in devices:
                found.append(
                    Operation(device, row["method"], row["member"], parameters, row["value"])
                )
    return found


def is_of_type(value: object, kind: str) -> bool:
    """Whether a value of an answer has the type that the table tells."""
    if "|" in kind:
        return any(is_of_type(value, each) for each in kind.split("|"))
    if kind.endswith("[]"):
        return isinstance(value, list) and all(is_of_type(each, kind[:-2]) for each in value)
    return isinstance(value, TYPES[kind]) and isinstance(value, bool) == (kind == "boolean")
