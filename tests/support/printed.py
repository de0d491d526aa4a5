"""What a command prints with ``--json``, held against its published schema."""

from __future__ import annotations

import json
from typing import Any

import jsonschema

from polewright.interfaces.report.write_schemas import PRINTED, published


def printed(command: str, text: str) -> dict[str, Any]:
    """Return a command's document; fail where no schema of the command's, or of errors, fits."""
    document: dict[str, Any] = json.loads(text)
    failed = set(document) == {"schema_version", "ok", "error"}
    told = []
    for name in ("error",) if failed else PRINTED[command]:
        wrong = jsonschema.Draft202012Validator(published(name)).iter_errors(document)
        found = [f"{name}: {error.json_path}: {error.message}" for error in wrong]
        if not found:
            return document
        told += found
    raise AssertionError("\n".join(told))
