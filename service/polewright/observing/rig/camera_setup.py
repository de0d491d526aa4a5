"""Brings a camera to what the configuration asks of it; again after its driver restarted.

And leaves it to the next program with the whole frame, not with the part of a glance.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from polewright.devices.alpaca.camera import Camera
from polewright.foundation.clock import threads_of
from polewright.foundation.config import CameraSection
from polewright.foundation.errors import Insisted, LeftInHaste
from polewright.foundation.language import say
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.rig.rig import Rig

#: A camera that does not answer is given up after so many seconds (own choice: two requests).
LEAVE_S = 10.0

log = logging.getLogger(__name__)


def ready_camera(camera: Camera, section: CameraSection) -> None:
    """Set binning, gain and offset of a connected camera.

    Raises:
        DeviceError: it refuses.
    """
    camera.set_geometry(section.binning)
    if section.gain is not None:
        camera.set_gain(section.gain)
    if section.offset is not None:
        camera.set_offset(section.offset)


@contextmanager
def camera_left_whole(rig: Rig) -> Iterator[None]:
    """Have the camera take whole frames again after the block, which has stopped the mount by then.

    A part of the frame that was set would stay for the next program. Trouble here is told, changes
    nothing about how the block ends, and holds it up for `LEAVE_S` at most.
    """
    try:
        yield
    except BaseException as error:
        if not isinstance(error, Insisted | LeftInHaste):
            _leave_whole(rig)
        raise
    else:
        _leave_whole(rig)


def _leave_whole(rig: Rig) -> None:
    threads, binning = threads_of(rig.clock), rig.config.camera.binning
    end_s = threads.timer_s() + LEAVE_S
    why = ""
    try:
        for task in (*rig.at_camera, None):
            # Last, when nobody exposes any more, the camera itself.
            last = task or BackgroundTask(
                "camera", lambda _task: rig.camera.leave_whole(binning), threads
            )
            if not last.wait(max(0.0, end_s - threads.timer_s())):
                why = say("it is still at work after {seconds:g} s", seconds=LEAVE_S)
                break
            if task is None and last.error is not None:
                why = str(last.error)
    except Insisted:
        why = say("nothing was waited for any more")
    rig.at_camera.clear()
    if not why:
        return
    log.warning("camera.part_kept device=%s: %s", rig.camera.where, why)
    with suppress(Exception):
        rig.note(
            say(
                "The camera may keep a part of the frame set, or another binning ({why}): check "
                "both before you expose with another program.",
                why=why,
            ),
            warning=True,
        )
