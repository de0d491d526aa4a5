"""The journals of past sessions, summed up."""

from __future__ import annotations

from pathlib import Path

from polewright.foundation.errors import ExitCode
from polewright.interfaces.web.models import SessionItem
from polewright.session.journal import (
    JournalUnusable,
    Record,
    first_record,
    latest_journal,
    records_from_the_end,
)
from polewright.session.journal_files import newest_first, session_of

MOST = 50
#: Bytes from a journal's end within which its last step is looked for.
FAR_ENOUGH = 512 * 1024


def session_items(
    folder: Path, running_id: str | None, *, rehearsal: bool = False
) -> list[SessionItem]:
    """Return the last sessions of a folder, newest first; unreadable ones are left out.

    ``rehearsal`` says which kind of session could be taken up now.
    """
    try:
        paths = newest_first(folder)[:MOST]
        resumes = latest_journal(folder, rehearsal=rehearsal)
    except OSError:
        return []
    items = (_item(path, running_id, resumes=path == resumes) for path in paths)
    return [item for item in items if item is not None]


def _item(path: Path, running_id: str | None, *, resumes: bool) -> SessionItem | None:
    last: Record | None = None
    step = ""
    try:
        for record in records_from_the_end(path, FAR_ENOUGH):
            last = last or record
            if record.kind == "step":
                step = str(record.data.get("step"))
                break
            if record.data.get("kind") == "reading_taken":
                step = "adjusting"  # nothing else reads; that step may be thousands of lines back
                break
        first = first_record(path)
    except JournalUnusable:
        return None
    if last is None or first is None or not step:
        return None
    session_id = session_of(path)
    # Records after the last end belong to a session that was taken up again.
    ended = last.kind == "end"
    return SessionItem(
        session_id=session_id,
        started_utc_s=first.utc_s,
        last_utc_s=last.utc_s,
        last_step=step,
        outcome=_outcome(last) if ended else None,
        interrupted=resumes and not ended and session_id != running_id,
        file=path.name,
    )


def _outcome(end: Record) -> int:
    """The exit code that a journal's end tells; a file may have been damaged or written by hand."""
    told = end.data.get("outcome")
    return told if isinstance(told, int) else int(ExitCode.UNEXPECTED)
