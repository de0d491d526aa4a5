"""Every early way out of a run goes through here: the mount is stopped, or said to be unknown."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager

from polewright.alpaca.motion import MotionState
from polewright.alpaca.telescope import Telescope
from polewright.clock import Clock
from polewright.errors import MotionUnknown
from polewright.measuring.events import EventSink, MotionStopped

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
    """
    try:
        yield
    except BaseException as exc:
        reason = str(exc) or type(exc).__name__
        try:
            state = telescope.stop_motion(tracking_off=True)
        except BaseException:
            log.exception("mount.stop_interrupted")
            state = MotionState.UNKNOWN
        try:
            emit(MotionStopped(utc_s=clock.utc_s(), state=state.value, reason=reason))
        except Exception:
            log.exception("mount.stop_not_told state=%s", state.value)
        if state is not MotionState.STOPPED:
            raise MotionUnknown(
                f"the run ended ({reason}) and the mount did not confirm that it stopped"
                f"{telescope.stop_words()}"
            ) from exc
        raise


def stop_now(telescope: Telescope, otherwise: str) -> None:
    """Stop all motion, tracking included, as a run's planned end.

    Raises:
        MotionUnknown: saying ``otherwise``, when the mount does not confirm it.
    """
    if telescope.stop_motion(tracking_off=True) is not MotionState.STOPPED:
        raise MotionUnknown(f"{otherwise}{telescope.stop_words()}")
