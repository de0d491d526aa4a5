"""The parts of a sweep: slew, settle, expose and solve at a point."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from polewright.calculation.images.frame import Frame
from polewright.calculation.images.stillness import Rest
from polewright.calculation.planning.request import Pointing
from polewright.devices.alpaca.errors import AlpacaError
from polewright.devices.alpaca.exposing import ExposureProgress, WaitingImage
from polewright.foundation.errors import PolewrightError
from polewright.observing.capture.save_frames import keep_frame, kept_names
from polewright.observing.rig.camera_setup import ready_camera
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.retry_policy import repeating
from polewright.observing.settling.still_stars import LEAST_FIXED_S, Settled, wait_for_still_stars
from polewright.observing.sweep.solve_point import (
    UNSOLVED,
    SolvedPoint,
    SweepPoint,
    judge,
    look_at,
    report_plate,
    solve_frame,
)

__all__ = [
    "UNSOLVED",
    "SolvedPoint",
    "SweepPoint",
    "expose_here",
    "go_to",
    "look_at",
    "mounts_word",
    "report_plate",
    "settle",
    "solve_here",
    "solve_taken",
    "take_frame",
    "tell_settled",
    "wait_out",
]

R = TypeVar("R")

SETTLE_TICK_S = 0.5
#: The mount's own deadline is this much later than the guard's, s: the guard tells more.
GUARD_FIRST_S = 10.0


def go_to(
    rig: Rig,
    point: SweepPoint,
    number: int,
    total: int,
    *,
    first: bool,
    beside: Callable[[], None] | None = None,
) -> None:
    """Slew to a point, watched by the guards, and check that the mount says it arrived.

    The caller stops the mount when this raises (`stopping.motion_stopped_on_trouble`).

    Args:
        rig: the rig.
        point: where to.
        number: of the point, from 1.
        total: how many there are.
        first: whether this slew brings the mount to the sweep.
        beside: called with every look at the slewing mount; what it raises stops the slew.

    Raises:
        DeviceError: the slew was refused or ignored.
        GuardError: a guard did not let it begin, go on, or end like this.
    """
    goal = Pointing(point.hour_angle, point.declination)

    def looked(elapsed_s: float) -> None:
        rig.progress("slew", number, total, elapsed_s, None)
        if beside is not None:
            beside()

    def slew() -> None:
        move = rig.guards.before_slew(number, goal, first=first)
        arrived = rig.telescope.slew_and_wait(
            move.right_ascension_hours,
            move.declination_deg,
            timeout_s=rig.config.sweep.slew_timeout_s + GUARD_FIRST_S,
            clock=rig.clock,
            cancel=rig.cancel,
            watch=rig.guards.watch(move, looked),
        )
        rig.guards.arrived(move, arrived)

    def tell(_rule: str, error: PolewrightError) -> None:
        _only_of("telescope", error)
        rig.note(
            f"The slew to point {number} failed ({error}); the mount stands still, once more.",
            warning=True,
        )

    with rig.times.spent("slew", rig.clock):
        repeating(("slew",), slew, clock=rig.clock, cancel=rig.cancel, tell=tell)


def _only_of(device_type: str, error: PolewrightError) -> None:
    """Raise an error that another device than this type is to blame for."""
    if isinstance(error, AlpacaError) and error.where.device_type != device_type:
        raise error


def settle(rig: Rig, number: int, total: int) -> None:
    """Wait until the mount has rung out: until the stars stand still, or the fixed time."""
    section = rig.config.sweep
    wait_s = section.settle_s
    began_s = rig.clock.monotonic_s()
    with rig.times.spent("settle", rig.clock):
        looks = section.settle == "measured" and wait_s >= LEAST_FIXED_S
        settled = wait_for_still_stars(rig, number, total, wait_s) if looks else None
        if settled is None or not settled.still:
            wait_out(rig, number, total, began_s, wait_s)
    rig.times.settle_fixed += wait_s
    if settled is not None:
        tell_settled(rig, number, settled, rig.clock.monotonic_s() - began_s)


def wait_out(rig: Rig, number: int, total: int, began_s: float, wait_s: float) -> None:
    """Wait until ``wait_s`` after ``began_s`` by the run's timer, if that is still to come."""
    while (elapsed := rig.clock.monotonic_s() - began_s) < wait_s:
        rig.guards.while_tracking()
        rig.progress("settle", number, total, elapsed, wait_s)
        rig.clock.sleep(min(SETTLE_TICK_S, wait_s - elapsed), rig.cancel)


def tell_settled(rig: Rig, number: int, settled: Settled, took_s: float) -> None:
    """Say so where it was not seen that the stars stood still."""
    if rig.look_memory.useless:
        rig.note(
            f"Short looks do not tell when the mount has settled ({rig.look_memory.useless}): "
            f"waiting the fixed {rig.config.sweep.settle_s:g} s after each slew."
        )
    elif not settled.still:
        moved = "" if settled.moved_arcsec is None else f", last by {settled.moved_arcsec:.1f}″"
        rig.note(
            f"It was not seen that the stars of point {number} stood still within {took_s:.0f} s "
            f"({settled.why}{moved}); exposed all the same.",
            warning=True,
        )


def mounts_word(rig: Rig) -> tuple[float, float]:
    """Return where the mount says it points: right ascension (hours), declination (degrees)."""
    return rig.telescope.right_ascension_hours(), rig.telescope.declination_deg()


def solve_here(
    rig: Rig, point: SweepPoint, number: int, total: int, exposure_s: float
) -> SolvedPoint:
    """Expose where the mount stands and solve the frame, before anything moves.

    Raises:
        DeviceError, ImageError, SolveError: as camera, detection and solver say.
        GuardError: the stars say that the mount is not where it should be.
    """
    frame = take_frame(rig, exposure_s, number, total)
    return solve_taken(rig, point, number, total, frame)


def solve_taken(
    rig: Rig, point: SweepPoint, number: int, total: int, frame: Frame, *, rest: Rest | None = None
) -> SolvedPoint:
    """Solve a frame taken where the mount still stands. Raises as `solve_here`.

    ``rest``: see `SolvedPoint`.
    """
    rig.progress("solve", number, total, 0.0, None)
    with rig.times.spent("solve", rig.clock):
        stars, quality = look_at(rig, frame, number)
        cancel = rig.cancel if rig.patience is None else rig.patience.token(rig.cancel)
        word = solve_frame(rig, frame, stars, mounts_word(rig), cancel)
        solved = SolvedPoint(number, point, frame, quality, word.plate, rest)
        trouble = keep_frame(rig, frame, word.plate, number, kept_names(rig))
        if trouble:
            rig.note(trouble, warning=True)
        judge(rig, solved, total, word)
    return solved


def take_frame(rig: Rig, exposure_s: float, number: int = 0, total: int = 0) -> Frame:
    """Expose and download, telling progress; again as the policy allows."""
    return _exposing(rig, number, total, lambda expose: _fetched(rig, expose(exposure_s)))


def _fetched(rig: Rig, image: WaitingImage) -> Frame:
    began_s = rig.clock.monotonic_s()
    with rig.times.spent("download", rig.clock):
        frame = image.fetch()
    rig.look_memory.fetched(rig.clock.monotonic_s() - began_s)
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
        _only_of("camera", error)
        restarted = restarted or rule == "camera_restarted"
        rig.note(f"The exposure failed ({error}); trying again.", warning=True)

    return repeating(
        ("camera_restarted", "exposure"), once, clock=rig.clock, cancel=rig.cancel, tell=tell
    )
