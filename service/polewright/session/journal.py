"""The session's journal: append-only JSON lines, each on the disk before the session goes on.

A power cut can tear at most the last line; reading drops a torn one. Nothing is ever rewritten.
While a program writes a journal it holds a lock on it, which ends with the program however that
ends; so a journal that came to no end and is not locked belongs to an interrupted session.
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
from polewright.session.file_lock import locked, try_lock

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


class JournalInUse(ConfigError):
    """Another program writes this journal now."""

    code = "journal_in_use"
    advice = "Watch or stop the session in the program that runs it."

    def __init__(self, path: str) -> None:
        super().__init__(path)
        self.path = path

    def __str__(self) -> str:
        return f"the session of {self.path} is running: another program writes its journal"


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
        """Open or create ``path``. Raises `JournalUnusable` or `JournalInUse`."""
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file: TextIO = path.open("a", encoding="utf-8")
            if not try_lock(self._file.fileno()):
                self._file.close()
                raise JournalInUse(str(path))
            _mend_torn_end(path)
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


def in_use(path: Path) -> bool:
    """Whether a running program writes this journal."""
    try:
        with path.open("r+b") as file:
            return locked(file.fileno())
    except OSError:
        return False


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
