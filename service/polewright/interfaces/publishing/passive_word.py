"""What the newest night's frames told, kept beside the journals for the published devices."""

from __future__ import annotations

import contextlib
import math
from datetime import datetime
from pathlib import Path

from pydantic import ValidationError

from polewright.foundation.errors import in_words
from polewright.foundation.files import write_whole
from polewright.foundation.language import say
from polewright.interfaces.publishing.status import Figures, PassiveWord, Verified
from polewright.records.passive_result import PassiveResult

FILE, REHEARSAL_FILE = "passive.json", "passive-rehearsal.json"
#: A file larger than this is none of ours, bytes.
_MOST = 1_000_000


def keep_word(folder: Path, result: PassiveResult, *, rehearsal: bool) -> str:
    """Keep a result unless a newer night's is there; return what went wrong, or nothing."""
    path = folder / (REHEARSAL_FILE if rehearsal else FILE)
    with contextlib.suppress(OSError, ValueError):
        if _read(path).finished_utc > result.finished_utc:
            return ""
    try:
        write_whole(path, result.model_dump_json().encode())
    except OSError as exc:
        return say("{path} cannot be written: {exc}", path=path, exc=in_words(exc, told=path))
    return ""


def read_word(folder: Path, *, rehearsal: bool) -> PassiveWord | None:
    """Return what was kept; None where nothing usable is there."""
    try:
        result = _read(folder / (REHEARSAL_FILE if rehearsal else FILE))
        utc_s = datetime.fromisoformat(result.finished_utc).timestamp()
    except (OSError, ValueError, ValidationError):
        return None
    axis = result.axis
    if axis is None:
        return PassiveWord(result.verdict, result.sentence, utc_s)
    numbers = (axis.total_arcmin, axis.d_alt_arcmin, axis.d_az_sky_arcmin, axis.sigma_total_arcmin)
    if not all(map(math.isfinite, (*numbers, axis.total_upper95_arcmin))):
        return None
    return PassiveWord(
        result.verdict,
        result.sentence,
        utc_s,
        Figures(*numbers, utc_s),
        Verified(
            axis.total_upper95_arcmin, result.tolerance_arcmin, axis.pole, axis.trusted, utc_s
        ),
    )


def _read(path: Path) -> PassiveResult:
    if path.stat().st_size > _MOST:
        raise ValueError("too large")
    return PassiveResult.model_validate_json(path.read_bytes())
