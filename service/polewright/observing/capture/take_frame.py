"""Expose and download a frame; again as the policy allows."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from polewright.calculation.images.frame import Frame
from polewright.devices.alpaca.one_exposure import ExposureProgress, WaitingImage
from polewright.foundation.errors import PolewrightError
from polewright.foundation.language import say
from polewright.observing.rig.camera_setup import ready_camera
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.retry_policy import only_of, repeating

R = TypeVar("R")


def take_frame(rig: Rig, exposure_s: float, number: int = 0, total: int = 0) -> Frame:
    """Expose and download, telling progress; again as the policy allows."""
    return _exposing(rig, number, total, lambda expose: _fetched(rig, expose(exposure_s)))


def _fetched(rig: Rig, image: WaitingImage) -> Frame:
    began_s = rig.clock.monotonic_s()
    with rig.times.spent("download", rig.clock):
        frame = image.fetch()
    rig.settle_memory.fetched(rig.clock.monotonic_s() - began_s)
    return frame


def expose_here(rig: Rig, exposure_s: float, number: int = 0, total: int = 0) -> WaitingImage:
    """Expose, and leave the image in the camera; again as the policy allows.

    The exposure is over for certain, since the camera calls the image ready: the mount may move.
    """
    return _exposing(rig, number, total, lambda expose: expose(exposure_s))


def _exposing(
    rig: Rig, number: int, total: int, then: Callable[[Callable[[float], WaitingImage]], R]
) -> R:
    def watch(now: ExposureProgress) -> None:
        if now.phase != "downloading":
            rig.guards.while_tracking()
        step = "download" if now.phase == "downloading" else "exposure"
        rig.progress(step, number, total, now.elapsed_s, now.duration_s)

    restarted = False

    def expose(exposure_s: float) -> WaitingImage:
        with rig.times.spent("expose", rig.clock):
            return rig.camera.expose_only(
                exposure_s, clock=rig.clock, cancel=rig.cancel, on_progress=watch
            )

    def once() -> R:
        nonlocal restarted
        if restarted:
            rig.camera.connect(cancel=rig.cancel)
            ready_camera(rig.camera, rig.config.camera)
            restarted = False
        return then(expose)

    def tell(rule: str, error: PolewrightError) -> None:
        nonlocal restarted
        only_of("camera", error)
        restarted = restarted or rule == "camera_restarted"
        rig.note(say("Exposure failed ({error}); trying again.", error=error), warning=True)

    return repeating(
        ("camera_restarted", "exposure"), once, clock=rig.clock, cancel=rig.cancel, tell=tell
    )
