"""Make the table of Alpaca members that the tests of client and rig are held against.

``python tests/tools/alpaca_members.py AlpacaDeviceAPI_v1.yaml`` reads the official device API
description of the ASCOM Initiative (repository https://github.com/ASCOMInitiative/ASCOMRemote,
folder Swagger) and writes its facts, one operation a line, to
``tests/support/alpaca_members.tsv``: device type, method, member, parameters with their types,
type of the value in the answer. ``--snapshot`` says which one it was.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

TARGET = Path(__file__).resolve().parents[2] / "tests/support/alpaca_members.tsv"
#: Every request may carry these.
IDS = ("ClientID", "ClientTransactionID")


class Description:
    """The YAML document, with its references followed."""

    def __init__(self, document: dict[str, Any]) -> None:
        self.document = document

    def resolve(self, node: dict[str, Any]) -> dict[str, Any]:
        """The node itself, or what its ``$ref`` names."""
        while "$ref" in node:
            place = node["$ref"]
            node = self.document
            for step in place.split("/")[1:]:
                node = node[step]
        return node

    def kind(self, schema: dict[str, Any]) -> str:
        """A schema's type; of an array that of its items with ``[]``."""
        schema = self.resolve(schema)
        told = str(schema["type"])
        return f"{self.kind(schema['items'])}[]" if told == "array" else told

    def properties(self, schema: dict[str, Any]) -> dict[str, str]:
        """Names and types, of all parts of a schema; ``a|b`` where one of several holds."""
        schema = self.resolve(schema)
        found = {n: self.kind(node) for n, node in schema.get("properties", {}).items()}
        for part in schema.get("allOf", []):
            found |= self.properties(part)
        several = [self.properties(part) for part in schema.get("oneOf", [])]
        for name in dict.fromkeys(name for each in several for name in each):
            kinds = dict.fromkeys(each[name] for each in several if name in each)
            found[name] = "|".join(kinds)
        return found

    def content(self, holder: dict[str, Any]) -> dict[str, str]:
        """The properties of a request's form or of an answer's document."""
        forms = list(self.resolve(holder).get("content", {}).values())
        return self.properties(forms[0]["schema"]) if forms else {}

    def parameters(self, operation: dict[str, Any]) -> dict[str, str]:
        """What an operation takes, in the query or in the form."""
        nodes = [self.resolve(node) for node in operation.get("parameters", [])]
        found = {n["name"]: self.kind(n["schema"]) for n in nodes if n["in"] == "query"}
        found |= self.content(operation.get("requestBody", {}))
        return {name: kind for name, kind in found.items() if name not in IDS}

    def rows(self) -> Iterator[list[str]]:
        """One list of columns an operation, in the description's order."""
        for path, methods in self.document["paths"].items():
            device, _, member = path.strip("/").split("/")
            for method, operation in methods.items():
                parameters = self.parameters(operation)
                value = self.content(operation["responses"]["200"]).get("Value", "")
                yield [
                    "common" if device.startswith("{") else device,
                    method.upper(),
                    member,
                    " ".join(f"{name}:{kind}" for name, kind in parameters.items()),
                    value,
                ]


def main() -> None:
    """Read, write, and say how many."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("source", type=Path, help="AlpacaDeviceAPI_v1.yaml")
    parser.add_argument("--snapshot", default="not told", help="commit and date of the source")
    arguments = parser.parse_args()
    document = yaml.safe_load(arguments.source.read_text(encoding="utf-8"))
    info = document["info"]
    head = [
        f"Facts from the {info['title']} {info['version']} (OpenAPI {document['openapi']},"
        f" licence {info['license']['name']}, (c) 2025 ASCOM Initiative, Peter Simpson, Bob Denny,"
        " Daniel Van Noord),",
        "file Swagger/AlpacaDeviceAPI_v1.yaml of https://github.com/ASCOMInitiative/ASCOMRemote at"
        f" {arguments.snapshot}.",
        "Behaviour: https://ascom-standards.org/Help/Developer/html/N_ASCOM_DeviceInterface.htm",
        "Made by tests/tools/alpaca_members.py. 'common' are the members of every device type.",
    ]
    rows = [["device", "method", "member", "parameters", "value"]]
    rows += sorted(Description(document).rows())
    lines = [f"# {line}" for line in head] + ["\t".join(row) for row in rows]
    TARGET.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(f"{len(rows) - 1} operations in {TARGET}")


if __name__ == "__main__":
    main()
