"""Frames one after the other, each exposed and fetched while the one before is being read.

Full frames, and glances at a part of one: short exposures, of which the next begins as soon as the
camera has handed out the image of the one before, while that is still on its way over the link.

Threads of their own work the camera, and nothing else: what they have to tell, and the guards'
looks at the mount, are told and made by the run's own thread while that waits for the frame. They
can be stopped at any moment: the exposure is aborted and the camera left idle.
"""

from __future__ import annotations

import copy
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, cast

from polewright.calculation.adjusting.glance_choice import Glance
from polewright.calculation.images.frame import Frame
from polewright.devices.alpaca.errors import AlpacaError
from polewright.devices.alpaca.one_exposure import ExposureProgress
from polewright.foundation.clock import threads_of
from polewright.foundation.errors import PolewrightError
from polewright.foundation.language import say
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.rig.rig import Rig

if TYPE_CHECKING:
    from polewright.observing.safety.guards import Guards

#: Between two looks at whether the run was stopped, real seconds.
LOOK_S = 0.05
#: How long a frame that is not wanted any more is waited for, real seconds: its download is not
#: cut off, and may take this long over a poor link (`watchdog_client.DOWNLOAD_S`).
UNWANTED_S = 600.0
#: Glances begin so far apart at least, s: more of them a hand does not follow, nor a phone draw
#: (own choice).
GLANCE_EVERY_S = 0.1
#: A glance that is not there so many seconds after its exposure has failed.
LATE_S = 10.0


class _LaterGuards:
    """Asks the run's own thread to look at the mount."""

    def __init__(self, look: Callable[[], None]) -> None:
        self._look = look

    def while_tracking(self) -> None:
        """Have the mount looked at."""
        self._look()


@dataclass(frozen=True, eq=False)
class Live:
    """A frame that has come, or a glance that has failed."""

    frame: Frame | None
    """None where ``trouble`` says why; only a glance may fail without ending the run."""
    glance: Glance | None
    """What part of the frame it shows; None for a full frame."""
    changed: bool
    """Whether the exposure before it showed another part."""
    began_s: float
    """By the clock's timer."""
    took_s: float
    """Until it was there."""
    trouble: PolewrightError | None = None


@dataclass(eq=False)
class _Shot:
    glance: Glance | None
    changed: bool
    began_s: float
    task: BackgroundTask[tuple[Frame, float]] = field(init=False)
    handed_over: bool = False
    """Whether the camera has given its image away; told by the run's own thread."""


