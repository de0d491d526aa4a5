"""The session's journal: append-only JSON lines, each on the disk before the session goes on.

A power cut can tear at most the last line; reading drops a torn one. Nothing is ever rewritten.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

import platformdirs

from polewright.errors import ConfigError

SUFFIX = ".journal.jsonl"


class JournalUnusable(ConfigError):
    """A journal cannot be written or read."""

    code = "journal_unusable"
    advice = "Check the folder's permissions and free space, or set [run] journal_folder."

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return f"the session journal {self.path} is not usable: {self.reason}"


@dataclass(frozen=True)
class Record:
    """One line."""

    utc_s: float
    kind: str
    data: Mapping[str, Any]


def default_folder() -> Path:
    """Return where journals are kept when the configuration does not say."""
    return Path(platformdirs.user_state_dir("polewright")) / "sessions"


class Journal:
    """One session's journal, open for appending."""

    def __init__(self, path: Path) -> None:
        """Open or create ``path``. Raises `JournalUnusable`."""
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            _mend_torn_end(path)
            self._file: TextIO = path.open("a", encoding="utf-8")
        except OSError as exc:
            raise JournalUnusable(str(path), str(exc)) from exc

    def write(self, utc_s: float, kind: str, data: Mapping[str, Any]) -> None:
        """Append one record and wait until the disk has it. Raises `JournalUnusable`."""
        line = json.dumps({"utc_s": utc_s, "kind": kind, "data": dict(data)}, allow_nan=False)
        try:
            self._file.write(line + "\n")
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as exc:
            raise JournalUnusable(str(self.path), str(exc)) from exc

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def _mend_torn_end(path: Path) -> None:
    """Put a line end after a torn last line, so that the next record stands on its own."""
    if not path.exists() or path.stat().st_size == 0:
        return
    with path.open("rb+") as file:
        file.seek(-1, os.SEEK_END)
        if file.read(1) != b"\n":
            file.write(b"\n")


def read_journal(path: Path) -> list[Record]:
    """Return the records of a journal; lines that are not whole are left out.

    Raises:
        JournalUnusable: the file cannot be read.
    """
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError as exc:
        raise JournalUnusable(str(path), str(exc)) from exc
    return list(_records(text))


def _records(text: str) -> Iterator[Record]:
    for line in text.splitlines():
        try:
            document = json.loads(line)
            yield Record(float(document["utc_s"]), str(document["kind"]), dict(document["data"]))
        except (ValueError, KeyError, TypeError):
            continue


def latest_journal(folder: Path) -> Path | None:
    """Return the journal written to last, None when there is none."""
    try:
        journals = list(folder.glob(f"*{SUFFIX}"))
    except OSError:
        return None
    return max(journals, key=lambda item: item.stat().st_mtime, default=None)
