"""Motion that always ends: slews and axis moves that are watched, and a stop that is confirmed.

`Motion` is the part of a telescope that waits; `polewright.alpaca.telescope` adds the members.
"""

from __future__ import annotations

import logging
import math
from abc import abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, TypeVar

from polewright.alpaca.deadline import Deadline
from polewright.alpaca.device import Device, is_absent
from polewright.alpaca.errors import (
    AlpacaError,
    CannotSlew,
    ConnectionDropped,
    DeviceSilent,
    InvalidOperation,
    InvalidValue,
    NotConnected,
    NotImplementedByDevice,
    Parked,
    RateOutOfRange,
    RequestRejected,
    Slaved,
    SlewIgnored,
    SlewTimedOut,
    WrongAddress,
)
from polewright.alpaca.models import BOOL, FLOAT
from polewright.angles import (
    ARCSEC,
    DEG,
    HOUR,
    SIDEREAL_RATE,
    Vector,
    fold_pi,
    separation,
    unit_vector,
)
from polewright.clock import CancelToken, Clock
from polewright.errors import MotionUnknown

if TYPE_CHECKING:
    from polewright.alpaca.telescope import MountState

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
    RateOutOfRange,
    RequestRejected,
    Slaved,
    WrongAddress,
)

#: Called with every look at a moving mount; raising stops the mount.
Watch = Callable[["MountState"], None]

#: Slewing may read False for the first 0.1 to 1 s of a slew (seen in real drivers).
START_LAG_S = 2.0
#: Looks that read False must span so long before "not slewing" is believed.
SETTLED_SPAN_S = 0.5
#: Positions of a standing mount may differ so much: hand-controller protocols round to 1 s of RA.
STILL_RAD = 20.0 * ARCSEC


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


