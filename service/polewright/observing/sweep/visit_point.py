"""One visit to a point of the sweep: slew there; solve what was exposed there."""

from __future__ import annotations

from collections.abc import Callable

from polewright.calculation.images.frame import Frame
from polewright.calculation.images.next_exposure import BLOATED_PX
from polewright.calculation.images.stillness import Rest
from polewright.calculation.planning.request import Pointing
from polewright.foundation.errors import PolewrightError, SolveError
from polewright.foundation.language import say
from polewright.observing.capture.frame_quality import look_at
from polewright.observing.capture.save_frames import keep_frame, kept_names
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.retry_policy import only_of, repeating
from polewright.observing.sweep.solve_point import (
    SolvedPoint,
    judge,
    solve_frame,
)

#: The mount's own deadline is this much later than the guard's, s: the guard tells more.
GUARD_FIRST_S = 10.0


def go_to(
    rig: Rig,
    point: Pointing,
    number: int,
    total: int,
    *,
    first: bool,
    beside: Callable[[], None] | None = None,
) -> None:
    """Slew to a point, watched by the guards, and check that the mount says it arrived.

    The caller stops the mount when this raises (`motion_stopped_on_trouble`).

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
            timeout_s=rig.config.limits.slew_timeout_s + GUARD_FIRST_S,
            clock=rig.clock,
            cancel=rig.cancel,
            watch=rig.guards.watch(move, looked),
        )
        rig.guards.arrived(move, arrived)

    def tell(_rule: str, error: PolewrightError) -> None:
        only_of("telescope", error)
        rig.note(
            say(
                "Slew to point {point} failed ({error}); the mount stands still, trying again.",
                point=number,
                error=error,
            ),
            warning=True,
        )

    with rig.times.spent("slew", rig.clock):
        repeating(("slew",), slew, clock=rig.clock, cancel=rig.cancel, tell=tell)


def mounts_word(rig: Rig) -> tuple[float, float]:
    """Return where the mount says it points: right ascension (hours), declination (degrees)."""
    return rig.telescope.right_ascension_hours(), rig.telescope.declination_deg()


def solve_here(
    rig: Rig, point: Pointing, number: int, total: int, exposure_s: float
) -> SolvedPoint:
    """Expose where the mount stands and solve the frame, before anything moves.

    Raises:
        DeviceError, ImageError, SolveError: as camera, detection and solver say.
        GuardError: the stars say that the mount is not where it should be.
    """
    frame = take_frame(rig, exposure_s, number, total)
    return solve_taken(rig, point, number, total, frame)


def solve_taken(
    rig: Rig, point: Pointing, number: int, total: int, frame: Frame, *, rest: Rest | None = None
) -> SolvedPoint:
    """Solve a frame taken where the mount still stands. Raises as `solve_here`.

    ``rest``: see `SolvedPoint`.
    """
    rig.progress("solve", number, total, 0.0, None)
    with rig.times.spent("solve", rig.clock):
        stars, quality = look_at(rig, frame, number)
        cancel = rig.cancel if rig.patience is None else rig.patience.token(rig.cancel)
        try:
            word = solve_frame(rig, frame, stars, mounts_word(rig), cancel)
        except SolveError as error:
            if quality.hfd_px is not None and quality.hfd_px > BLOATED_PX:
                error.likely = say(
                    "the telescope is out of focus: what stars there are, are {hfd_px:.0f} pixels "
                    "wide.",
                    hfd_px=quality.hfd_px,
                )
                error.advice = say("Focus (`polewright check --loop` shows the stars' size).")
            raise
        solved = SolvedPoint(
            number, point, frame, quality, word.plate, word.pointing.declination, rest
        )
        trouble = keep_frame(rig, frame, word.plate, number, kept_names(rig))
        if trouble:
            rig.note(trouble, warning=True)
        judge(rig, solved, total, word)
    return solved
