"""Runs out of a history and into another: JSON lines whole, tables for other programs."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import IO, Any

from pydantic import ValidationError

from polewright.foundation.errors import in_words
from polewright.foundation.language import say
from polewright.records.history.errors import ExtraMissing, ImportUnreadable
from polewright.records.history.run_record import RunRecord
from polewright.records.history.store import History

FORMATS = ("jsonl", "csv", "json", "parquet")


@dataclass(frozen=True)
class Imported:
    """What an import came to."""

    added: int
    known: int
    differing: tuple[str, ...]
    """Ids that are here with another content; ours was kept."""


def write_jsonl(records: Iterable[RunRecord], file: IO[str]) -> int:
    """Write whole runs, one a line; return how many."""
    count = 0
    for record in records:
        file.write(record.model_dump_json() + "\n")
        count += 1
    return count


def write_csv(rows: Sequence[Mapping[str, Any]], file: IO[str]) -> None:
    """Write measurements as a table with a heading (RFC 4180)."""
    writer = csv.DictWriter(file, list(rows[0]) if rows else ["run_id"])
    writer.writeheader()
    writer.writerows(rows)


def write_json(rows: Sequence[Mapping[str, Any]], file: IO[str]) -> None:
    """Write measurements as one document."""
    json.dump({"schema_version": "1", "measurements": list(rows)}, file, indent=1)
    file.write("\n")


def write_parquet(rows: Sequence[Mapping[str, Any]], path: Path) -> None:
    """Write measurements as a Parquet file.

    Raises:
        ExtraMissing: pyarrow is not installed.
    """
    try:
        pyarrow = import_module("pyarrow")
        parquet = import_module("pyarrow.parquet")
    except ModuleNotFoundError as exc:
        raise ExtraMissing("Parquet", "pyarrow", "parquet") from exc
    table = pyarrow.Table.from_pylist([dict(row) for row in rows])
    parquet.write_table(table, str(path))


def read_jsonl(path: Path) -> list[RunRecord]:
    """Read what `write_jsonl` wrote.

    Raises:
        ImportUnreadable: the file cannot be read, or a line is no run; nothing is imported then.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as exc:
        raise ImportUnreadable(str(path), 0, in_words(exc)) from exc
    found = []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            found.append(RunRecord.model_validate_json(line))
        except ValidationError as exc:
            first = exc.errors()[0]
            where = ".".join(str(part) for part in first["loc"]) or say("the line")
            raise ImportUnreadable(str(path), number, f"{where}: {first['msg']}") from exc
    return found


def import_runs(records: Iterable[RunRecord], history: History) -> Imported:
    """Add runs that are not there yet. Doing it again changes nothing."""
    added, known = 0, 0
    differing = []
    for record in records:
        if history.add(record):
            added += 1
        elif history.get(record.run_id) == record:
            known += 1
        else:
            differing.append(record.run_id)
    return Imported(added, known, tuple(differing))
