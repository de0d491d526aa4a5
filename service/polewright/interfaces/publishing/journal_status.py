"""The status as the session journals tell it, so that it outlives every program.

Journals count in the order of their numbers, records in the order in which they were written: the
computer's clock has no say, for it may have been wrong. Each journal is read from its end, as far
as needed, so that a long session costs what a short one does.
"""

from __future__ import annotations

import contextlib
import logging
import math
import threading
from collections.abc import Iterable
from dataclasses import astuple, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from polewright.foundation.errors import in_words
from polewright.foundation.files import folder_trouble
from polewright.foundation.language import say
from polewright.interfaces.publishing.passive_word import read_word
from polewright.interfaces.publishing.status import (
    CLOCK_SET_BACK,
    FUTURE_S,
    AlignmentStatus,
    Figures,
    RunState,
    Verified,
)
from polewright.records.result import MeasurementResult
from polewright.session.journal import JournalUnusable, Record, in_use, records_from_the_end
from polewright.session.journal_files import is_of_rehearsal, newest_first, number_of

log = logging.getLogger(__name__)

#: Journals looked at, newest first.
MOST = 30
#: Bytes looked at from the end of each. Between two records that matter lie some hundred bytes
#: an event; a measurement's own comes to some ten thousand.
FAR_ENOUGH = 512 * 1024
#: Whoever asks waits so long at most, s.
ANSWER_S = 2.0
READER = "journal reader"
UNCONFIRMED = say(
    "a session has moved the mount or its adjusters since and has not confirmed the axis"
)
UNDER_WAY = say("a session is under way")
INTERRUPTED = say("a session was interrupted, and what it did is not recorded to its end")
NOTHING_RECORDED = say("the session has recorded nothing")
#: Steps after which what was verified before must be verified again.
DOUBTFUL_STEPS = frozenset({"sweeping", "adjusting"})
FINISHED = "finished"


class _Broken(Exception):
    """What a journal holds makes no sense; says why."""


@dataclass(frozen=True)
class Standing:
    """What one session left known."""

    step: str | None = None
    """The last one."""
    ended: bool = False
    """Whether its last record says that it came to its end."""
    complete: bool = False
    """Whether nothing that moves anything follows upon its last record."""
    figures: Figures | None = None
    verified: Verified | None = None
    doubtful: bool = False
    """Whether it moved something and did not measure after that."""
    last_utc_s: float = -math.inf
    """Of its last record."""
    broken: str = ""

    @property
    def decides(self) -> bool:
        """Whether sessions before it say nothing of the axis any more."""
        return self.doubtful or self.verified is not None or bool(self.broken)


def _figures(*values: Any) -> Figures:
    """Return figures that any wire can carry.

    Raises:
        ValueError, TypeError, OverflowError: not all are finite numbers.
    """
    figures = Figures(*(float(value) for value in values))
    if not all(map(math.isfinite, astuple(figures))):
        raise ValueError("not all figures are finite")
    return figures


def _measured(record: Record) -> tuple[Figures, Verified]:
    try:
        result = MeasurementResult.model_validate(record.data)
        utc_s = datetime.fromisoformat(result.finished_utc).timestamp()
        axis = result.axis
        figures = _figures(
            axis.total_arcmin,
            axis.d_alt_arcmin,
            axis.d_az_sky_arcmin,
            axis.sigma_total_arcmin,
            utc_s,
        )
    except (ValidationError, ValueError, OverflowError, OSError) as exc:
        raise _Broken(say("a measurement in it is not understood")) from exc
    return figures, Verified(
        axis.total_upper95_arcmin, result.tolerance_arcmin, axis.pole, axis.trusted, utc_s
    )


