"""Every member and parameter the client uses exists in the standard, with exactly that casing.

``support/alpaca_members.tsv`` holds them, from the official device API description.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from support.alpaca_members import operations

import polewright.devices.alpaca

ROOM = Path(polewright.devices.alpaca.__file__).parent
GETTERS = {"_get", "_optional", "_flag", "_quiet"}
PUTTERS = {"_put", "_put_if_offered", "_set"}
TYPES = {
    "telescope.py": "telescope",
    "slew_and_stop.py": "telescope",
    "camera_commands.py": "camera",
    "safety_monitor.py": "safetymonitor",
    "cover_calibrator.py": "covercalibrator",
    "focuser.py": "focuser",
    "observing_conditions.py": "observingconditions",
    "dome.py": "dome",
    "device.py": "",  # only what every type has
}


def calls(path: Path) -> list[tuple[str, str, frozenset[str]]]:
    """(method, member, Alpaca parameters) of each wire call written in a module."""
    found: list[tuple[str, str, frozenset[str]]] = []
    for node in ast.walk(ast.parse(path.read_text())):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
            continue
        if node.func.attr == "_mode":  # three members to read: names, lowest, highest
            found += [("GET", ast.literal_eval(arg), frozenset()) for arg in node.args]
        if node.func.attr not in GETTERS | PUTTERS or not node.args:
            continue
        if not isinstance(node.args[0], ast.Constant):
            continue
        method = "GET" if node.func.attr in GETTERS else "PUT"
        params = frozenset(k.arg for k in node.keywords if k.arg and k.arg[0].isupper())
        found.append((method, str(node.args[0].value), params))
    return found


@pytest.mark.parametrize("module", sorted(TYPES))
def test_members_and_parameters_are_the_standards(module: str) -> None:
    used = calls(ROOM / module)
    known = {(op.method, op.member): op.parameters for op in operations([TYPES[module]])}

    assert used
    for method, member, params in used:
        assert (method, member) in known, f"{module}: no {method} {member} in the standard"
        takes = known[method, member]
        assert params == frozenset(takes), f"{module}: {method} {member} takes {list(takes)}"


def test_all_device_modules_are_looked_at() -> None:
    with_calls = {path.name for path in ROOM.glob("*.py") if calls(path)}

    assert with_calls == set(TYPES)
