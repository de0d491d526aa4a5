"""Stars from separated values: every bad row is told of, not only the first."""

from __future__ import annotations

import csv
import gzip
import io
import math
import re
import zlib
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from polewright.foundation.errors import in_words
from polewright.foundation.language import say
from polewright.solving.catalogue.addon_table import ReadOptions, Table, interesting
from polewright.solving.errors import CatalogueRefused

#: So many of the other bad rows are named.
SHOWN_ROWS = 8
#: After so many bad fields the rest of the file is not looked at.
MANY_BAD = 1000


@dataclass(frozen=True)
class _Bad:
    """A row that cannot be read, counted from 1 without the header, and why."""

    row: int
    column: str
    reason: str


def text_table(path: Path, options: ReadOptions) -> Table:
    """Read separated values with a line of names; lines with # before it are comments.

    Raises:
        CatalogueRefused: it cannot be read, or rows are bad; says which.
    """
    opener: Any = gzip.open if path.name.lower().endswith(".gz") else open
    try:
        with (
            opener(path, "rb") as raw,
            io.TextIOWrapper(raw, encoding="utf-8-sig", newline="") as text,
        ):
            return _rows(path, text, options)
    except (OSError, UnicodeDecodeError, EOFError, zlib.error, csv.Error) as exc:
        raise CatalogueRefused(
            str(path), say("it cannot be read as text ({exc})", exc=in_words(exc))
        ) from exc


def _rows(path: Path, text: io.TextIOWrapper, options: ReadOptions) -> Table:
    head = next((line for line in text if line.strip() and not line.startswith("#")), "")
    splitter = next((s for s in (",", "\t", ";", "|") if s in head), None)
    names = [n.strip().strip('"') for n in (head.split(splitter) if splitter else head.split())]
    if len(names) < 3:
        raise CatalogueRefused(
            str(path),
            say(
                "its first line does not name three columns: {first_line!r}",
                first_line=head.strip()[:60],
            ),
            "",
            None,
            say("It holds the columns' names: ra,dec,mag and, where known, pmra,pmdec."),
        )
    if all(_is_number(name) for name in names):
        raise CatalogueRefused(
            str(path), say("its first line holds numbers where the columns' names belong"), "", 0,
            say("Put a line such as ra,dec,mag,pmra,pmdec on top."),
        )  # fmt: skip
    lower = {name.lower() for name in options.named}
    used = [i for i, n in enumerate(names) if interesting(n) or n.lower() in lower]
    values = [array("d") for _ in used]  # a list of as many numbers would be four times as big
    lines: Iterator[list[str]] = (
        csv.reader(text, delimiter=splitter) if splitter else (line.split() for line in text)
    )
    row = 0
    bad: list[_Bad] = []
    for fields in lines:
        if not fields or fields[0].startswith("#"):
            continue
        if len(bad) >= MANY_BAD:
            break
        row += 1
        if len(fields) < len(names):
            bad.append(
                _Bad(
                    row,
                    "",
                    say(
                        "{fields} values where {names} columns are named",
                        fields=len(fields),
                        names=len(names),
                    ),
                )
            )
            continue
        for column, i in zip(values, used, strict=True):
            try:
                column.append(float(fields[i]))
            except ValueError:
                column.append(math.nan)
                if not _is_blank(fields[i]):
                    bad.append(_Bad(row, names[i], _why(fields[i])))
    if bad:
        raise _refusal(path, bad, row)
    return Table(
        {names[i]: np.array(column) for i, column in zip(used, values, strict=True)},
        {},
        tuple(names),
    )


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _is_blank(text: str) -> bool:
    return text.strip().strip('"').lower() in ("", "null", "none", "--", "na", "n/a")


def _why(text: str) -> str:
    """Say what is wrong with a field that is neither empty nor a number."""
    hint = ""
    if re.fullmatch(r"\s*\d+[: ]\d+[: ][\d.]+\s*", text) or ":" in text:
        hint = say("; sexagesimal angles are not read, give decimal degrees")
    elif re.fullmatch(r"\s*[-+]?\d+,\d+\s*", text):
        hint = say("; numbers take a decimal point")
    return say("{text!r} is no number{hint}", text=text.strip()[:40], hint=hint)


def _refusal(path: Path, bad: Sequence[_Bad], rows: int) -> CatalogueRefused:
    """Tell the first bad field in full, and how many rows are bad and where."""
    first = bad[0]
    others = sorted({item.row for item in bad} - {first.row})
    reason = first.reason
    if others:
        shown = ", ".join(str(row) for row in others[:SHOWN_ROWS])
        more = ", ..." if len(others) > SHOWN_ROWS else ""
        reason += say(
            ". {others} of {rows} rows are bad; the others: {shown}{more}",
            others=len(others) + 1,
            rows=rows,
            shown=shown,
            more=more,
        )
        if len(bad) >= MANY_BAD:
            reason += say(" (the rest of the file was not looked at)")
    return CatalogueRefused(str(path), reason, first.column, first.row)