def _reading(record: Record) -> Figures | None:
    """Return the figures of a live reading, None while the axis moves."""
    data = record.data
    state = data.get("state")
    if not isinstance(state, str):
        raise _Broken(say("a reading in it is not understood"))
    if state not in ("settled", "bumped"):
        return None
    try:
        return _figures(
            data["total_arcmin"],
            data["d_alt_arcmin"],
            data["d_az_sky_arcmin"],
            max(float(data["sigma_alt_arcmin"]), float(data["sigma_az_sky_arcmin"])),
            data["utc_s"],
        )
    except (KeyError, TypeError, ValueError, OverflowError) as exc:
        raise _Broken(say("a reading in it is not understood")) from exc


def _add(standing: Standing, record: Record) -> Standing:
    """Take what one record, older than all before, adds."""
    kind, data = record.kind, record.data
    step, figures, verified = standing.step, standing.figures, standing.verified
    doubtful = standing.doubtful
    if kind == "step":
        told = data.get("step")
        if not isinstance(told, str):
            raise _Broken(say("the step {told!r} in it is not understood", told=told)[:200])
        step = step or told
        doubtful = doubtful or (verified is None and told in DOUBTFUL_STEPS)
    elif kind == "event" and data.get("kind") == "reading_taken":
        step = step or "adjusting"
        doubtful = doubtful or verified is None
        figures = figures or _reading(record)
    elif kind == "measured":
        measured, outcome = _measured(record)
        figures = figures or measured
        verified = verified if doubtful or verified is not None else outcome
    return replace(standing, step=step, figures=figures, verified=verified, doubtful=doubtful)


def _moves(record: Record) -> bool:
    """Whether the mount or its adjusters are moved from this record on."""
    if record.kind == "step":
        return record.data.get("step") in DOUBTFUL_STEPS
    return record.kind == "event" and record.data.get("kind") == "reading_taken"


def standing_of(newest_first_records: Iterable[Record]) -> Standing:
    """Return what a session left known, from its records, the last one first."""
    found: Standing | None = None
    try:
        for record in newest_first_records:
            matters = record.kind in ("step", "measured", "end") or (
                record.kind == "event" and record.data.get("kind") == "reading_taken"
            )
            if not matters:
                continue
            if found is None:
                ended = record.kind == "end"
                complete = ended or record.kind == "measured" or record.data.get("step") == FINISHED
                found = Standing(ended=ended, complete=complete, last_utc_s=record.utc_s)
            found = _add(found, record)
            if found.step and found.figures and (found.doubtful or found.verified):
                break
    except (_Broken, JournalUnusable, TypeError) as exc:
        reason = exc.reason if isinstance(exc, JournalUnusable) else str(exc)
        return Standing(broken=reason or type(exc).__name__)
    return Standing(broken=NOTHING_RECORDED) if found is None else found


def _run_state(standing: Standing, *, alive: bool) -> RunState:
    if standing.broken or standing.step is None:
        return RunState.UNKNOWN
    if not alive and not standing.ended:
        return RunState.INTERRUPTED
    return RunState.__members__.get(standing.step.upper(), RunState.UNKNOWN)


def _doubt(path: Path, standing: Standing, *, alive: bool, decided: bool) -> str:
    """Say what a session has against the axis; ``decided``: a later one has measured it."""
    if standing.broken:
        cure = say("measure again") if number_of(path.name) else say("take that file away")
        return say(
            "the journal {path} cannot be relied on ({broken}): {cure}",
            path=path.name,
            broken=standing.broken,
            cure=cure,
        )
    if standing.doubtful and (alive or not decided):
        return UNCONFIRMED
    if alive:
        return UNDER_WAY
    return "" if standing.complete or decided else INTERRUPTED


