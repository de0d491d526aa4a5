"""The folder of the journals: names and their order.

A session's number stands first in its journal's name and grows by one a session, so that their
order does not depend on the computer's clock. Files without a number are of older versions, or
put there by hand: they count as older than those with one.
"""

from __future__ import annotations

import os
import re
import secrets
from datetime import UTC, datetime
from pathlib import Path

from polewright.foundation.clock import Clock

SUFFIX = ".journal.jsonl"
MEASURED_ENDING = "-measured"
REHEARSAL_ENDING = "-rehearsal"
"""Of a session under a simulated night: it says nothing of a real axis."""
#: Names of older versions begin with a date of eight digits.
_NUMBERED = re.compile(r"([0-9]{5,7})-")


def number_of(name: str) -> int:
    """Return the number at the start of a journal's name; 0 when there is none."""
    found = _NUMBERED.match(name)
    return int(found[1]) if found else 0


def session_of(path: Path) -> str:
    """Return the session's id: the name without number and suffix."""
    return _NUMBERED.sub("", path.name.removesuffix(SUFFIX), count=1)


def is_of_rehearsal(path: Path) -> bool:
    """Whether a journal is one of a rehearsal."""
    return REHEARSAL_ENDING in path.name


def newest_first(folder: Path) -> list[Path]:
    """Return the journals of a folder; those without a number come last, by time of change.

    Raises:
        OSError: the folder cannot be read.
    """
    found = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.endswith(SUFFIX):
                    number = number_of(entry.name)
                    changed = 0 if number else entry.stat(follow_symlinks=False).st_mtime_ns
                    found.append((number, changed, entry.name))
    except FileNotFoundError:
        return []
    return [folder / name for _number, _changed, name in sorted(found, reverse=True)]


def new_path(folder: Path, clock: Clock, ending: str = "") -> Path:
    """Return a path for a new session's journal, later in the order than all that are there."""
    now = datetime.fromtimestamp(clock.utc_s(), UTC)
    session = f"{now:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}{ending}"
    return folder / f"{_next_number(folder):05d}-{session}{SUFFIX}"


def _next_number(folder: Path) -> int:
    try:
        newest = newest_first(folder)
    except OSError:
        return 1  # whoever opens the journal says what is wrong with the folder
    return 1 + (number_of(newest[0].name) if newest else 0)


def made_newest(path: Path) -> Path:
    """Give a journal that goes on the newest number, unless it has that already.

    Raises:
        OSError: it cannot be renamed.
    """
    folder = path.parent
    if newest_first(folder)[:1] == [path]:
        return path
    return path.rename(folder / f"{_next_number(folder):05d}-{session_of(path)}{SUFFIX}")
