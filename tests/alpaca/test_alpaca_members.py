"""Every member and parameter the client uses exists in the standard, with exactly that casing.

``alpaca_members.json`` holds the names only (path, method, parameters), taken from the Alpaca
device API description of the ASCOM Initiative (MIT licence, repository ASCOMRemote, folder
Swagger, file AlpacaDeviceAPI_v1.yaml at bf34ab38, 2026-02-23). Where that file itself is found
beside the checkout, the names are compared with it.
"""

from __future__ import annotations

import ast
import json
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ROOM = ROOT / "service" / "polewright" / "alpaca"
NAMES: dict[str, dict[str, list[str]]] = json.loads(
    (Path(__file__).with_name("alpaca_members.json")).read_text()
)
GETTERS = {"_get", "_optional", "_flag", "_quiet"}
PUTTERS = {"_put", "_put_if_offered", "_set"}
TYPES = {
    "telescope.py": "telescope",
    "motion.py": "telescope",
    "camera.py": "camera",
    "safety_monitor.py": "safetymonitor",
    "cover_calibrator.py": "covercalibrator",
    "focuser.py": "focuser",
    "observing_conditions.py": "observingconditions",
    "switch.py": "switch",
    "dome.py": "dome",
    "device.py": "common",
}


def calls(path: Path) -> list[tuple[str, str, frozenset[str]]]:
    """(method, member, Alpaca parameters) of each wire call written in a module."""
    found = []
    for node in ast.walk(ast.parse(path.read_text())):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
            continue
        if node.func.attr == "_mode":  # three members to read: names, lowest, highest
            found += [("get", ast.literal_eval(arg), frozenset()) for arg in node.args]
        if node.func.attr not in GETTERS | PUTTERS or not node.args:
            continue
        if not isinstance(node.args[0], ast.Constant):
            continue
        method = "get" if node.func.attr in GETTERS else "put"
        params = frozenset(k.arg for k in node.keywords if k.arg and k.arg[0].isupper())
        found.append((method, str(node.args[0].value), params))
    return found


@pytest.mark.parametrize("module", sorted(TYPES))
def test_members_and_parameters_are_the_standards(module: str) -> None:
    used = calls(ROOM / module)

    assert used
    for method, member, params in used:
        known = NAMES[TYPES[module]].get(
            f"{method} {member}", NAMES["common"].get(f"{method} {member}")
        )
        assert known is not None, f"{module}: no {method} {member} in the standard"
        assert params == frozenset(known), f"{module}: {method} {member} takes {known}"


def test_all_device_modules_are_looked_at() -> None:
    with_calls = {path.name for path in ROOM.glob("*.py") if calls(path)}

    assert with_calls == set(TYPES)


def names_from(description: Path) -> dict[str, dict[str, list[str]]]:
    """Reduce the API description to the names kept here."""
    yaml = pytest.importorskip("yaml")
    document = yaml.safe_load(description.read_text())

    def resolve(node: dict[str, object]) -> dict[str, object]:
        while "$ref" in node:
            found: object = document
            for part in str(node["$ref"]).split("/")[1:]:
                found = found[part]  # type: ignore[index]
            node = found  # type: ignore[assignment]
        return node

    def properties(schema: dict[str, object]) -> list[str]:
        schema = resolve(schema)
        names = list(schema.get("properties", {}))  # type: ignore[call-overload]
        for part in schema.get("allOf", []):  # type: ignore[attr-defined]
            names += properties(part)
        return names

    kept: dict[str, dict[str, list[str]]] = {}
    for path, methods in document["paths"].items():
        parts = path.strip("/").split("/")
        kind = "common" if parts[0].startswith("{") else parts[0]
        if kind not in set(TYPES.values()):
            continue
        for method, operation in methods.items():
            names = [
                str(p["name"])
                for p in map(resolve, operation.get("parameters", []))
                if p["in"] == "query"
            ]
            if "requestBody" in operation:
                content = resolve(operation["requestBody"])["content"]
                for form in content.values():  # type: ignore[attr-defined]
                    names += properties(form["schema"])
            ids = {"ClientID", "ClientTransactionID"}
            kept.setdefault(kind, {})[f"{method} {parts[2]}"] = sorted(set(names) - ids)
    return kept


def test_names_agree_with_the_description_itself() -> None:
    found = sorted(ROOT.parent.glob("*/alpaca/AlpacaDeviceAPI_v1.yaml"))
    if not found:
        pytest.skip("the API description is not here")

    assert names_from(found[0]) == NAMES
