"""Every early way out of a run goes through here: the mount is stopped, or said to be unknown."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager

from polewright.devices.alpaca.slew_and_stop import MotionState
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.clock import Clock, threads_of
from polewright.foundation.errors import Cancelled, Insisted, LeftInHaste, MotionUnknown
from polewright.foundation.language import say
from polewright.observing.rig.background_task import BackgroundTask
from polewright.records.events import EventSink, MotionStopped

#: After a second interrupt the mount has so many seconds to confirm its stop (own choice).
HASTE_S = 3.0

log = logging.getLogger(__name__)


@contextmanager
def motion_stopped_on_trouble(
    telescope: Telescope, clock: Clock, emit: EventSink
) -> Iterator[None]:
    """Stop all motion, tracking included, when the block is left by any exception.

    A listener that fails meanwhile, or an interrupt of the stop itself, changes nothing about
    what is raised: they must not hide that the mount may still move.

    Raises:
        MotionUnknown: instead of the original error (which becomes its cause) when the mount
            does not confirm that it stands still.
        LeftInHaste: the same, when a second interrupt ended the wait for it.
    """
    try:
        yield
    except BaseException as exc:
        reason = str(exc) or type(exc).__name__
        hasty = isinstance(exc, Insisted)
        try:
            state = (
                _stopped_in_haste(telescope) if hasty else telescope.stop_motion(tracking_off=True)
            )
        except Insisted:
            hasty, state = True, MotionState.UNKNOWN
        except BaseException:
            log.exception("mount.stop_interrupted")
            state = MotionState.UNKNOWN
        try:
            emit(MotionStopped(utc_s=clock.utc_s(), state=state.value, reason=reason))
        except Exception:
            log.exception("mount.stop_not_told state=%s", state.value)
        if state is not MotionState.STOPPED:
            kind = LeftInHaste if hasty else MotionUnknown
            raise kind(
                say(
                    "the run ended ({reason}) and the mount did not confirm that it "
                    "stopped{stop_words}",
                    reason=reason,
                    stop_words=telescope.stop_words(),
                )
            ) from exc
        if hasty:
            raise Cancelled(say("interrupted twice")) from exc
        raise


def _stopped_in_haste(telescope: Telescope) -> MotionState:
    """Stop the mount in a thread that nobody waits for longer than `HASTE_S`."""
    task = BackgroundTask(
        "hasty stop",
        lambda _task: telescope.stop_motion(tracking_off=True),
        threads_of(telescope.clock),
    )
    return task.result() if task.wait(HASTE_S) and task.error is None else MotionState.UNKNOWN


def stop_now(telescope: Telescope, otherwise: str) -> None:
    """Stop all motion, tracking included, as a run's planned end.

    Raises:
        MotionUnknown: saying ``otherwise``, when the mount does not confirm it.
    """
    if telescope.stop_motion(tracking_off=True) is not MotionState.STOPPED:
        raise MotionUnknown(
            say("{otherwise}{stop_words}", otherwise=otherwise, stop_words=telescope.stop_words())
        )
