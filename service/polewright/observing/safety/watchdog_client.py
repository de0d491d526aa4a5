"""The run's side of the watchdog: starts it, keeps it quiet while all is well, dismisses it."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import platformdirs

from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.clock import REAL_THREADS, CancelToken, Clock, Threads, threads_of
from polewright.foundation.errors import (
    DeviceError,
    Insisted,
    LeftInHaste,
    MotionUnknown,
    WatchdogEnded,
)
from polewright.foundation.language import say
from polewright.observing.rig.camera_setup import camera_left_whole
from polewright.observing.rig.rig import Rig
from polewright.observing.safety.disk_space import check_room
from polewright.observing.safety.mount_lock import only_run
from polewright.observing.safety.retry_policy import WATCHDOG_TRIES_S
from polewright.observing.safety.watchdog_process import SAW_IT_STOPPED
from polewright.records.events import Event, MotionStopped, Progress

#: Real seconds within which the run is heard of again, by what it does. A wait or a look at a
#: device comes every second at most; what is allowed covers a device that does not answer.
#: A settle look is an exposure and its download of a part of the sensor, for which a camera that
#: does not answer is waited 31 s, and one that trickles twice that.
ALLOWED_S = {"slew": 30.0, "settle": 120.0, "exposure": 60.0, "prepare": 900.0}
ALLOWED_OTHERWISE_S = 60.0
#: A download over a poor link takes its time; its own limits end it before.
DOWNLOAD_S = 600.0
#: Beyond the solver's own limits, which do not count the whole sky's database: that is built once
#: for a set-up, in up to 200 s where it was measured, on a busy machine.
SOLVE_SPARE_S = 360.0
#: A beat is passed on so often at most, s.
BEAT_EVERY_S = 0.5
#: A long sleep is cut into pieces of so many real seconds.
SLEEP_PIECE_S = 1.0
STATUS_FILE = "watchdog.json"
#: Watchdogs that outlive their run: kept, or Python complains of processes that nobody waits for.
_LEFT: list[subprocess.Popen[str]] = []


class StoppedLate(DeviceError):
    """The mount confirmed its stop to the watchdog only."""

    code = "stopped_late"
    advice = say(
        "Look at the mount and its driver's log before the next run: its answers were lost."
    )

    def __init__(self, told: str) -> None:
        super().__init__(told)
        self.told = told

    def __str__(self) -> str:
        return say("{told}; the watchdog saw it stopped in the end", told=self.told)


class Watchdog:
    """A running watchdog process.

    Args:
        telescope: what it would stop.
        status_file: where it leaves its outcome.
        cancel: raised when the watchdog has stopped the mount under a run that hung.
        solve_s: longest a solve may take.
        rate: of the clock, other than 1 where that is the computer's, but faster.
        give_up_s: how long it tries to stop the mount; None: as the policy says.
        threads: of the run's clock: their timer tells when the run was heard of last.
    """

    def __init__(
        self,
        telescope: Telescope,
        status_file: Path | None,
        cancel: CancelToken,
        *,
        solve_s: float = 60.0,
        rate: float = 1.0,
        give_up_s: float | None = None,
        threads: Threads = REAL_THREADS,
    ) -> None:
        self._cancel, self._timer_s = cancel, threads.timer_s
        self._give_up_s = WATCHDOG_TRIES_S if give_up_s is None else give_up_s
        self._allowed = {
            **ALLOWED_S,
            "download": DOWNLOAD_S,
            # Hinted, blind, and what a solver needs to notice that its time is over.
            "solve": 2.0 * solve_s + SOLVE_SPARE_S,
        }
        self._now_allowed_s = ALLOWED_OTHERWISE_S
        self._told_s = -1e9
        self._told_allowed_s = 0.0
        self._rate = rate
        self._begins_until_s = 0.0
        self._lock = threading.Lock()
        where = telescope.where
        command = [
            sys.executable,
            "-m",
            "polewright.observing.safety.watchdog_process",
            where.host,
            str(where.port),
            str(where.number),
            str(telescope.connection.client_id),
            "" if status_file is None else str(status_file),
            f"{self._give_up_s:g}",
            f"{rate:g}",
        ]
        self.process = _started(command)

    def beat(self, allowed_s: float | None = None) -> None:
        """Tell that the run is alive, and will be heard of within so many real seconds."""
        with self._lock:
            allowed = self._now_allowed_s if allowed_s is None else allowed_s
            now = self._timer_s()
            if now - self._told_s < BEAT_EVERY_S and allowed == self._told_allowed_s:
                return
            if not self._tell(f"beat {allowed:g}"):
                # It has stopped the mount, or was killed: either way nothing is watched any more.
                self._cancel.cancel(
                    say("the watchdog has ended and may have stopped the mount"), WatchdogEnded
                )
            self._told_s, self._told_allowed_s = now, allowed

    def heard(self, event: Event) -> None:
        """Take an event of the run for a sign of life; progress tells what it is at."""
        if isinstance(event, Progress):
            self._now_allowed_s = self._allowed.get(event.step, ALLOWED_OTHERWISE_S)
        self.beat()

    def command(self, begins_s: float) -> None:
        """Tell that a command is about to be sent that may begin within so many seconds; 0: it has.

        Seconds of the run's clock.
        """
        with self._lock:
            self._tell(f"command {begins_s:g}")
            self._begins_until_s = self._timer_s() + begins_s / self._rate

    def _tell(self, line: str) -> bool:
        stdin = self.process.stdin
        if stdin is None or self.process.poll() is not None:
            return False
        try:
            stdin.write(line + "\n")
            stdin.flush()
        except (OSError, ValueError):
            return False
        return True

    def dismiss(self) -> None:
        """Let it go: the run is over and the mount as the run wants it."""
        self._tell("bye")
        self._close(5.0)

    def take_over(self) -> bool:
        """Leave the mount to the watchdog; return whether it saw the mount stopped.

        One that has ended before knows nothing of what was sent to the mount since.
        """
        ended_before = not self._tell("take over")
        # Beyond its own limit: the answers that it may still wait for.
        begins_s = max(0.0, self._begins_until_s - self._timer_s())
        return self._close(self._give_up_s + begins_s + 30.0) == SAW_IT_STOPPED and not ended_before

    def leave_to_it(self) -> None:
        """Leave the mount to the watchdog without waiting for what comes of it."""
        self._tell("take over")
        with contextlib.suppress(OSError, ValueError):
            if self.process.stdin is not None:
                self.process.stdin.close()
        _LEFT.append(self.process)

    def _close(self, wait_s: float) -> int | None:
        with contextlib.suppress(OSError, ValueError):
            if self.process.stdin is not None:
                self.process.stdin.close()
        try:
            return self.process.wait(wait_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            return None


def _started(command: list[str]) -> subprocess.Popen[str]:
    # A session of its own: what ends the run's group of processes must not end this.
    return subprocess.Popen(  # noqa: S603 - our own module
        command, stdin=subprocess.PIPE, text=True, start_new_session=True
    )


class WatchedClock:
    """A clock whose sleeps are signs of life."""

    def __init__(self, clock: Clock, watchdog: Watchdog) -> None:
        self._clock, self._watchdog = clock, watchdog
        self.rate: float = getattr(clock, "rate", 1.0)
        self.threads = threads_of(clock)

    def utc_s(self) -> float:
        """Seconds since 1970-01-01T00:00:00 UTC."""
        return self._clock.utc_s()

    def monotonic_s(self) -> float:
        """Seconds of a timer that never steps back."""
        return self._clock.monotonic_s()

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        """Wait; raise `Cancelled` at once when ``cancel`` is raised meanwhile."""
        piece = SLEEP_PIECE_S * self.rate
        end_s = self._clock.monotonic_s() + seconds
        while True:
            self._watchdog.beat()
            left_s = end_s - self._clock.monotonic_s()
            self._clock.sleep(max(0.0, min(piece, left_s)), cancel)
            if left_s <= piece:
                return


def status_file_of(rig: Rig) -> Path:
    """Return where the watchdog of a run leaves its outcome: beside the journals."""
    folder = rig.config.run.journal_folder
    if folder is not None:
        return Path(folder).expanduser() / STATUS_FILE
    return Path(platformdirs.user_state_dir("polewright")) / "sessions" / STATUS_FILE


@contextmanager
def watched(rig: Rig) -> Iterator[None]:
    """Have a rig watched while the block moves it; put around `motion_stopped_on_trouble`.

    The mount is this run's alone meanwhile; the camera is left with whole frames.

    Raises:
        MountTaken: another run of this computer moves it.
        MotionUnknown: as the block does, unless the watchdog then sees the mount stopped: then
            what had ended the run comes through.
        StoppedLate: nothing but the stop itself had gone wrong, and the watchdog saw it.
    """
    check_room(rig)
    alone = only_run(rig.telescope.where, partial(rig.note, warning=True))
    with alone, camera_left_whole(rig), _dogged(rig):
        yield


@contextmanager
def _dogged(rig: Rig) -> Iterator[None]:
    clock, emit = rig.clock, rig.emit
    dog = Watchdog(
        rig.telescope,
        status_file_of(rig),
        rig.cancel,
        solve_s=rig.config.solver.timeout_s,
        rate=getattr(clock, "rate", 1.0),
        threads=threads_of(clock),
    )

    def hear(event: Event) -> None:
        dog.heard(event)
        emit(event)

    rig.clock = rig.telescope.clock = rig.camera.clock = WatchedClock(clock, dog)
    rig.emit = hear
    rig.telescope.on_command = dog.command
    try:
        yield
    except MotionUnknown as unknown:
        if isinstance(unknown, LeftInHaste):
            dog.leave_to_it()
            raise
        try:
            seen = dog.take_over()
        except Insisted:
            raise LeftInHaste(str(unknown)) from unknown
        if not seen:
            raise
        reason = say("the watchdog saw it stopped in the end")
        emit(MotionStopped(utc_s=clock.utc_s(), state="stopped", reason=reason))
        raise _what_ended_it(unknown) from None
    except BaseException:
        dog.dismiss()
        raise
    else:
        dog.dismiss()
    finally:
        rig.clock = rig.telescope.clock = rig.camera.clock = clock
        rig.emit = emit
        rig.telescope.on_command = lambda _seconds: None


def _what_ended_it(unknown: MotionUnknown) -> BaseException:
    """Return what had ended the run before its stop could not be confirmed."""
    cause: BaseException | None = unknown
    while isinstance(cause, MotionUnknown):
        cause = cause.__cause__
    return cause if cause is not None else StoppedLate(str(unknown))
