"""What runs on this computer and what is known of the axis, asked of files and locks alone.

No service and no device is needed: journals, the mounts' locks and the watchdog's file tell it. A
service of this computer is asked for a sign of life only.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import re
import urllib.request
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from polewright.foundation.clock import Clock
from polewright.foundation.config import Config
from polewright.foundation.plain_text import plain
from polewright.interfaces.publishing.journal_status import JournalStatus
from polewright.interfaces.publishing.publish import rules_of
from polewright.interfaces.publishing.status import why_unsafe
from polewright.observing.safety.mount_lock import held_mounts
from polewright.observing.safety.watchdog_client import STATUS_FILE
from polewright.records.history.run_recorder import is_rehearsal
from polewright.session.journal import in_use, record_of
from polewright.session.journal_files import (
    MEASURED_ENDING,
    is_of_rehearsal,
    newest_first,
    session_of,
)
from polewright.session.opening import journal_folder

#: Newest journals looked at for one that is being written.
MOST = 30
FIRST_LINE = 64 * 1024
ANSWER_S = 1.0
"""A service that takes longer counts as silent."""
_PROCESS = re.compile(r"process (\d+)")


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class RunNow(_Part):
    """A run whose journal is being written."""

    session_id: str
    kind: Literal["session", "measurement"]
    rehearsal: bool
    since_utc_s: float | None = Field(description="first record of its journal, Unix seconds")


class MountNow(_Part):
    """A mount that a run of this computer holds."""

    mount: str = Field(description="host, port and device number, as its lock is named")
    holder: str = Field(description="process and user, as the run wrote them")
    pid: int | None = None
    since_utc_s: float


class WatchdogNow(_Part):
    """What the watchdog process left in its file."""

    state: str = Field(description="watching, stopping, dismissed, stopped ...")
    alive: bool | None = Field(description="null where the system does not tell")
    pid: int | None = None
    telescope: str = ""
    utc_s: float | None = None


class ServiceNow(_Part):
    """A service of this computer that answers."""

    url: str
    running: bool = Field(description="whether it runs a session")


class VerifiedNow(_Part):
    """What the last finished sweep came to."""

    upper95_arcmin: float
    tolerance_arcmin: float
    pole: str
    trusted: bool
    utc_s: float
    age_s: float


class VerifiedBefore(VerifiedNow):
    """What the last finished sweep came to, which does not hold any more."""

    invalid_since_utc_s: float | None = Field(
        description="when mount or adjusters were moved again, Unix seconds"
    )


class FiguresNow(_Part):
    """The latest reading, by sweep or live."""

    total_arcmin: float
    d_alt_arcmin: float
    d_az_sky_arcmin: float
    sigma_total_arcmin: float
    utc_s: float


class StatusDocument(_Part):
    """The document of `polewright status --json`."""

    schema_version: Literal["1"] = "1"
    ok: Literal[True] = True
    utc_s: float
    journal_folder: str
    run_state: str = Field(
        description="of the running session, else of the newest, such as sweeping or finished"
    )
    runs: tuple[RunNow, ...]
    mounts: tuple[MountNow, ...]
    watchdog: WatchdogNow | None
    service: ServiceNow | None
    figures: FiguresNow | None
    verified: VerifiedNow | None
    verified_before: VerifiedBefore | None = Field(
        description="the last sweep, where `verified` is null because it does not hold any more"
    )
    safe: bool = Field(description="what the published safety monitor answers")
    why_unsafe: str


def status_now(config: Config, clock: Clock, port: int) -> StatusDocument:
    """Ask everything; never raises for what it finds broken.

    Args:
        config: for folder, tolerance and freshness.
        clock: for ages, and whether rehearsals count.
        port: TCP port on this computer where a service may answer.
    """
    folder, now_s = journal_folder(config), clock.utc_s()
    journals = JournalStatus(folder, rehearsals=is_rehearsal(clock))
    known = journals.status()
    why = why_unsafe(known, rules_of(config), now_s)
    verified, figures = known.verified, known.figures
    return StatusDocument(
        utc_s=now_s,
        journal_folder=str(folder),
        run_state=known.run_state.name.lower(),
        runs=_runs(folder),
        mounts=tuple(
            MountNow(
                mount=held.mount,
                holder=held.holder,
                pid=int(found[1]) if (found := _PROCESS.search(held.holder)) else None,
                since_utc_s=held.since_utc_s,
            )
            for held in held_mounts()
        ),
        watchdog=_watchdog(folder / STATUS_FILE),
        service=_service(port),
        figures=None if figures is None else FiguresNow(**asdict(figures)),
        verified=None
        if verified is None
        else VerifiedNow(**asdict(verified), age_s=now_s - verified.utc_s),
        verified_before=_before(journals, now_s) if verified is None else None,
        safe=not why,
        why_unsafe=why,
    )


def _before(journals: JournalStatus, now_s: float) -> VerifiedBefore | None:
    found = journals.last_sweep()
    if found is None:
        return None
    verified, since_s = found
    return VerifiedBefore(
        **asdict(verified),
        age_s=now_s - verified.utc_s,
        invalid_since_utc_s=since_s if math.isfinite(since_s) else None,
    )


def _runs(folder: Path) -> tuple[RunNow, ...]:
    try:
        journals = newest_first(folder)[:MOST]
    except OSError:
        return ()  # `JournalStatus` says why
    return tuple(
        RunNow(
            session_id=plain(session_of(path)),
            kind="measurement" if MEASURED_ENDING in path.name else "session",
            rehearsal=is_of_rehearsal(path),
            since_utc_s=_first_utc_s(path),
        )
        for path in journals
        if in_use(path)
    )


def _first_utc_s(path: Path) -> float | None:
    with contextlib.suppress(OSError), path.open("rb") as file:
        record = record_of(file.readline(FIRST_LINE))
        return None if record is None else record.utc_s
    return None


def _watchdog(path: Path) -> WatchdogNow | None:
    try:
        told = json.loads(path.read_text(encoding="utf-8", errors="replace"))
        pid = int(told["pid"])
        state = plain(str(told["state"]))
        return WatchdogNow(
            state=state,
            alive=_alive(pid) if state in ("watching", "stopping") else False,
            pid=pid,
            telescope=plain(str(told.get("telescope", ""))),
            utc_s=float(told["utc_s"]),
        )
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None


def _alive(pid: int) -> bool | None:
    """Whether a process lives and is a watchdog; None where nobody can tell."""
    if os.name == "nt":
        return None  # there, asking with signal 0 would end it
    command = Path(f"/proc/{pid}/cmdline")
    with contextlib.suppress(OSError):
        return b"watchdog_process" in command.read_bytes()
    if Path("/proc/self").exists():
        return False
    try:
        os.kill(pid, 0)
    except PermissionError:
        return True
    except (OSError, OverflowError):
        return False
    return True


def _service(port: int) -> ServiceNow | None:
    url = f"http://127.0.0.1:{port}"
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with opener.open(f"{url}/api/health", timeout=ANSWER_S) as answer:
            told: Any = json.loads(answer.read(FIRST_LINE))
        if not str(told["software"]).startswith("polewright"):
            return None
        return ServiceNow(url=url, running=bool(told["running"]))
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
