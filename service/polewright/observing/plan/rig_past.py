"""What the history knows of this mount and camera: asked once at connect, and by a drift check."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from polewright.calculation.geometry.learnt_noise import MOST_SWEEPS
from polewright.calculation.geometry.learnt_sag import MOST_CHECKS
from polewright.foundation.language import say
from polewright.observing.plan import frame_noise, tube_sag
from polewright.observing.plan.frame_noise import sweeps_of
from polewright.observing.plan.tube_sag import check_of, compared_sweep
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.rig.past_sweeps import RigCheck, RigSweep
from polewright.observing.rig.rig import Rig
from polewright.records.result import ComparedSweep, MeasurementResult

T = TypeVar("T")

#: A history that has not answered by then is done without, s (own choice).
ANSWER_S = 5.0
#: So many of a pier's newest runs are looked through.
MOST_RUNS = 4 * MOST_SWEEPS


def ask_history(rig: Rig) -> None:
    """Look up past sweeps and drift checks of this mount and camera; trouble is a warning only.

    A rehearsal learns nothing, nor does a run without a history.
    """
    both = frame_noise.configured(rig.config) and tube_sag.configured(rig.config)
    if both or not _may_ask(rig):
        return
    url, pier, telescope, camera = _whose(rig)
    past, why = _answered(lambda: _past(url, pier, telescope, camera))
    if past is None:
        rig.note(
            say(
                "Nothing learnt from past sweeps and drift checks ({why}): using the "
                "configured frame floor and the usual sag of the tube.",
                why=why,
            ),
            warning=True,
        )
    else:
        rig.past_sweeps, rig.past_checks = past


def sweep_of(
    rig: Rig, document: str, adjusting_unfinished: Callable[[float], bool]
) -> ComparedSweep | None:
    """Return what a drift check keeps of the sweep in a document; None where it is no such.

    Args:
        rig: the rig.
        document: of the measurement, JSON.
        adjusting_unfinished: tells whether a session that is not in the history followed the axis
            after a time (Unix seconds UTC).
    """
    try:
        measured = MeasurementResult.model_validate_json(document)
        since_utc_s = _utc_s(measured.finished_utc)
    except ValueError:
        return None
    nothing_turned = None
    if _may_ask(rig):
        url, pier, _, _ = _whose(rig)
        nothing_turned, _ = _answered(
            lambda: (
                not (adjusting_unfinished(since_utc_s) or _followed_after(url, pier, since_utc_s))
            )
        )
    return compared_sweep(measured, nothing_turned)


def _utc_s(text: str) -> float:
    from polewright.records.history.rows import utc_s_of

    return utc_s_of(text)


def _may_ask(rig: Rig) -> bool:
    from polewright.records.history.run_recorder import is_rehearsal

    return rig.config.history.enabled and not is_rehearsal(rig.clock)


def _whose(rig: Rig) -> tuple[str | None, str, str, str]:
    from polewright.records.history.run_recorder import pier_of

    telescope, camera = rig.telescope.name(), rig.camera.name()
    return rig.config.history.url, pier_of(rig.config, telescope), telescope, camera


def _answered(ask: Callable[[], T]) -> tuple[T | None, str]:
    """Return what a question to the history comes to, or None and why it came to nothing."""
    task = BackgroundTask("history", lambda _task: ask())
    if not task.wait(ANSWER_S):
        return None, say("no answer within {answer_s:g} s", answer_s=ANSWER_S)
    try:
        return task.result(), ""
    except Exception as exc:  # noqa: BLE001 - whatever a damaged database does, the run goes on
        return None, str(exc)


def _past(
    url: str | None, pier: str, telescope: str, camera: str
) -> tuple[tuple[RigSweep, ...], tuple[RigCheck, ...]]:
    """Return the newest sweeps and drift checks of a mount and camera on a pier, newest last."""
    from polewright.records.history.store import History, RunFilter, file_missing

    sweeps: list[RigSweep] = []
    checks: list[RigCheck] = []
    if file_missing(url):
        return (), ()
    with History(url, only_read=True) as history:
        for run in history.list_runs(RunFilter(pier=pier, limit=MOST_RUNS)):
            if (run["telescope"], run["camera"]) != (telescope[:200], camera[:200]):
                continue
            wanted = run["sweeps"] and len(sweeps) < MOST_SWEEPS
            if not wanted and not (run["kind"] == "drift" and len(checks) < MOST_CHECKS):
                continue
            try:
                record = history.get(run["run_id"])
                sweeps.extend(reversed(list(sweeps_of(record)) if wanted else []))
                found = [check_of(document) for document in record.drifts]
            except ValueError:  # a run that cannot be read teaches nothing
                continue
            checks.extend(
                check
                for document, check in zip(record.drifts, found, strict=True)
                if check is not None
                and document["compared"]["telescope"] == telescope
                and document["compared"]["camera"] == camera
            )
    return tuple(sweeps[::-1]), tuple(checks[::-1])


def _followed_after(url: str | None, pier: str, since_utc_s: float) -> bool:
    """Whether a run of the pier followed the axis after a time, so that it may have been turned."""
    from polewright.records.history.store import History, RunFilter, file_missing

    if file_missing(url):
        return False
    with History(url, only_read=True) as history:
        for run in history.list_runs(RunFilter(pier=pier, kind="align", limit=MOST_RUNS)):
            if run["finished_utc_s"] <= since_utc_s:
                continue
            record = history.get(run["run_id"])
            if any(reading.utc_s > since_utc_s for reading in record.readings):
                return True
    return False
