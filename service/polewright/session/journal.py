"""The session's journal: append-only JSON lines, each on the disk before the session goes on.

Records that nobody would miss after a power cut do not wait for the disk: a thread writes them,
in order, so that a slow card does not hold up a reading.

A power cut can tear at most the last line; reading drops a torn one. Nothing is ever rewritten.
While a program writes a journal it holds a lock on it, which ends with the program however that
ends; so a journal that came to no end and is not locked belongs to an interrupted session.
On a disk that is full or read-only records wait in memory until it takes them.
"""

from __future__ import annotations

import errno
import json
import logging
import math
import os
import stat
import threading
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import platformdirs

from polewright.foundation.errors import ConfigError, full_or_read_only, in_words
from polewright.foundation.file_lock import locked, try_lock_patiently
from polewright.foundation.language import say
from polewright.session.journal_files import MEASURED_ENDING, SUFFIX, is_of_rehearsal, newest_first

log = logging.getLogger(__name__)

#: A journal is read in pieces of so many bytes.
PIECE = 16 * 1024
#: No session's journal is longer, bytes: a night of readings comes to some 100 MB.
LONGEST = 400_000_000


class JournalUnusable(ConfigError):
    """A journal cannot be written or read."""

    code = "journal_unusable"
    advice = say("Check the folder's permissions and free space, or set [run] journal_folder.")

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return say(
            "the session journal {path} is not usable: {reason}", path=self.path, reason=self.reason
        )


class JournalInUse(ConfigError):
    """Another program writes this journal now."""

    code = "journal_in_use"
    advice = say("Watch or stop the session in the program that runs it.")

    def __init__(self, path: str) -> None:
        super().__init__(path)
        self.path = path

    def __str__(self) -> str:
        return say(
            "the session of {path} is running: another program writes its journal", path=self.path
        )


SITE_ACCEPTED = "site_accepted"
"""Record: what of the mount's site and clock contradicts ours and was accepted for the session."""


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
        """Open or create ``path``; while its disk takes nothing, `write` tries again.

        Raises:
            JournalUnusable: the path is wrong.
            JournalInUse: another program writes it.
        """
        self.path = path
        self._pending: deque[bytes] = deque()
        self._torn = False
        self._file: IO[bytes] | None = None
        self._disk = threading.Lock()
        self._wake = threading.Event()
        self._writer: threading.Thread | None = None
        self._closed = False
        self._trouble: JournalUnusable | None = None
        """What the thread met with; told at the next record."""
        try:
            self._open()
        except OSError as exc:
            if not full_or_read_only(exc):
                raise JournalUnusable(str(path), in_words(exc, told=path)) from exc

    def _open(self) -> IO[bytes]:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        file = self.path.open("ab", buffering=0)
        try:
            _lock(file, self.path)
            _mend_torn_end(self.path)
        except BaseException:
            file.close()
            raise
        self._file = file
        return file

    def write(self, utc_s: float, kind: str, data: Mapping[str, Any], *, wait: bool = True) -> None:
        """Append one record and ``wait`` until the disk has it, and all before it.

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
        if wait:
            self._trouble = None
            with self._disk:
                self._flush()
            return
        if self._writer is None or not self._writer.is_alive():
            self._writer = threading.Thread(target=self._write_on, name="journal", daemon=True)
            try:
                self._writer.start()
            except RuntimeError as exc:  # no room for another thread: the next record tries again
                self._writer = None
                raise JournalUnusable(str(self.path), str(exc)) from exc
        self._wake.set()
        trouble, self._trouble = self._trouble, None
        if trouble is not None:
            raise trouble

    def _write_on(self) -> None:
        while not self._closed:
            self._wake.wait()
            self._wake.clear()
            try:
                with self._disk:
                    if self._pending and not self._closed:
                        self._flush()
            except JournalUnusable as exc:
                self._trouble = exc

    def _flush(self) -> None:
        """Write what is pending. Raises `JournalUnusable` whatever goes wrong: nothing is lost."""
        try:
            file = self._file or self._open()
            while self._pending:
                self._append(file, self._pending[0])
                self._pending.popleft()
            os.fsync(file.fileno())
        except JournalInUse as exc:  # opened late, and somebody else was faster
            raise JournalUnusable(str(self.path), say("another program is writing it")) from exc
        except OSError as exc:
            raise JournalUnusable(str(self.path), in_words(exc, told=self.path)) from exc
        except Exception as exc:
            raise JournalUnusable(str(self.path), say("unexpected: {error!r}", error=exc)) from exc

    def _append(self, file: IO[bytes], line: bytes) -> None:
        # A line that was torn by a full disk is ended first: readers leave it out.
        whole = b"\n" + line if self._torn else line
        done = file.write(whole)
        self._torn = done != len(whole)
        if self._torn:
            raise OSError(errno.ENOSPC, say("only part of a record could be written"))

    def close(self) -> None:
        """Close the file, after a last try to write what is missing."""
        self._closed = True
        self._wake.set()
        with self._disk:
            try:
                if self._pending:
                    self._flush()
            except JournalUnusable as exc:
                log.warning("journal.incomplete records=%d: %s", len(self._pending), exc)
            finally:
                if self._file is not None:
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


def _opened(path: Path) -> IO[bytes]:
    """Open a journal to read it; never waits for a writer, as one of a queue would.

    Raises:
        JournalUnusable: there is no regular file, or none of a journal's length.
        OSError: as opening does.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    descriptor = os.open(path, flags)
    try:
        _check_plain(path, os.fstat(descriptor))
        return os.fdopen(descriptor, "rb")
    except BaseException:
        os.close(descriptor)
        raise


