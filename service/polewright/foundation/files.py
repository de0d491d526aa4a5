"""Files that are replaced in one step, and whether a folder takes any."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from polewright.foundation.errors import in_words
from polewright.foundation.language import say

#: A folder with less room than this counts as full, bytes (own choice: a sweep's records).
LEAST_FREE = 100_000


def write_whole(path: Path, *parts: bytes | bytearray) -> None:
    """Replace a file: a crash or a full disk leaves the old one or the new one, never a half.

    A link stays a link, and a file that was there keeps its rights.

    Raises:
        OSError: it cannot be written; what was there is untouched.
    """
    target = path.resolve()
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".part")
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            for data in parts:
                file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(target.stat().st_mode & 0o777 if target.exists() else 0o644)
        part.replace(target)
    finally:  # also when interrupted from the keyboard
        with contextlib.suppress(OSError):
            part.unlink()


def folder_trouble(folder: Path, what: str) -> str:
    """Say why nothing can be written into a folder; empty when nothing is known against it.

    Rights are judged for the folder's owner only: who may just read it is no writer.

    Args:
        folder: the folder; one that does not exist has no trouble.
        what: how to call it, such as "journal folder".
    """
    if not hasattr(os, "statvfs"):  # Windows
        return ""
    name = say("the {kind} {folder}", kind=what, folder=folder)
    try:
        if folder.stat().st_uid == os.geteuid() and not os.access(folder, os.W_OK):
            return say("{name} is read-only", name=name)
        room = os.statvfs(folder)
    except FileNotFoundError:
        return ""
    except OSError as exc:
        return say("{name} cannot be looked at: {exc}", name=name, exc=in_words(exc))
    if room.f_flag & getattr(os, "ST_RDONLY", 0):
        return say("{name} is read-only", name=name)
    free = room.f_bavail * room.f_frsize
    if free < LEAST_FREE:
        return say("{name} is full ({free_kb:.0f} kB are free)", name=name, free_kb=free / 1024)
    if room.f_files and not room.f_favail:
        return say("{name} is full (no further file can be made)", name=name)
    return ""
