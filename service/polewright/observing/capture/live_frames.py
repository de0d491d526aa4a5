"""Frames one after the other, each exposed and fetched while the one before is being read.

A thread of its own works the camera, and nothing else: what it has to tell, and the guards' looks
at the mount, go through a queue and are told and made by the run's own thread while that waits
for the frame. So listeners and guards notice no difference, and the thread can be stopped at any
moment: its exposure is aborted and the camera left idle.
"""

from __future__ import annotations

import copy
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, cast

from polewright.calculation.images.frame import Frame
from polewright.foundation.clock import CancelToken
from polewright.observing.capture.take_frame import take_frame
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


@dataclass(eq=False)
class _UnderWay:
    """A frame on its way, shared with the thread that brings it."""

    cancel: CancelToken = field(default_factory=CancelToken)
    news: queue.SimpleQueue[Callable[[], object]] = field(default_factory=queue.SimpleQueue)
    done: threading.Event = field(default_factory=threading.Event)
    frame: Frame | None = None
    error: BaseException | None = None

    def take(self, its: Rig, exposure_s: float) -> None:
        """Bring the frame; runs in the thread."""
        try:
            self.frame = take_frame(its, exposure_s)
        except BaseException as error:  # noqa: BLE001 - raised again by the run's own thread
            self.error = error
        finally:
            self.done.set()
            self.news.put(_nothing)  # wakes whoever waits


def _nothing() -> None:
    """Tell nothing."""


class LiveFrames:
    """The frames of an adjustment; at most one is under way.

    All methods belong to the run's own thread.

    Args:
        rig: the rig; its camera belongs to this object while a frame is under way.
        exposure_s: asked anew for each frame.
    """

    def __init__(self, rig: Rig, exposure_s: Callable[[], float]) -> None:
        self._rig, self._exposure_s = rig, exposure_s
        self._now: _UnderWay | None = None
        self._thread: threading.Thread | None = None

    @property
    def under_way(self) -> bool:
        """Whether a frame has been begun that `next` has not returned."""
        return self._now is not None

    def begin(self) -> None:
        """Begin a frame, unless one is under way."""
        if self._now is not None:
            return
        rig, now = self._rig, _UnderWay()
        # What the thread sees of the rig: the same devices, but its own stop and no listeners.
        its = copy.copy(rig)
        its.cancel = now.cancel
        its.times = copy.copy(rig.times)
        its.emit = lambda event: now.news.put(lambda: rig.emit(event))
        guards = _LaterGuards(lambda: now.news.put(rig.guards.while_tracking))
        its.guards = cast("Guards", guards)
        self._now = now
        self._thread = threading.Thread(
            target=now.take, args=(its, self._exposure_s()), name="live-frame", daemon=True
        )
        self._thread.start()

    def next(self) -> Frame:
        """Return the frame under way, or a new one, when it is there.

        Raises:
            DeviceError: as the camera says.
            GuardError: a guard objects to what the mount does meanwhile.
            Cancelled: the run was stopped.
        """
        self.begin()
        now = self._finished(None)
        if now.error is not None:
            raise now.error
        if now.frame is None:  # pragma: no cover - the thread sets one of the two
            raise RuntimeError("a live frame ended without a word")
        return now.frame

    def stop(self, *, hurry: bool = False) -> None:
        """Give up the frame under way and leave the camera idle.

        Args:
            hurry: do not wait long for it, as the mount has to be stopped; what is told then is
                not listened to.
        """
        if self._now is None or self._thread is None:
            return
        self._now.cancel.cancel("the frame is not wanted any more")
        if hurry:
            self._now = None
            self._thread.join(HURRY_S)
        else:
            self._finished(UNWANTED_S)

    def _finished(self, limit_s: float | None) -> _UnderWay:
        """Tell what the thread has to tell until it is done."""
        now, began_s = self._now, time.monotonic()
        if now is None:  # pragma: no cover - begun by the caller
            raise RuntimeError("no live frame is under way")
        while True:
            done = now.done.is_set()
            try:
                now.news.get(timeout=0.0 if done else LOOK_S)()
                continue
            except queue.Empty:
                self._rig.cancel.check()
            if done or (limit_s is not None and time.monotonic() - began_s > limit_s):
                self._now = None
                return now
