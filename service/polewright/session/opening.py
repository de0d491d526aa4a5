"""Opens the journal of a new session, or of one that was interrupted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from polewright.foundation.clock import Clock
from polewright.foundation.config import Config
from polewright.foundation.errors import ExitCode, PolewrightError, in_words
from polewright.foundation.language import say
from polewright.records.events import Event, SweepPlanned
from polewright.records.history.run_recorder import is_rehearsal
from polewright.records.result import MeasurementResult
from polewright.session.journal import (
    SITE_ACCEPTED,
    Journal,
    JournalInUse,
    JournalUnusable,
    default_folder,
    in_use,
    latest_journal,
    read_journal,
)
from polewright.session.journal_files import (
    MEASURED_ENDING,
    REHEARSAL_ENDING,
    is_of_rehearsal,
    made_newest,
    new_path,
    session_of,
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
    accepts_site: bool = False
    """A mount that contradicts site or clock had been accepted for this session."""

    def config(self, config: Config) -> Config:
        """Return the configuration with what was accepted when the session was begun."""
        return config.accepting_site() if self.accepts_site else config


def journal_folder(config: Config) -> Path:
    """Return the folder of the journals."""
    given = config.run.journal_folder
    return default_folder() if given is None else Path(given).expanduser()


def _rehearsal(clock: Clock) -> str:
    return REHEARSAL_ENDING if is_rehearsal(clock) else ""


class MeasurementJournal:
    """The journal of a measurement made outside a session: a context manager around all of it.

    It is there before anything moves, so that the published devices trust no older word
    meanwhile. What cannot be written is told once, and ends nothing.

    Args:
        config: of the run.
        clock: of the run.
        tell: takes a sentence.

    Raises:
        JournalUnusable: [run] journal_folder is no folder.
    """

    def __init__(self, config: Config, clock: Clock, tell: Callable[[str], None]) -> None:
        self._clock, self._tell, self._told = clock, tell, False
        self._step = "idle"
        self._outcome = ExitCode.UNEXPECTED
        ending = f"{_rehearsal(clock)}{MEASURED_ENDING}"
        self._journal = Journal(new_path(journal_folder(config), clock, ending))
        self.session_id = session_of(self._journal.path)

    def __enter__(self) -> MeasurementJournal:
        self._go("checking", "a measurement")
        return self

    def __call__(self, event: Event) -> None:
        """Hear an event of the run."""
        if isinstance(event, SweepPlanned):
            self.moves()

    def moves(self) -> None:
        """Note that the sweep begins."""
        if self._step != "sweeping":
            self._go("sweeping", "a measurement")

    def measured(self, result: MeasurementResult, outcome: ExitCode) -> None:
        """Note what the sweep came to."""
        self._write("measured", result.model_dump(mode="json"))
        self._outcome = outcome
        self._go("finished", "measured")

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        if error is not None:
            self._outcome = ExitCode.UNEXPECTED
            if isinstance(error, PolewrightError):
                self._outcome = error.exit_code
            stopped = self._outcome is ExitCode.INTERRUPTED
            self._go("stopped" if stopped else "failed", str(error))
        self._write("end", {"outcome": int(self._outcome), "step": self._step})
        self._journal.close()

    def _go(self, step: str, why: str) -> None:
        was, self._step = self._step, step
        self._write("step", {"step": step, "was": was, "why": why})

    def _write(self, kind: str, data: Mapping[str, Any]) -> None:
        try:
            self._journal.write(self._clock.utc_s(), kind, data)
        except JournalUnusable as error:
            if not self._told:
                self._told = True
                self._tell(
                    say(
                        "{error}. The measurement goes on; `polewright serve` will not "
                        "publish it as verified unless there is room before it ends. {advice}",
                        error=error,
                        advice=error.advice,
                    )
                )


def open_new(config: Config, clock: Clock) -> Opened:
    """Begin the journal of a new session.

    Raises:
        JournalUnusable: [run] journal_folder is no folder; one that is full or read-only is told
            by the journal's first record.
    """
    path = new_path(journal_folder(config), clock, _rehearsal(clock))
    return Opened(session_of(path), Journal(path))


def open_interrupted(config: Config, clock: Clock, path: Path | None = None) -> Opened:
    """Take up the journal ``path``, or the one that `latest_journal` finds.

    It gets the newest number, for it goes on after whatever was measured meanwhile. A rehearsal
    under a simulated night and a real session never take up each other's: the axis of one says
    nothing of the other's.

    Raises:
        CannotTakeUp: there is none of this kind, or its session had come to its end.
        JournalInUse: its session is running.
        JournalUnusable: it cannot be read or written.
    """
    rehearsal = is_rehearsal(clock)
    if path is None:
        path = latest_journal(journal_folder(config), rehearsal=rehearsal)
        if path is None:
            kind = "a rehearsal" if rehearsal else say("a real session")
            raise CannotTakeUp(
                say(
                    "there is no journal of {kind} that was interrupted in {config}",
                    kind=kind,
                    config=journal_folder(config),
                )
            )
    elif not path.is_file():
        raise CannotTakeUp(say("there is no journal {path}", path=path))
    elif is_of_rehearsal(path) is not rehearsal:
        theirs, ours = (
            (say("a real session"), "a rehearsal")
            if rehearsal
            else ("a rehearsal", say("a real session"))
        )
        raise CannotTakeUp(
            say(
                "{path} is the journal of {theirs}, and this is {ours}",
                path=path,
                theirs=theirs,
                ours=ours,
            )
        )
        raise CannotTakeUp(
            say(
                "{path} is the journal of {theirs}, and this is {ours}",
                path=path,
                theirs=theirs,
                ours=ours,
            )
        )
    records = read_journal(path)
    anchor, why = find_anchor(records)
    accepts_site = any(record.kind == SITE_ACCEPTED for record in records)
    if in_use(path):
        raise JournalInUse(str(path))
    try:
        path = made_newest(path)
    except OSError as exc:
        raise JournalUnusable(str(path), in_words(exc, told=path)) from exc
    return Opened(session_of(path), Journal(path), anchor, True, why, accepts_site)
