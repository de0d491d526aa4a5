"""Files that are replaced in one step."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path


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