class Motion(Device):
    """Waiting, watching and stopping, for `polewright.alpaca.telescope.Telescope`."""

    @abstractmethod
    def state(self) -> MountState:
        """Look at the mount."""

    @abstractmethod
    def slew_to_coordinates_async(
        self, right_ascension_hours: float, declination_deg: float
    ) -> None:
        """Start a slew."""

    @abstractmethod
    def move_axis(self, axis: int, rate_deg_s: float) -> None:
        """Turn one axis."""

    def slewing(self) -> bool:
        """Whether a slew, axis move or flip runs."""
        return self._get("slewing", BOOL)

    def abort_slew(self) -> None:
        """Stop a slew, by the urgent lane. Prefer `stop_motion`. Raises `Parked` when parked."""
        self._put("abortslew", timeout_s=5.0, urgent=True)

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

        def start() -> None:
            self.slew_to_coordinates_async(right_ascension_hours, declination_deg)

        def follow() -> SlewResult:
            now, seen = self._until_still(
                "slewtocoordinatesasync", deadline, cancel, watch, poll_s, target
            )
            miss = float(separation(_pointing(now), target))
            moved = float(separation(_pointing(now), _pointing(before)))
            if not seen and miss > 0.1 * DEG and moved < 0.25 * miss:
                raise SlewIgnored(self.where, "slewtocoordinatesasync", miss / DEG)
            return SlewResult(deadline.waited_s, seen, miss / DEG, now)

        return self._stopping_on_failure(start, follow)

    def _start(self, command: Callable[[], None]) -> None:
        """Send a motion command once; if its answer is lost, see whether it was carried out."""
        try:
            command()
        except (DeviceSilent, ConnectionDropped) as lost:
            try:
                moves = self.slewing()
            except AlpacaError as blind:
                raise lost from blind  # a refusal now says nothing about the command before
            if not moves:
                raise
            self.note("the answer to a slew command was lost, but the mount moves")

    def _until_still(
        self,
        member: str,
        deadline: Deadline,
        cancel: CancelToken | None,
        watch: Watch | None,
        poll_s: float,
        target: Vector,
    ) -> tuple[MountState, bool]:
        """Poll until two looks, spread over a while, say "not slewing".

        One is enough of a mount that was seen slewing elsewhere, and now reads ``target`` (3,).
        """
        timer = deadline.clock
        seen = away = False
        quiet_since: float | None = None
        first: MountState | None = None
        while True:
            now = self.state()
            if watch is not None:
                watch(now)
            at_s = timer.monotonic_s()
            first = first or now
            there = float(separation(_pointing(now), target)) < STILL_RAD
            if now.slewing:
                # Some read the target from the start, or were sent where they stood.
                seen, away, quiet_since = True, away or not there, None
            elif away and there and not self.slewing():
                return now, seen
            elif quiet_since is None:
                quiet_since = at_s
            else:
                span = SETTLED_SPAN_S
                if not seen and float(separation(_pointing(now), _pointing(first))) < STILL_RAD:
                    span = START_LAG_S
                if at_s - quiet_since >= span and not self.slewing():
                    return now, seen
            if deadline.passed:
                raise SlewTimedOut(self.where, member, deadline.waited_s, now.slewing)
            timer.sleep(poll_s, cancel)

    def move_axis_for(
        self,
        axis: int,
        rate_deg_s: float,
        duration_s: float,
        *,
        clock: Clock | None = None,
        cancel: CancelToken | None = None,
        watch: Watch | None = None,
        poll_s: float = 0.25,
    ) -> None:
        """Turn one axis for at most 120 s and stop it, whatever happens.

        Raises: `RateOutOfRange`, `Cancelled`, `MotionUnknown`, and what ``watch`` raises.
        """
        if not 0.0 < duration_s <= 120.0:
            raise RateOutOfRange(self.where, "moveaxis", f"{duration_s:g} s asked, 0 to 120")
        timer = clock or self.clock

        def follow() -> None:
            end_s = timer.monotonic_s() + duration_s
            while (left := end_s - timer.monotonic_s()) > 0.0:
                timer.sleep(min(poll_s, left), cancel)
                if watch is not None and left > poll_s:
                    watch(self.state())
            self.move_axis(axis, 0.0)
            self._wait("moveaxis", lambda: not self.slewing(), 15.0, timer, cancel, None)

        self._stopping_on_failure(lambda: self.move_axis(axis, rate_deg_s), follow)

    # -- shared waits ----------------------------------------------------------------------

    def _stopping_on_failure(self, start: Callable[[], None], follow: Callable[[], R]) -> R:
        """Run both; stop the mount whatever goes wrong, unless it refused to start at all."""
        try:
            try:
                self._start(start)
            except _REFUSALS as exc:
                refused: AlpacaError = exc
            else:
                return follow()
        except BaseException as exc:  # an interrupt, too, must not leave the mount moving
            log.warning("mount.stopping device=%s because=%r", self.where, exc)
            if self.stop_motion() is not MotionState.STOPPED:
                raise MotionUnknown(f"{self.where}: could not be confirmed stopped: {exc}") from exc
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
        def follow() -> None:
            self._wait(
                member, lambda: there() and not self.slewing(), timeout_s, clock, cancel, watch
            )

        # Before version 4 the command may block until the mount has arrived.
        self._stopping_on_failure(lambda: self._move_command(member, timeout_s), follow)

    def _move_command(self, member: str, timeout_s: float) -> None:
        if member == "park":
            self._put("park", timeout_s=timeout_s)
        else:
            self._put("findhome", timeout_s=timeout_s)

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
        """
        for attempt in range(3):
            if self._send_stops(attempt):
                break
        follows_on = tracking_off and not self._end_tracking()
        try:
            state = self._confirm_stopped(confirm_s)
        except Exception:
            log.exception("mount.stop_unconfirmed device=%s", self.where)
            return MotionState.UNKNOWN
        # One more look: answers that failed a moment ago may come again.
        if state is MotionState.STOPPED and follows_on and not self._end_tracking():
            return MotionState.UNKNOWN
        return state

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
            except Exception:
                log.exception("mount.tracking_stays device=%s", self.where)
                return False
        return False

    def _send_stops(self, attempt: int) -> bool:
        """Return whether the mount took an abort (or has no need of one)."""
        taken = self._try("abortslew", self.abort_slew)
        for axis in (0, 1):
            if self._flags.get(f"canmoveaxis {axis}", True):
                stop = self._axis_stopper(axis)
                taken = self._try(f"moveaxis {axis}", stop) and taken
        if not taken:
            log.warning("mount.stop_attempt_failed device=%s attempt=%d", self.where, attempt + 1)
        return taken

    def _axis_stopper(self, axis: int) -> Callable[[], None]:
        return lambda: self.move_axis(axis, 0.0)

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
            return is_absent(exc)
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
            return is_absent(exc)
        return True

    def _confirm_stopped(self, confirm_s: float) -> MotionState:
        timer = self.clock
        deadline = Deadline(timer, confirm_s)
        last: tuple[float, bool, float, float] | None = None
        verdict = MotionState.UNKNOWN
        while True:
            look = self._look()
            if look is not None and last is not None:
                still = stands_still(last, look)
                if still and not look[1] and not last[1]:
                    return MotionState.STOPPED
                verdict = MotionState.UNKNOWN if still else MotionState.MOVING
            last = look
            if deadline.passed:
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
            return None
        return self.clock.monotonic_s(), slewing, ra, dec


def _pointing(state: MountState) -> Vector:
    return unit_vector(state.right_ascension_hours * HOUR, state.declination_deg * DEG)


def stands_still(
    first: tuple[float, bool, float, float], second: tuple[float, bool, float, float]
) -> bool:
    """Whether a mount neither turned against the sky nor (untracked) against the ground."""
    seconds = second[0] - first[0]
    d_dec = second[3] - first[3]
    d_ra = fold_pi(second[2] - first[2])
    drift = seconds * SIDEREAL_RATE
    across = max(math.cos(second[3]), 0.0)
    return abs(d_dec) < STILL_RAD and min(abs(d_ra), abs(d_ra - drift)) * across < STILL_RAD