class LiveFrames:
    """The frames of an adjustment; at most one is exposed, and one before it still on its way.

    All methods belong to the run's own thread.

    Args:
        rig: the rig; its camera belongs to this object while a frame is under way.
        exposure_s: of full frames, asked anew for each.
    """

    def __init__(self, rig: Rig, exposure_s: Callable[[], float]) -> None:
        self._rig, self._exposure_s = rig, exposure_s
        self._threads = threads_of(rig.clock)
        self._shots: deque[_Shot] = deque()
        self._before: tuple[int, ...] | None = None
        self._glance_s: float | None = None

    @property
    def under_way(self) -> bool:
        """Whether a frame has been begun that `next` has not returned."""
        return bool(self._shots)

    def begin(self, wanted: Callable[[], Glance | None] = lambda: None) -> None:
        """Begin what is wanted, a glance or a full frame (None), unless one is under way."""
        if not self._shots:
            self._begin(wanted())

    def _begin(self, glance: Glance | None) -> None:
        rig, exposure_s = self._rig, self._exposure_s()
        # What the thread sees of the rig: the same devices, but its own stop and no listeners.
        its = copy.copy(rig)
        its.times = copy.copy(rig.times)
        wait_s = 0.0
        if glance is not None and self._glance_s is not None:
            wait_s = self._glance_s + GLANCE_EVERY_S - rig.clock.monotonic_s()
        self._glance_s = None if glance is None else rig.clock.monotonic_s() + max(0.0, wait_s)
        part = None if glance is None else _part(glance)
        was_part, self._before = self._before, part
        shot = _Shot(glance, part != was_part, rig.clock.monotonic_s() + max(0.0, wait_s))
        earlier = self._shots[-1].task if self._shots else None

        def handed_over() -> None:
            shot.handed_over = True

        def take(task: BackgroundTask[tuple[Frame, float]]) -> tuple[Frame, float]:
            its.cancel = task.cancel
            its.emit = lambda event: task.tell(lambda: rig.emit(event))
            guards = _LaterGuards(lambda: task.tell(rig.guards.while_tracking))
            its.guards = cast("Guards", guards)
            if glance is None:
                if earlier is not None:  # full frames keep to themselves
                    earlier.wait(UNWANTED_S)
                if was_part is not None:
                    its.camera.choose_geometry(its.config.camera.binning)
                frame = take_frame(its, exposure_s)
            else:
                its.clock.sleep(max(0.0, wait_s), task.cancel)
                frame = _take_glance(its, glance, earlier, lambda: task.tell(handed_over))
            return frame, its.clock.monotonic_s()

        shot.task = BackgroundTask("live-frame", take, self._threads)
        self._shots.append(shot)

    def next(self, ahead: Callable[[], Glance | None] | None = None) -> Live:
        """Return the frame under way, or a new one, when it is there.

        Args:
            ahead: says what to begin once the camera has handed a glance out; None: nothing.

        Raises:
            DeviceError: as the camera says of a full frame.
            GuardError: a guard objects to what the mount does meanwhile.
            Cancelled: the run was stopped.
        """
        self.begin()
        shot = self._finished(None, ahead)
        try:
            frame, there_s = shot.task.result()
        except AlpacaError as error:
            if shot.glance is None:
                raise
            now_s = self._rig.clock.monotonic_s()
            return Live(None, shot.glance, shot.changed, shot.began_s, now_s - shot.began_s, error)
        return Live(frame, shot.glance, shot.changed, shot.began_s, there_s - shot.began_s)

    def stop(self, *, hurry: bool = False) -> None:
        """Give up the frames under way and leave the camera idle, taking full frames.

        Args:
            hurry: wait for nothing and ask no device, as the mount has to be stopped first;
                `camera_left_whole` does both after that. What is told then is not listened to.
        """
        for shot in self._shots:
            shot.task.cancel.cancel(say("the frame is no longer wanted"))
        if hurry:
            self._rig.at_camera += [shot.task for shot in self._shots]
            self._shots.clear()
            return
        while self._shots:
            self._finished(UNWANTED_S, None)
        if self._before is not None:
            self._rig.camera.choose_geometry(self._rig.config.camera.binning)
            self._before = None

    def _finished(self, limit_s: float | None, ahead: Callable[[], Glance | None] | None) -> _Shot:
        """Tell what the thread has to tell until it is done."""
        shot, began_s = self._shots[0], self._threads.timer_s()
        while True:
            done = shot.task.done
            for one in self._shots:
                wait_s = LOOK_S if one is shot and not done else 0.0
                one.task.tell_news(wait_s)
            self._rig.cancel.check()
            if ahead is not None and shot.handed_over and not done and len(self._shots) == 1:
                self._begin(ahead())
            if done or (limit_s is not None and self._threads.timer_s() - began_s > limit_s):
                self._shots.popleft()
                return shot


def _part(glance: Glance) -> tuple[int, ...]:
    return glance.left, glance.top, glance.width, glance.height, glance.binning


def _take_glance(
    rig: Rig,
    glance: Glance,
    earlier: BackgroundTask[tuple[Frame, float]] | None,
    handed_over: Callable[[], None],
) -> Frame:
    """Expose and fetch a glance, once."""
    left, top, width, height, more = _part(glance)
    camera = rig.camera
    camera.choose_geometry(
        more * rig.config.camera.binning, (left // more, top // more, width // more, height // more)
    )

    def watch(_now: ExposureProgress) -> None:
        rig.guards.while_tracking()

    image = camera.expose_only(
        glance.exposure_s,
        clock=rig.clock,
        cancel=rig.cancel,
        on_progress=watch,
        margin_s=LATE_S,
        brisk=True,
    )
    if earlier is not None:
        earlier.wait(UNWANTED_S)

    def over() -> None:
        image.abandon()  # from here on the camera may be at the next one
        handed_over()

    return image.fetch(over)
