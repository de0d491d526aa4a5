"""Motion that always ends: slews and axis moves that are watched, and a stop that is confirmed.

`Motion` is the part of a telescope that waits; `devices.alpaca.telescope` adds the members.
"""

from __future__ import annotations

import logging
import math
from abc import abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum
from functools import partial
from typing import TypeVar

from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.deadline import Deadline
from polewright.devices.alpaca.device import Device
from polewright.devices.alpaca.errors import (
    AlpacaError,
    CannotSlew,
    ConnectionDropped,
    DeviceSilent,
    ForeignAnswer,
    InvalidOperation,
    InvalidValue,
    NotConnected,
    NotImplementedByDevice,
    Parked,
    RequestRejected,
    Slaved,
    SlewIgnored,
    SlewTimedOut,
    WrongAddress,
    is_absent,
)
from polewright.devices.alpaca.models import BOOL, FLOAT
from polewright.devices.alpaca.mount_state import MountState
from polewright.foundation.angles import (
    ARCSEC,
    DEG,
    HOUR,
    SIDEREAL_RATE,
    Vector,
    fold_pi,
    separation,
    unit_vector,
)
from polewright.foundation.clock import CancelToken, Clock, threads_of
from polewright.foundation.errors import Insisted, MotionUnknown
from polewright.foundation.language import joined, say

log = logging.getLogger(__name__)
R = TypeVar("R")

#: Answers to a motion command after which nothing can be moving because of it.
_REFUSALS = (
    CannotSlew,
    InvalidOperation,
    InvalidValue,
    NotConnected,
    NotImplementedByDevice,
    Parked,
    RequestRejected,
    Slaved,
    WrongAddress,
)

#: Called with every look at a moving mount; raising stops the mount.
Watch = Callable[[MountState], None]

#: A command that has not begun so long after it was sent is told as ignored (own choice: drivers
#: that queue commands were seen to take 20 s).
START_LIMIT_S = 30.0
#: Slewing may read False for the first 0.1 to 1 s of a slew (seen in real drivers); and what is
#: allowed beyond twice the latest begin that this mount has shown.
START_LAG_S = 2.0
#: Looks that read False must span so long before "not slewing" is believed.
SETTLED_SPAN_S = 0.5
#: So long must a mount stand that has stopped short of its target, or never said that it slews:
#: some read out their position every 2 s only (own choice).
STALL_SPAN_S = 3.0
#: A mount that said it slews, and then that it does not, is believed after this in any case.
RESTLESS_S = 10.0
#: A mount so near to its target has arrived, or need not move at all.
NEAR_RAD = 0.1 * DEG
#: Positions of a standing mount may differ so much: hand-controller protocols round to 1 s of RA.
STILL_RAD = 20.0 * ARCSEC

#: Answers after which it is open whether a command was carried out.
LOST = (DeviceSilent, ConnectionDropped, ForeignAnswer)


class MotionState(Enum):
    """What is known about a mount after it was told to stop."""

    STOPPED = "stopped"
    MOVING = "moving"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class SlewResult:
    """How a slew ended."""

    took_s: float
    seen_moving: bool
    """False for a slew so short (or already there) that no look caught it."""
    miss_deg: float
    """Angle between target and the position the mount reports."""
    state: MountState


class OpenCall:
    """A command whose answer comes when the mount has arrived, awaited in a thread of its own."""

    def __init__(self, command: Callable[[], object], clock: Clock) -> None:
        self._command = command
        self._error: BaseException | None = None
        # A daemon: a server that never answers must not keep the program from ending.
        threads = threads_of(clock)
        self._done = threads.signal()
        threads.start(self._run, "slew")

    def _run(self) -> None:
        try:
            self._command()
        except BaseException as error:  # noqa: BLE001 - raised again by the thread that follows
            self._error = error
        finally:
            self._done.set()

    @property
    def open(self) -> bool:
        """Whether the answer is still to come."""
        return not self._done.is_set()

    def check(self) -> None:
        """Raise what the command was answered with, unless its answer was only lost."""
        if not self.open and self._error is not None and not isinstance(self._error, LOST):
            raise self._error


