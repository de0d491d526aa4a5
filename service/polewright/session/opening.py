"""Opens the journal of a new session, or of one that was interrupted."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from polewright.clock import Clock
from polewright.config import Config
from polewright.measuring.result import MeasurementResult
from polewright.session.journal import (
    MEASURED_ENDING,
    SUFFIX,
    Journal,
    default_folder,
    latest_journal,
    read_journal,
)
from polewright.session.resume import Anchor, CannotTakeUp, find_anchor


@dataclass(frozen=True)
class Opened:
    """A journal and how its session begins."""

    session_id: str
    journal: Journal
    anchor: Anchor | None = None
    resumed: bool = False
    why: str = ""
    """How an interrupted session goes on, a sentence."""


def journal_folder(config: Config) -> Path:
    """Return the folder of the journals."""
    given = config.run.journal_folder
    return default_folder() if given is None else Path(given).expanduser()


def _new_id(clock: Clock) -> str:
    now = datetime.fromtimestamp(clock.utc_s(), UTC)
    return f"{now:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"


def note_measurement(config: Config, clock: Clock, result: MeasurementResult) -> None:
    """Write down a measurement made outside a session, so that the published devices know of it.

    Raises:
        JournalUnusable: it cannot be written.
    """
    folder = journal_folder(config)
    journal = Journal(folder / f"{_new_id(clock)}{MEASURED_ENDING}{SUFFIX}")
    try:
        utc_s = clock.utc_s()
        journal.write(utc_s, "step", {"step": "sweeping", "was": "idle", "why": "a measurement"})
        journal.write(utc_s, "measured", result.model_dump(mode="json"))
        journal.write(utc_s, "step", {"step": "finished", "was": "sweeping", "why": "measured"})
        journal.write(utc_s, "end", {"outcome": 0, "step": "finished"})
    finally:
        journal.close()


def open_new(config: Config, clock: Clock) -> Opened:
    """Begin the journal of a new session. Raises `JournalUnusable`."""
    session_id = _new_id(clock)
    return Opened(session_id, Journal(journal_folder(config) / f"{session_id}{SUFFIX}"))


def open_interrupted(config: Config, path: Path | None = None) -> Opened:
    """Take up the journal ``path``, or the one written last.

    Raises:
        CannotTakeUp: there is none, or its session had come to its end.
        JournalInUse: its session is running.
        JournalUnusable: it cannot be read or written.
    """
    if path is None:
        path = latest_journal(journal_folder(config))
        if path is None:
            raise CannotTakeUp(f"there is no journal in {journal_folder(config)}")
    elif not path.is_file():
        raise CannotTakeUp(f"there is no journal {path}")
    anchor, why = find_anchor(read_journal(path))
    journal = Journal(path)
    return Opened(path.name.removesuffix(SUFFIX), journal, anchor, True, why)