def _check_plain(path: Path, about: os.stat_result) -> None:
    if not stat.S_ISREG(about.st_mode):
        raise JournalUnusable(str(path), say("it is not a regular file"))
    if about.st_size > LONGEST:
        size = say(
            "it has {st_size:.0f} MB, more than any session writes",
            st_size=about.st_size / 1000000.0,
        )
        raise JournalUnusable(str(path), size)


def read_journal(path: Path) -> list[Record]:
    """Return the records of a journal; lines that are not whole are left out.

    Raises:
        JournalUnusable: the file cannot be read.
    """
    try:
        with _opened(path) as file:
            return [record for line in file if (record := record_of(line)) is not None]
    except OSError as exc:
        raise JournalUnusable(str(path), in_words(exc, told=path)) from exc


def first_record(path: Path) -> Record | None:
    """Return the first record of a journal, None when its first piece holds none.

    Raises:
        JournalUnusable: the file cannot be read.
    """
    try:
        with _opened(path) as file:
            found = (record_of(line) for line in read_at(file, 0, PIECE).split(b"\n"))
            return next((record for record in found if record is not None), None)
    except OSError as exc:
        raise JournalUnusable(str(path), in_words(exc, told=path)) from exc


def read_at(file: IO[bytes], start: int, size: int) -> bytes:
    """Return a piece of a file."""
    file.seek(start)
    return file.read(size)


def records_from_the_end(path: Path, most: int) -> Iterator[Record]:
    """Go through the last ``most`` bytes of a journal, newest record first.

    Raises:
        JournalUnusable: the file cannot be read.
    """
    try:
        with _opened(path) as file:
            start = file.seek(0, os.SEEK_END)
            least, rest = max(0, start - most), b""
            while start > least:
                piece = min(PIECE, start - least)
                start -= piece
                rest, *whole = (read_at(file, start, piece) + rest).split(b"\n")
                for line in reversed(whole):
                    record = record_of(line)
                    if record is not None:
                        yield record
            record = record_of(rest) if start == 0 else None
            if record is not None:
                yield record
    except OSError as exc:
        raise JournalUnusable(str(path), in_words(exc, told=path)) from exc


def _lock(file: IO[bytes], path: Path) -> None:
    if not try_lock_patiently(file.fileno()):
        raise JournalInUse(str(path))


def in_use(path: Path) -> bool:
    """Whether a running program writes this journal."""
    try:
        with _opened(path) as file:
            return locked(file.fileno())
    except (OSError, JournalUnusable):
        return False


def record_of(line: bytes) -> Record | None:
    """Return the record of a line, None when it is no whole one."""
    if not line.strip():
        return None
    try:
        document = json.loads(line.decode("utf-8", errors="replace"))
        utc_s = float(document["utc_s"])
        record = Record(utc_s, str(document["kind"]), dict(document["data"]))
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None
    return record if math.isfinite(utc_s) else None


def latest_journal(folder: Path, *, rehearsal: bool) -> Path | None:
    """Return the journal of the session that would be taken up, None when there is none.

    It is the newest whose session runs or has moved anything; without one, the newest that came to
    no end. So a run that was refused hides none before it, while one that moved the mount does.
    Those of lone measurements do not count: there is nothing to take up in them. Of sessions that
    were rehearsed under a simulated night and real ones only one kind is looked at.
    """
    try:
        found = newest_first(folder)
    except OSError:
        return None
    lone = f"{MEASURED_ENDING}{SUFFIX}"
    begun: Path | None = None
    for path in found:
        if is_of_rehearsal(path) is not rehearsal or path.name.endswith(lone):
            continue
        if in_use(path) or _moved_anything(path):
            return path
        newest = next(records_from_the_end(path, PIECE), None)
        if begun is None and newest is not None and newest.kind != "end":
            begun = path
    return begun


def _moved_anything(path: Path) -> bool:
    """Whether a session came to a step in which something moves; True where nobody can tell."""
    try:
        with _opened(path) as file:
            return any(
                record.data.get("step") in ("sweeping", "adjusting")
                or record.data.get("kind") == "reading_taken"  # whatever became of the step's line
                for line in file
                if (record := record_of(line)) is not None
            )
    except (OSError, JournalUnusable):
        return True


def adjusting_unfinished(folder: Path, since_utc_s: float) -> bool:
    """Whether a session followed the axis after a time without having come to its end.

    It was killed or still runs, so the history does not know of it; the axis may have been turned.

    Raises:
        JournalUnusable: a journal cannot be read.
        OSError: the folder cannot be read.
    """
    for path in newest_first(folder):
        newest = next(records_from_the_end(path, PIECE), None)
        if newest is None or newest.kind == "end" or newest.utc_s <= since_utc_s:
            continue
        if any(record.kind == "anchor" for record in read_journal(path)):
            return True
    return False