class JournalStatus:
    """Reads the end of the journals in a folder. Thread-safe.

    Args:
        folder: the folder.
        rehearsals: whether to look at rehearsals only, or at real nights only; None: at all.
    """

    def __init__(self, folder: Path, *, rehearsals: bool | None = None) -> None:
        self._folder, self._rehearsals = folder, rehearsals
        self._lock = threading.Lock()
        self._reader: threading.Thread | None = None

    def status(self) -> AlignmentStatus:
        """Return what the journals tell now; what cannot be read makes everything doubtful.

        A disk may hang without an error: whoever asks is answered after `ANSWER_S` all the same,
        and at once while that reader still hangs. What it reads in the end is not used.
        """
        found: list[AlignmentStatus] = []
        with self._lock:
            if self._reader is None or not self._reader.is_alive():
                self._reader = threading.Thread(
                    target=self._read, args=(found,), name=READER, daemon=True
                )
                self._reader.start()
                self._reader.join(ANSWER_S)
        if found:
            return found[0]
        why = say(
            "the journals in {folder} have not been read: the disk does not answer",
            folder=self._folder,
        )
        return AlignmentStatus(RunState.UNKNOWN, doubt=why)

    def last_sweep(self) -> tuple[Verified, float] | None:
        """Return what the last sweep came to, whether it still holds or not, and since when not.

        The second is the time of the first record after it of something that moved mount or
        adjusters, Unix seconds; infinite where there is none. None where no sweep is found.
        """
        since_s = math.inf
        with contextlib.suppress(OSError, JournalUnusable, _Broken):
            for path in self._journals():
                for record in records_from_the_end(path, FAR_ENOUGH):
                    if record.kind == "measured":
                        return _measured(record)[1], since_s
                    if _moves(record):
                        since_s = record.utc_s
        return None

    def _read(self, found: list[AlignmentStatus]) -> None:
        try:
            found.append(self._status())
        except Exception as exc:
            log.exception("publish.journals_unreadable folder=%s", self._folder)
            reason = in_words(exc, told=self._folder)
            why = say(
                "the journals in {folder} cannot be read: {reason}",
                folder=self._folder,
                reason=reason,
            )
            found.append(AlignmentStatus(RunState.UNKNOWN, doubt=why))

    def _journals(self) -> list[Path]:
        """Return those that count, newest first."""
        found = newest_first(self._folder)
        if self._rehearsals is not None:
            found = [path for path in found if is_of_rehearsal(path) is self._rehearsals]
        return found[:MOST]

    def _status(self) -> AlignmentStatus:
        passive = read_word(self._folder, rehearsal=bool(self._rehearsals))
        status = AlignmentStatus(RunState.IDLE, passive=passive)
        deciding: int | None = None
        earliest_since_s = math.inf
        running = False
        for place, path in enumerate(self._journals()):
            alive, number = in_use(path), number_of(path.name)
            # Two that began at the same moment have the same number, and count both.
            decided = deciding is not None and (number < deciding or not number)
            # What a later session has measured afresh counts no more, unless its own session
            # still runs, or nobody knows that it was earlier.
            if decided and not alive and number:
                continue
            standing = standing_of(records_from_the_end(path, FAR_ENOUGH))
            alive = alive and not standing.ended
            doubt = _doubt(path, standing, alive=alive, decided=decided)
            # A run that was refused beside one that goes on is newer, and not what runs.
            tells = place == 0 or (
                alive and not running and status.run_state is not RunState.UNKNOWN
            )
            running = running or alive
            status = replace(
                status,
                run_state=_run_state(standing, alive=alive) if tells else status.run_state,
                figures=status.figures or standing.figures,
                doubt=status.doubt or doubt,
            )
            if standing.broken:
                status = replace(status, run_state=RunState.UNKNOWN)
            if deciding is not None:
                continue
            if (
                standing.verified is not None
                and earliest_since_s < standing.verified.utc_s - FUTURE_S
            ):
                status = replace(status, doubt=status.doubt or CLOCK_SET_BACK)
            status = replace(status, verified=standing.verified)
            deciding = number if standing.decides else None
            earliest_since_s = min(earliest_since_s, standing.last_utc_s)
        if status.verified is not None and not status.doubt:
            trouble = folder_trouble(self._folder, "journal folder")
            if trouble:
                status = replace(
                    status,
                    doubt=say("{trouble}: a run cannot record what it does", trouble=trouble),
                )
        return status
