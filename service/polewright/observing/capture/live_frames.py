"""Frames one after the other, each exposed and fetched while the one before is being read.

A thread of its own works the camera, and nothing else: what it has to tell, and the guards' looks
at the mount, are told and made by the run's own thread while that waits for the frame. It can be
stopped at any moment: its exposure is aborted and the camera left idle.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import TYPE_CHECKING, cast

from polewright.calculation.images.frame import Frame
from polewright.foundation.clock import threads_of
from polewright.foundation.language import say
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.rig.rig import Rig

if TYPE_CHECKING:
    from polewright.observing.safety.guards import Guards

#: Between two looks at whether the run was stopped, real seconds.
LOOK_S = 0.05
#: How long a frame that is not wanted any more is waited for, real seconds: its download is not
#: cut off, and may take this long over a poor link (`watching.DOWNLOAD_S`).
UNWANTED_S = 600.0
#: The same where the run has failed and the mount must be stopped.
HURRY_S = 1.0


class _LaterGuards:
    """Asks the run's own thread to look at the mount."""

    def __init__(self, look: Callable[[], None]) -> None:
        self._look = look

    def while_tracking(self) -> None:
        """Have the mount looked at."""
        self._look()


class LiveFrames:
    """The frames of an adjustment; at most one is under way.

    All methods belong to the run's own thread.

    Args:
        rig: the rig; its camera belongs to this object while a frame is under way.
        exposure_s: asked anew for each frame.
    """

    def __init__(self, rig: Rig, exposure_s: Callable[[], float]) -> None:
        self._rig, self._exposure_s = rig, exposure_s
        self._threads = threads_of(rig.clock)
        self._now: BackgroundTask[Frame] | None = None

    @property
    def under_way(self) -> bool:
        """Whether a frame has been begun that `next` has not returned."""
        return self._now is not None

    def begin(self) -> None:
        """Begin a frame, unless one is under way."""
        if self._now is not None:
            return
        rig, exposure_s = self._rig, self._exposure_s()
        # What the thread sees of the rig: the same devices, but its own stop and no listeners.
        its = copy.copy(rig)
        its.times = copy.copy(rig.times)

        def take(task: BackgroundTask[Frame]) -> Frame:
            its.cancel = task.cancel
            its.emit = lambda event: task.tell(lambda: rig.emit(event))
            guards = _LaterGuards(lambda: task.tell(rig.guards.while_tracking))
            its.guards = cast("Guards", guards)
            return take_frame(its, exposure_s)

        self._now = BackgroundTask("live-frame", take, self._threads)

    def next(self) -> Frame:
        """Return the frame under way, or a new one, when it is there.

        Raises:
            DeviceError: as the camera says.
            GuardError: a guard objects to what the mount does meanwhile.
            Cancelled: the run was stopped.
        """
        self.begin()
        return self._finished(None).result()

    def stop(self, *, hurry: bool = False) -> None:
        """Give up the frame under way and leave the camera idle.

        Args:
            hurry: do not wait long for it, as the mount has to be stopped; what is told then is
                not listened to.
        """
        if self._now is None:
            return
        self._now.cancel.cancel(say("the frame is no longer wanted"))
        if hurry:
            task, self._now = self._now, None
            task.wait(HURRY_S)
        else:
            self._finished(UNWANTED_S)

    def _finished(self, limit_s: float | None) -> BackgroundTask[Frame]:
        """Tell what the thread has to tell until it is done."""
        now, began_s = self._now, self._threads.timer_s()
        if now is None:  # pragma: no cover - begun by the caller
            raise RuntimeError("no live frame is under way")
        while True:
            done = now.done
            now.tell_news(0.0 if done else LOOK_S)
            self._rig.cancel.check()
            if done or (limit_s is not None and self._threads.timer_s() - began_s > limit_s):
                self._now = None
                return now
