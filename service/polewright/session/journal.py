"""The session's journal: append-only JSON lines, each on the disk before the session goes on.

A power cut can tear at most the last line; reading drops a torn one. Nothing is ever rewritten.
While a program writes a journal it holds a lock on it, which ends with the program however that
ends; so a journal that came to no end and is not locked belongs to an interrupted session.
"""

from __future__ import annotations

import errno
import json
import logging
import math
import os
import time
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs

from polewright.errors import ConfigError
from polewright.file_lock import locked, try_lock

log = logging.getLogger(__name__)

SUFFIX = ".journal.jsonl"
MEASURED_ENDING = "-measured"


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
        self._pending: deque[bytes] = deque()
        self._torn = False
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = path.open("ab", buffering=0)
            if not _lock_patiently(self._file.fileno()):
                self._file.close()
                raise JournalInUse(str(path))
            _mend_torn_end(path)
        except OSError as exc:
            raise JournalUnusable(str(path), str(exc)) from exc

    def write(self, utc_s: float, kind: str, data: Mapping[str, Any]) -> None:
        """Append one record and wait until the disk has it.

        Raises:
            JournalUnusable: the disk does not take it. The record is kept in memory and written
                together with the next one for which there is room again.
        """
        record = {"utc_s": utc_s, "kind": kind, "data": dict(data)}
        try:
            line = json.dumps(record, allow_nan=False)
        except ValueError:
            line = json.dumps(_without_nan(record), allow_nan=False)
        self._pending.append(line.encode() + b"\n")
        self._flush()

    def _flush(self) -> None:
        try:
            while self._pending:
                self._append(self._pending[0])
                self._pending.popleft()
            os.fsync(self._file.fileno())
        except OSError as exc:
            raise JournalUnusable(str(self.path), str(exc)) from exc

    def _append(self, line: bytes) -> None:
        # A line that was torn by a full disk is ended first: readers leave it out.
        whole = b"\n" + line if self._torn else line
        done = self._file.write(whole)
        self._torn = done != len(whole)
        if self._torn:
            raise OSError(errno.ENOSPC, "only a part of a record could be written")

    def close(self) -> None:
        """Close the file, after a last try to write what is missing."""
        try:
            if self._pending:
                self._flush()
        except JournalUnusable as exc:
            log.warning("journal.incomplete records=%d: %s", len(self._pending), exc)
        finally:
            self._file.close()


def _without_nan(value: Any) -> Any:
    """Return a value with None in place of numbers that JSON cannot hold."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(item) for item in value]
    return value


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


def _lock_patiently(descriptor: int) -> bool:
    """Lock, bearing with somebody who only looks whether it is locked."""
    for _ in range(5):
        if try_lock(descriptor):
            return True
        time.sleep(0.02)
    return False


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
            utc_s = float(document["utc_s"])
            record = Record(utc_s, str(document["kind"]), dict(document["data"]))
        except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
            continue
        if math.isfinite(utc_s):
            yield record


def latest_journal(folder: Path) -> Path | None:
    """Return the session's journal written to last, None when there is none.

    Those of lone measurements do not count: there is nothing to take up in them.
    """
    try:
        journals = [
            path
            for path in folder.glob(f"*{SUFFIX}")
            if not path.name.endswith(f"{MEASURED_ENDING}{SUFFIX}")
        ]
    except OSError:
        return None
    return max(journals, key=lambda item: item.stat().st_mtime, default=None)
