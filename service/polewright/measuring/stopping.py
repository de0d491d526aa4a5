"""Every early way out of a run goes through here: the mount is stopped, or said to be unknown."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from polewright.alpaca.motion import MotionState
from polewright.alpaca.telescope import Telescope
from polewright.clock import Clock
from polewright.errors import MotionUnknown
from polewright.measuring.events import EventSink, MotionStopped


@contextmanager
def motion_stopped_on_trouble(
    telescope: Telescope, clock: Clock, emit: EventSink
) -> Iterator[None]:
    """Stop all motion, tracking included, when the block is left by any exception.

    Raises:
        MotionUnknown: instead of the original error (which becomes its cause) when the mount
            does not confirm that it stands still.
    """
    try:
        yield
    except BaseException as exc:
        state = telescope.stop_motion(tracking_off=True)
        reason = str(exc) or type(exc).__name__
        emit(MotionStopped(utc_s=clock.utc_s(), state=state.value, reason=reason))
        if state is not MotionState.STOPPED:
            raise MotionUnknown(
                f"the run ended ({reason}) and the mount did not confirm that it stopped"
            ) from exc
        raise
