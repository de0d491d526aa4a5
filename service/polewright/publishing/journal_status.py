"""The status as the session journals tell it, so that it outlives every program."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from polewright.measuring.result import MeasurementResult
from polewright.publishing.status import AlignmentStatus, Figures, RunState, Verified
from polewright.session.journal import SUFFIX, JournalUnusable, Record, in_use, read_journal

#: Journals looked at, newest first.
MOST = 30
UNCONFIRMED = "a session has moved the mount or its adjusters since and has not confirmed the axis"
UNREADABLE = "a session journal cannot be read"
#: Steps after which what was verified before must be verified again.
DOUBTFUL_STEPS = frozenset({"sweeping", "adjusting"})


def _matters(record: Record) -> bool:
    if record.kind == "event":
        return record.data.get("kind") == "reading_taken" and record.data.get("state") in (
            "settled",
            "bumped",
        )
    return record.kind in ("step", "measured", "end")


def _measured(status: AlignmentStatus, data: Any) -> AlignmentStatus:
    try:
        result = MeasurementResult.model_validate(data)
        utc_s = datetime.fromisoformat(result.finished_utc).timestamp()
    except (ValidationError, ValueError):
        return replace(status, verified=None, figures=None, doubt=UNREADABLE)
    axis = result.axis
    return replace(
        status,
        doubt="",
        figures=Figures(
            axis.total_arcmin,
            axis.d_alt_arcmin,
            axis.d_az_sky_arcmin,
            axis.sigma_total_arcmin,
            utc_s,
        ),
        verified=Verified(
            axis.total_upper95_arcmin, result.tolerance_arcmin, axis.pole, axis.trusted, utc_s
        ),
    )


def _reading(status: AlignmentStatus, record: Record) -> AlignmentStatus:
    data = record.data
    try:
        figures = Figures(
            float(data["total_arcmin"]),
            float(data["d_alt_arcmin"]),
            float(data["d_az_sky_arcmin"]),
            max(float(data["sigma_alt_arcmin"]), float(data["sigma_az_sky_arcmin"])),
            float(data["utc_s"]),
        )
    except (KeyError, TypeError, ValueError):
        return replace(status, figures=None, doubt=UNREADABLE)
    return replace(status, figures=figures, doubt=UNCONFIRMED)


def fold(records: Iterable[Record]) -> AlignmentStatus:
    """Go through records, oldest first, and return what they leave known."""
    status = AlignmentStatus(RunState.IDLE)
    for record in records:
        if record.kind == "measured":
            status = _measured(status, record.data)
        elif record.kind == "event":
            status = _reading(status, record)
        elif record.kind == "step" and record.data.get("step") in DOUBTFUL_STEPS:
            status = replace(status, doubt=UNCONFIRMED)
    return status


def run_state(records: Sequence[Record], *, alive: bool) -> RunState:
    """Return what the session of these records is doing; ``alive``: its program runs."""
    steps = [record.data.get("step") for record in records if record.kind == "step"]
    if not steps:
        return RunState.UNKNOWN
    if not alive and records[-1].kind != "end":
        return RunState.INTERRUPTED
    return RunState.__members__.get(str(steps[-1]).upper(), RunState.UNKNOWN)


class JournalStatus:
    """Reads a folder of journals whenever one has changed. Thread-safe."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._read: dict[Path, tuple[tuple[int, int], tuple[Record, ...]]] = {}

    def status(self) -> AlignmentStatus:
        """Return what the journals tell now; an unreadable one makes everything doubtful."""
        try:
            with self._lock:
                return self._status()
        except (OSError, JournalUnusable):
            return AlignmentStatus(RunState.UNKNOWN, doubt=UNREADABLE)

    def _status(self) -> AlignmentStatus:
        kept = dict(self._journals())
        self._read = kept
        journals = {path: records for path, (_stamp, records) in kept.items() if records}
        if not journals:
            return AlignmentStatus(RunState.IDLE)
        merged = sorted((r for records in journals.values() for r in records), key=_when)
        newest = max(journals, key=lambda path: journals[path][-1].utc_s)
        alive = in_use(newest)
        return replace(fold(merged), run_state=run_state(journals[newest], alive=alive))

    def _journals(self) -> Iterator[tuple[Path, tuple[tuple[int, int], tuple[Record, ...]]]]:
        stamps = []
        for path in self._folder.glob(f"*{SUFFIX}"):
            found = path.stat()
            stamps.append(((found.st_mtime_ns, found.st_size), path))
        for stamp, path in sorted(stamps, reverse=True)[:MOST]:
            known = self._read.get(path)
            if known is None or known[0] != stamp:
                records = tuple(record for record in read_journal(path) if _matters(record))
                known = (stamp, records)
            yield path, known


def _when(record: Record) -> float:
    return record.utc_s
