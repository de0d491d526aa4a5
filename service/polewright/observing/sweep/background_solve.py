"""Fetches and solves a frame in a thread of its own while the mount goes on; judged by the run.

The thread only works: it fetches the image, finds the stars, solves, and emits no events. The
run's own thread looks at the work while it watches the slew (`Work.look`): a guard that objects to
what the stars say raises there, and the slew under way is stopped like any slew that a guard stops.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from polewright.calculation.images.frame import Frame
from polewright.calculation.images.stillness import Rest
from polewright.calculation.planning.request import Pointing
from polewright.devices.alpaca.errors import AlpacaError
from polewright.foundation.clock import threads_of
from polewright.foundation.errors import SolveError
from polewright.foundation.language import say
from polewright.observing.capture.frame_quality import measure_stars, tell_frame
from polewright.observing.capture.save_frames import keep_frame, kept_names
from polewright.observing.rig.background_task import BackgroundTask
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.retry_policy import RULES
from polewright.observing.safety.watchdog_client import SOLVE_SPARE_S
from polewright.observing.sweep.solve_point import UNSOLVED, SolvedPoint, judge, solve_frame

#: A mount that answers within so many real seconds while an image comes is not kept waiting by it.
PROMPT_S = 0.5
#: Between two looks at work that is waited for, real seconds.
LOOK_S = 0.05
#: Between two words about it, real seconds.
TELL_S = 0.25


class SolveHangs(SolveError):
    """The solver neither answers nor keeps to its time."""

    code = "solve_hangs"
    advice = say(
        "Choose another solver ([solver] name), or find out why this one does not end by itself."
    )

    def __init__(self, point: int, waited_s: float) -> None:
        super().__init__(point, waited_s)
        self.point, self.waited_s = point, waited_s

    def __str__(self) -> str:
        return say(
            "the solve of point {point} did not end within {waited_s:.0f} s",
            point=self.point,
            waited_s=self.waited_s,
        )


class FrameLost(Exception):
    """The image could not be fetched: the point has to be exposed again."""

    def __init__(self, error: AlpacaError) -> None:
        super().__init__(error)
        self.error = error


class Image(Protocol):
    """An exposure that is over; `devices.alpaca.one_exposure.WaitingImage` is one."""

    def fetch(self) -> Frame:
        """Return the frame. Raises AlpacaError as the camera says."""

    def abandon(self) -> None:
        """Say that nobody waits for it any more."""


@dataclass(frozen=True)
class Fetched:
    """The image of an exposure that was downloaded already."""

    frame: Frame

    def fetch(self) -> Frame:
        """Return the frame."""
        return self.frame

    def abandon(self) -> None:
        """Nobody waits for anything."""


class Work:
    """The frame of one point on its way to a solved point. Starts at once.

    Args:
        rig: the rig; its camera and plate solver belong to this work until it is done.
        point: where the frame was exposed.
        number: of the point, from 1.
        total: how many there are.
        image: the exposure, still in the camera unless it was fetched.
        told: the mount's word, right ascension in hours and declination in degrees, while it
            still stood there.
        rest: see `SolvedPoint`.
    """

    def __init__(
        self,
        rig: Rig,
        point: Pointing,
        number: int,
        total: int,
        image: Image,
        told: tuple[float, float],
        *,
        rest: Rest | None = None,
    ) -> None:
        self.rig, self.point, self.number, self.total = rig, point, number, total
        self._image, self._told, self._rest = image, told, rest
        self._names = kept_names(rig)
        self._clock = rig.clock
        self._threads = threads_of(rig.clock)
        self._downloaded = self._threads.signal()
        self.began_s = self._clock.monotonic_s()
        self._ended_s: float | None = None
        self._task = BackgroundTask(f"point-{number}", self._run, self._threads)

    # -- in the thread -----------------------------------------------------------------------

    def _run(self, task: BackgroundTask[SolvedPoint]) -> SolvedPoint:
        try:
            return self._work(task)
        finally:
            self._ended_s = self._clock.monotonic_s()
            self._downloaded.set()

    def _work(self, task: BackgroundTask[SolvedPoint]) -> SolvedPoint:
        rig, number = self.rig, self.number
        try:
            frame = self._image.fetch()
        except AlpacaError as error:
            if any(RULES[name].covers(error) for name in ("camera_restarted", "exposure")):
                raise FrameLost(error) from error
            raise
        self._downloaded.set()
        task.cancel.check()
        stars, quality = measure_stars(rig, frame)
        task.tell(lambda: tell_frame(rig, frame, stars, quality, number))
        look = solve_frame(rig, frame, stars, self._told, task.cancel)
        trouble = keep_frame(rig, frame, look.plate, number, self._names)
        if trouble:
            task.tell(lambda: rig.note(trouble, warning=True))
        solved = SolvedPoint(
            number, self.point, frame, quality, look.plate, look.pointing.declination, self._rest
        )
        task.tell(lambda: judge(rig, solved, self.total, look))
        return solved

    # -- in the run's own thread ---------------------------------------------------------------

    def look(self) -> None:
        """Tell what has come out since; judge it as soon as it is there. Never waits.

        Raises:
            GuardError: the stars say that the mount was not where it should have been.
            PolewrightError: trouble that nothing cures. What another exposure may cure is kept
                for `finish`: the mount may as well end its slew.
        """
        over = self._task.done
        self._task.tell_news()
        error = self._task.error
        if over and error is not None and not isinstance(error, (*UNSOLVED, FrameLost)):
            raise error

    @property
    def failed(self) -> bool:
        """Whether it is known already that this point needs another exposure."""
        return self._task.done and self._task.error is not None

    def until_the_mount_may_move(self) -> None:
        """Wait for the image where the mount cannot be watched while it comes.

        A server that does one thing at a time answers nothing, not even a stop, until the image
        is through: then the slew waits. One question tells.
        """
        if self._downloaded.wait(LOOK_S):
            return
        began_s = self._threads.timer_s()
        try:
            self.rig.telescope.slewing()
            prompt = self._threads.timer_s() - began_s < PROMPT_S
        except AlpacaError:
            prompt = False
        if not prompt:
            with self.rig.times.spent("download", self._clock):
                self._wait(self._downloaded.wait, "download", None)

    def hidden_by(self, slew_began_s: float, slew_ended_s: float) -> float:
        """Return how many seconds of this work went on during a slew (times of the run's clock)."""
        ended_s = slew_ended_s if self._ended_s is None else self._ended_s
        return max(0.0, min(ended_s, slew_ended_s) - max(self.began_s, slew_began_s))

    def finish(self) -> SolvedPoint:
        """Wait until the frame is solved and judged, and return the point.

        Raises:
            FrameLost: the image did not come.
            SolveHangs: the solver does not keep to its time.
            PolewrightError: what `UNSOLVED` names, and what `look` raises.
        """
        with self.rig.times.spent("download", self._clock):
            self._wait(self._downloaded.wait, "download", None)
        limit_s = 2.0 * self.rig.config.solver.timeout_s + SOLVE_SPARE_S
        with self.rig.times.spent("solve", self._clock):
            self._wait(self._task.wait, "solve", limit_s)
        self.look()
        return self._task.result()

    def abandon(self) -> None:
        """Let the thread end as soon as it can; its result is not wanted any more."""
        self._task.cancel.cancel(say("the run has ended"))
        self._image.abandon()

    def _wait(self, over: Callable[[float], bool], step: str, limit_s: float | None) -> None:
        rig = self.rig
        began_s = told_s = self._threads.timer_s()
        first = True
        while not over(LOOK_S):
            rig.cancel.check()
            self.look()
            now_s = self._threads.timer_s()
            if limit_s is not None and now_s - began_s > limit_s:
                raise SolveHangs(self.number, now_s - began_s)
            if first or now_s - told_s >= TELL_S:
                first, told_s = False, now_s
                elapsed_s = self._clock.monotonic_s() - self.began_s
                rig.progress(step, self.number, self.total, elapsed_s, None)
                if step == "solve":  # while an image comes the mount may not answer
                    rig.guards.while_tracking()
