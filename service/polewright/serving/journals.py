"""The journals of past sessions, summed up."""

from __future__ import annotations

import math
from pathlib import Path

from polewright.errors import ExitCode
from polewright.serving.models import SessionItem
from polewright.session.journal import SUFFIX, JournalUnusable, Record, read_journal

MOST = 50


def session_items(folder: Path, running_id: str | None) -> list[SessionItem]:
    """Return the last sessions of a folder, newest first; unreadable ones are left out."""

    def changed_s(path: Path) -> float:
        try:
            return path.stat().st_mtime
        except OSError:
            return -math.inf

    paths = sorted(folder.glob(f"*{SUFFIX}"), key=changed_s, reverse=True)
    items = []
    for path in paths[:MOST]:
        item = _item(path, running_id)
        if item is not None:
            items.append(item)
    return items


def _item(path: Path, running_id: str | None) -> SessionItem | None:
    try:
        records = read_journal(path)
    except JournalUnusable:
        return None
    steps = [str(record.data.get("step")) for record in records if record.kind == "step"]
    if not steps:
        return None
    ends = [record for record in records if record.kind == "end"]
    session_id = path.name.removesuffix(SUFFIX)
    # Records after the last end belong to a session that was taken up again.
    ended = bool(ends) and records[-1] is ends[-1]
    return SessionItem(
        session_id=session_id,
        started_utc_s=records[0].utc_s,
        last_utc_s=records[-1].utc_s,
        last_step=steps[-1],
        outcome=_outcome(ends[-1]) if ended else None,
        interrupted=not ended and session_id != running_id,
        file=path.name,
    )


def _outcome(end: Record) -> int:
    """The exit code that a journal's end tells; a file may have been damaged or written by hand."""
    told = end.data.get("outcome")
    return told if isinstance(told, int) else int(ExitCode.UNEXPECTED)