class Motion(Device):
    """Waiting, watching and stopping, for `polewright.devices.alpaca.telescope.Telescope`."""

    def __init__(
        self, connection: AlpacaConnection, number: int = 0, *, clock: Clock | None = None
    ) -> None:
        super().__init__(connection, number, clock=clock)
        self.stop_troubles: list[str] = []
        """What went wrong with the last stop, in the driver's words."""
        self.on_command: Callable[[float], None] = lambda _seconds: None
        """Told before a command that moves the mount within how many seconds it may begin, and 0
        once it has begun."""
        self._sent_s: float | None = None
        self._call: OpenCall | None = None

    def _forget(self) -> None:
        super()._forget()
        self._latest_begin_s: float | None = None

    @abstractmethod
    def state(self) -> MountState:
        """Look at the mount."""

    @abstractmethod
    def start_slew(
        self, right_ascension_hours: float, declination_deg: float, timeout_s: float
    ) -> OpenCall | None:
        """Start a slew; return the call that is open until it ends, where the mount has no other.

        Raises as `slew_and_wait`, and `CannotSlew`.
        """

    @abstractmethod
    def stop_axis(self, axis: int) -> None:
        """End a turn of one axis."""

    def slewing(self) -> bool:
        """Whether a slew, axis move or flip runs."""
        return self._get("slewing", BOOL)

    def abort_slew(self) -> None:
        """Stop a slew, by the urgent lane. Prefer `stop_motion`. Raises `Parked` when parked."""
        self._put("abortslew", timeout_s=5.0, urgent=True)

    # -- when a command begins -------------------------------------------------------------

    def _sending(self) -> None:
        """A command is about to be sent: from now on it may begin."""
        self.on_command(START_LIMIT_S)
        self._sent_s = self.clock.monotonic_s()

    def _begun(self, *, learn: bool = True) -> None:
        """The command has begun, or never will; ``learn`` how long that took."""
        if self._sent_s is None:
            return
        if learn:
            took_s = self.clock.monotonic_s() - self._sent_s
            self._latest_begin_s = max(took_s, self._latest_begin_s or 0.0)
        self._sent_s = None
        self.on_command(0.0)

    @property
    def _begin_allowed_s(self) -> float:
        """How long after it was sent a command may still begin, by this mount's habit."""
        if self._latest_begin_s is None:
            return START_LIMIT_S
        return min(START_LIMIT_S, START_LAG_S + 2.0 * self._latest_begin_s)

    def _may_begin_until_s(self) -> float:
        """Until when (of the clock's timer) what was sent may still begin; -inf for nothing."""
        if self._sent_s is None:
            return -math.inf
        allowed_s = self._begin_allowed_s
        if self.clock.monotonic_s() - self._sent_s > allowed_s:
            allowed_s = START_LIMIT_S
        return self._sent_s + allowed_s

    # -- slews -----------------------------------------------------------------------------

    def slew_and_wait(
        self,
        right_ascension_hours: float,
        declination_deg: float,
        *,
        timeout_s: float = 180.0,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
        watch: Watch | None = None,
        poll_s: float = 0.25,
    ) -> SlewResult:
        """Slew (mount's own coordinates), watch, and return when the mount says it is done.

        ``watch`` sees every look and may raise to stop the mount. Whatever ends this early (an
        error, a cancel, a deadline) stops the mount first.

        A slew that has not begun after `START_LIMIT_S` is ignored. Whatever ends this while it may
        still begin makes the stop watch for that.

        Raises: `SlewTimedOut`, `SlewIgnored`, `Cancelled`, `MotionUnknown` when a stop was
            needed and could not be confirmed, and what ``watch`` or the device raise.
        """
        timer = clock or self.clock
        if cancel is not None:
            cancel.check()
        before = self.state()
        if watch is not None:
            watch(before)
        target = unit_vector(right_ascension_hours * HOUR, declination_deg * DEG)
        deadline = Deadline(timer, timeout_s)
        lost: list[AlpacaError] = []

        def start() -> None:
            self._sending()
            self._call = None
            try:
                self._call = self.start_slew(right_ascension_hours, declination_deg, timeout_s)
            except LOST as error:
                lost.append(error)
                self._look_after(error)

        def follow() -> SlewResult:
            try:
                now, seen = self._until_still(deadline, cancel, watch, poll_s, before, target)
            except SlewIgnored as ignored:
                if lost:
                    raise lost[0] from ignored
                raise
            if lost:
                self.note(say("the answer to a slew command was lost, but the mount moved"))
            miss = float(separation(_pointing(now), target))
            return SlewResult(deadline.waited_s, seen, miss / DEG, now)

        return self._stopping_on_failure(start, follow)

    def _look_after(self, lost: AlpacaError) -> None:
        """Ask whether the mount still answers, after the answer to a command was lost."""
        try:
            self.slewing()
        except AlpacaError as blind:
            raise lost from blind  # a refusal now says nothing about the command before

    def _until_still(
        self,
        deadline: Deadline,
        cancel: CancelToken | None,
        watch: Watch | None,
        poll_s: float,
        before: MountState,
        target: Vector,
    ) -> tuple[MountState, bool]:
        """Poll until the slew has begun and is over; return the last look, and if Slewing was seen.

        It has begun when Slewing says so or the position has left where it was ``before``. It is
        over when both are at rest, for longer where less speaks for the end: one look is enough of
        a mount that was seen slewing elsewhere, and now reads ``target`` (3,).

        Raises: `SlewIgnored`, `SlewTimedOut`, `Cancelled`, and what ``watch`` raises.
        """
        timer = deadline.clock
        way = float(separation(_pointing(before), target))
        begins = max(STILL_RAD, min(0.5 * NEAR_RAD, 0.25 * way))
        seen = away = moved = False
        quiet: tuple[float, bool, float, float] | None = None
        silent_since_s = math.inf
        start_s = timer.monotonic_s()
        origin = _as_look(before, start_s)
        while True:
            now = self.state()
            if self._call is not None:
                try:
                    self._call.check()
                except _REFUSALS:
                    self._begun(learn=False)
                    raise
                now = replace(now, slewing=now.slewing or self._call.open)
            if watch is not None:
                watch(now)
            at_s = timer.monotonic_s()
            look = _as_look(now, at_s)
            miss = float(separation(_pointing(now), target))
            there = miss < STILL_RAD
            moved = moved or not stands_still(origin, look, within=begins)
            if now.slewing or moved:
                self._begun(learn=now.slewing or miss < way)
            if now.slewing:
                # Some read the target from the start, or were sent where they stood.
                seen, away, quiet, silent_since_s = True, away or not there, None, math.inf
            elif away and there and not self.slewing():
                return now, seen
            else:
                silent_since_s = min(silent_since_s, at_s)
                if quiet is None or not stands_still(quiet, look):
                    quiet = look
                span = self._quiet_span_s(seen, moved, miss)
                rested = at_s - quiet[0] >= span or (seen and at_s - silent_since_s >= RESTLESS_S)
                if rested and not self.slewing():
                    if not seen and not moved and miss > NEAR_RAD:
                        raise SlewIgnored(
                            self.where, "slewtocoordinatesasync", miss / DEG, at_s - start_s
                        )
                    self._begun(learn=False)
                    return now, seen
            if deadline.passed:
                raise SlewTimedOut(
                    self.where, "slewtocoordinatesasync", deadline.waited_s, now.slewing
                )
            timer.sleep(poll_s, cancel)

    def _quiet_span_s(self, seen: bool, moved: bool, miss: float) -> float:
        """Return how long a mount must stand, ``miss`` (rad) from its target, to be done."""
        if seen or moved:
            arrived = miss < (NEAR_RAD if seen else STILL_RAD)
            return SETTLED_SPAN_S if arrived else STALL_SPAN_S
        if miss > NEAR_RAD:
            return START_LIMIT_S
        # Where it was sent already. A mount known to be slow may still go through the motions.
        return START_LAG_S if self._latest_begin_s is None else self._begin_allowed_s

    # -- shared waits ----------------------------------------------------------------------

    def _stopping_on_failure(self, start: Callable[[], None], follow: Callable[[], R]) -> R:
        """Run both; stop the mount whatever goes wrong, unless it refused to start at all."""
        try:
            try:
                start()
            except _REFUSALS as exc:
                refused: AlpacaError = exc
                self._begun(learn=False)
            else:
                return follow()
        except Insisted:
            raise  # who ends the run stops the mount, and does not wait for it
        except BaseException as exc:  # an interrupt, too, must not leave the mount moving
            log.warning("mount.stopping device=%s because=%r", self.where, exc)
            if self.stop_motion() is not MotionState.STOPPED:
                raise MotionUnknown(
                    say(
                        "{where}: could not be confirmed stopped{stop_words}: {exc}",
                        where=self.where,
                        stop_words=self.stop_words(),
                        exc=exc,
                    )
                ) from exc
            raise
        raise refused

    def _guarded_move(
        self,
        member: str,
        there: Callable[[], bool],
        timeout_s: float,
        clock: Clock | None,
        cancel: CancelToken | None,
        watch: Watch | None,
    ) -> None:
        def start() -> None:
            self._sending()
            try:
                # Before version 4 the command may block until the mount has arrived.
                self._put(member, timeout_s=timeout_s)
            except LOST as error:
                self._look_after(error)
                self.note(
                    say(
                        "the answer to {member} was lost; what the mount does is watched",
                        member=member,
                    )
                )

        def over() -> bool:
            slewing = self.slewing()
            if slewing:
                self._begun()
            return there() and not slewing

        def follow() -> None:
            self._wait(member, over, timeout_s, clock, cancel, watch)
            self._begun(learn=False)

        self._stopping_on_failure(start, follow)

    def _wait(
        self,
        member: str,
        done: Callable[[], bool],
        timeout_s: float,
        clock: Clock | None,
        cancel: CancelToken | None,
        watch: Watch | None,
    ) -> None:
        def watched() -> bool:
            if done():
                return True
            if watch is not None:
                watch(self.state())
            return False

        self._until(member, watched, timeout_s, clock, cancel)

    # -- stopping --------------------------------------------------------------------------

    def stop_motion(self, *, tracking_off: bool = False, confirm_s: float = 10.0) -> MotionState:
        """Stop everything and look whether it worked; never raises an Exception.

        Sends AbortSlew and rate 0 to both axes by the urgent lane (repeating a stop is safe), on
        request switches tracking off, then watches Slewing and position for up to
        ``confirm_s``. `MotionState.STOPPED` needs two looks a second apart that read "not
        slewing" at a position that stands still, or drifts with the sky; and, if tracking was to
        end, that it reads off (or that this mount cannot switch it).

        A command that was sent and not seen to begin may be queued behind the abort: the mount is
        watched for as long as it may still begin, and stopped again when it does.
        """
        self.stop_troubles = []
        try:
            # A mount that moves already needs no watch for a late begin.
            if self._sent_s is not None and self._get("slewing", BOOL, timeout_s=1.0, urgent=True):
                self._begun()
        except AlpacaError as exc:
            log.warning("mount.look_failed device=%s: %s", self.where, exc)
        follows_on = self._stop_all(tracking_off)
        try:
            state = self._confirm_stopped(confirm_s, lambda: self._stop_all(tracking_off))
        except Exception:
            log.exception("mount.stop_unconfirmed device=%s", self.where)
            return MotionState.UNKNOWN
        # One more look: answers that failed a moment ago may come again.
        if state is MotionState.STOPPED and follows_on and not self._end_tracking():
            return MotionState.UNKNOWN
        return state

    def stop_words(self) -> str:
        """Return what the driver said to the last stop, in brackets after a blank; or nothing."""
        return (
            say(" ({stop_troubles})", stop_troubles=joined("; ", self.stop_troubles[:3]))
            if self.stop_troubles
            else ""
        )

    def _trouble(self, error: Exception) -> None:
        """Keep what went wrong with a stop for the message to the user."""
        if isinstance(error, AlpacaError):
            words = say(
                "{member}: {value}", member=error.member, value=error.detail or error.situation
            )
            if words not in self.stop_troubles:
                self.stop_troubles.append(words)

    def _stop_all(self, tracking_off: bool) -> bool:
        """Send the stops; return whether tracking may still be on though it was to end."""
        for attempt in range(3):
            if self._send_stops(attempt):
                break
        return tracking_off and not self._end_tracking()

    def _end_tracking(self) -> bool:
        """Switch tracking off, repeatedly; return whether it reads off, or cannot be switched."""
        for _attempt in range(3):
            try:
                self._put("tracking", timeout_s=5.0, urgent=True, Tracking=False)
                if self._get("tracking", BOOL, timeout_s=5.0, urgent=True) is False:
                    return True
            except (NotImplementedByDevice, Parked):
                return True
            except AlpacaError as exc:
                log.warning("mount.tracking_stays device=%s: %s", self.where, exc)
                if is_absent(exc):
                    return True
                self._trouble(exc)
            except Exception:
                log.exception("mount.tracking_stays device=%s", self.where)
                return False
        return False

    def _send_stops(self, attempt: int) -> bool:
        """Return whether the mount took an abort (or has no need of one)."""
        taken = self._try("abortslew", self.abort_slew)
        for axis in (0, 1):
            stop = partial(self.stop_axis, axis)
            taken = self._try(f"moveaxis {axis}", stop) and taken
        if not taken:
            log.warning("mount.stop_attempt_failed device=%s attempt=%d", self.where, attempt + 1)
        return taken

    def _try(self, what: str, command: Callable[[], object]) -> bool:
        try:
            command()
        except (NotImplementedByDevice, Parked):
            return True
        except NotConnected as exc:
            log.warning("mount.stop_reconnects device=%s what=%s: %s", self.where, what, exc)
            return self._connect_and(command)
        except AlpacaError as exc:
            log.warning("mount.stop_command_failed device=%s what=%s: %s", self.where, what, exc)
            if is_absent(exc):
                return True
            self._trouble(exc)
            return False
        except Exception:
            log.exception("mount.stop_command_failed device=%s what=%s", self.where, what)
            return False
        return True

    def _connect_and(self, command: Callable[[], object]) -> bool:
        """Connect a driver that has restarted meanwhile, and stop the mount then."""
        try:
            self._put("connected", timeout_s=5.0, urgent=True, Connected=True)
            command()
        except AlpacaError as exc:
            log.warning("mount.stop_command_failed device=%s: %s", self.where, exc)
            if is_absent(exc):
                return True
            self._trouble(exc)
            return False
        return True

    def _confirm_stopped(self, confirm_s: float, stop: Callable[[], object]) -> MotionState:
        timer = self.clock
        until_s = self._may_begin_until_s()
        deadline = Deadline(timer, confirm_s)
        last: tuple[float, bool, float, float] | None = None
        verdict = MotionState.UNKNOWN
        while True:
            look = self._look()
            if look is not None and last is not None:
                still = stands_still(last, look)
                rests = still and not look[1] and not last[1]
                if rests and look[0] >= until_s:
                    self._begun(learn=False)
                    return MotionState.STOPPED
                verdict = MotionState.UNKNOWN if still else MotionState.MOVING
                if not rests and self._sent_s is not None:
                    log.warning("mount.began_after_stop device=%s", self.where)
                    self._begun()
                    stop()
                    until_s = -math.inf
                    deadline = Deadline(timer, confirm_s)
                    look = None
            last = look
            if deadline.passed and timer.monotonic_s() > until_s + confirm_s:
                return verdict
            timer.sleep(1.0)

    def _look(self) -> tuple[float, bool, float, float] | None:
        """(time s, slewing, ra rad, dec rad) by the urgent lane; None when it does not answer."""
        try:
            slewing = self._get("slewing", BOOL, timeout_s=5.0, urgent=True)
            ra = self._get("rightascension", FLOAT, timeout_s=5.0, urgent=True) * HOUR
            dec = self._get("declination", FLOAT, timeout_s=5.0, urgent=True) * DEG
        except AlpacaError as exc:
            log.warning("mount.look_failed device=%s: %s", self.where, exc)
            self._trouble(exc)
            return None
        slewing = slewing or (self._call is not None and self._call.open)
        return self.clock.monotonic_s(), slewing, ra, dec


def _as_look(state: MountState, at_s: float) -> tuple[float, bool, float, float]:
    return at_s, state.slewing, state.right_ascension_hours * HOUR, state.declination_deg * DEG


def _pointing(state: MountState) -> Vector:
    return unit_vector(state.right_ascension_hours * HOUR, state.declination_deg * DEG)


def stands_still(
    first: tuple[float, bool, float, float],
    second: tuple[float, bool, float, float],
    within: float = STILL_RAD,
) -> bool:
    """Whether a mount neither turned against the sky nor (untracked) against the ground.

    Looks are (time s, slewing, right ascension rad, declination rad); ``within`` rad counts as
    standing.
    """
    seconds = second[0] - first[0]
    d_dec = second[3] - first[3]
    d_ra = fold_pi(second[2] - first[2])
    drift = seconds * SIDEREAL_RATE
    across = max(math.cos(second[3]), 0.0)
    return abs(d_dec) < within and min(abs(d_ra), abs(d_ra - drift)) * across < within
