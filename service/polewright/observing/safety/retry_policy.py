"""What a run does about each kind of trouble: one table, used by the code and by the handbook.

All numbers are own choices.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from polewright.devices.alpaca import errors as alpaca
from polewright.devices.alpaca.errors import AlpacaError
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.errors import (
    Cancelled,
    ExitCode,
    GeometryError,
    GuardError,
    ImageError,
    MotionUnknown,
    PlanError,
    PolewrightError,
    SolveError,
    WatchdogEnded,
)
from polewright.observing.safety.guard_errors import NoLight, PointNotSolved, TooBright

R = TypeVar("R")

#: After a run cannot confirm that the mount stopped, its watchdog goes on trying for so long.
WATCHDOG_TRIES_S = 60.0


@dataclass(frozen=True)
class Rule:
    """What is done about one kind of trouble."""

    trouble: str
    """A sentence for people."""
    errors: tuple[type[PolewrightError], ...]
    """What carries it in the code."""
    waits_s: tuple[float, ...] = ()
    """It is tried again after each of these waits: as many times as there are."""
    again: str = ""
    """What is tried again, or why nothing is."""
    then: str = "the run ends"
    """What happens when that did not help."""
    mount: str = "stopped"
    exit_code: ExitCode | None = None
    """None: the run goes on."""

    @property
    def times(self) -> int:
        """How often it is tried again."""
        return len(self.waits_s)

    def covers(self, error: BaseException) -> bool:
        """Whether an error is of this kind."""
        return isinstance(error, self.errors)


RULES: Mapping[str, Rule] = {
    # Questions to devices, and the settings of a camera's window: again does no harm.
    "read_silent": Rule(
        "a device does not answer a question in time",
        (alpaca.DeviceSilent,),
        (0.5,),
        "the question",
        exit_code=ExitCode.DEVICE,
    ),
    "read_dropped": Rule(
        "the connection breaks off during a question",
        (alpaca.ConnectionDropped,),
        (0.5, 2.0),
        "the question (the connection itself is renewed once at once)",
        exit_code=ExitCode.DEVICE,
    ),
    "read_unreachable": Rule(
        "a server that had answered before cannot be reached",
        (alpaca.ServerUnreachable,),
        (1.0, 2.0, 4.0),
        "the question",
        exit_code=ExitCode.DEVICE,
    ),
    "read_failed": Rule(
        "a driver answers a question with an error of its own, or HTTP 5xx",
        (alpaca.DriverFault, alpaca.ServerFault),
        (0.5, 1.0),
        "the question",
        exit_code=ExitCode.DEVICE,
    ),
    "read_nonsense": Rule(
        "an answer is not JSON, incomplete, of another type, or to another question",
        (alpaca.BadReply,),
        (0.2, 1.0),
        "the question; a member that never makes sense counts as missing",
        exit_code=ExitCode.DEVICE,
    ),
    "command": Rule(
        "a command (slew, tracking, expose) fails or its answer is lost",
        (alpaca.AlpacaError,),
        again="nothing by itself: it may have been carried out, which is looked up where possible; "
        "only settings of the camera's window are sent again as a question is",
        exit_code=ExitCode.DEVICE,
    ),
    "connect": Rule(
        "a device does not connect",
        (alpaca.NotConnectedInTime, alpaca.DriverFault, alpaca.ServerFault),
        (3.0,),
        "connecting",
        mount="not moved",
        exit_code=ExitCode.DEVICE,
    ),
    "weather": Rule(
        "the weather station is missing or silent, or tells what is stale or cannot be",
        (),
        again="a station that had connected is asked again before each sweep; until then the air "
        "comes from the next source",
        then="the run goes on with a warning, and the axis is less sure",
        mount="as it was",
    ),
    # Frames
    "exposure": Rule(
        "an exposure fails, comes late, is cut off, mislabelled, of another size, or an older one",
        (
            alpaca.ExposureFailed,
            alpaca.ExposureTimedOut,
            alpaca.CameraBusy,
            alpaca.StaleImage,
            alpaca.BadReply,
            alpaca.ConnectionDropped,
            alpaca.DeviceSilent,
            alpaca.DriverFault,
            alpaca.ServerFault,
            alpaca.InvalidOperation,
        ),
        (1.0, 3.0),
        "the exposure",
        exit_code=ExitCode.DEVICE,
    ),
    "camera_restarted": Rule(
        "the camera's driver restarts or loses its connection",
        (alpaca.NotConnected, alpaca.ServerUnreachable),
        (2.0, 5.0),
        "connecting, and then the exposure",
        exit_code=ExitCode.DEVICE,
    ),
    "unsolved": Rule(
        "a frame is not solved: cloud, dew, tree, lamp, focus, false match",
        (SolveError, ImageError),
        again="longer exposures, other places, another sweep, as [recovery] allows; "
        "a live frame: the next one, for ever with somebody there",
        exit_code=ExitCode.SOLVE,
    ),
    "nowhere": Rule(
        "no point of a sweep has been solved for [recovery] nowhere_s (half of it is warned of)",
        (PointNotSolved,),
        again="nothing more; the message says what was",
        exit_code=ExitCode.SOLVE,
    ),
    "no_light": Rule(
        "the first frame shows no stars and no more light than a very short one: lens cap, closed "
        "cover or roof, a wall",
        (NoLight,),
        again="one frame of 10 s, by its stars; no other place",
        exit_code=ExitCode.SOLVE,
    ),
    "too_bright": Rule(
        "the first frame shows no stars and all its pixels are full: the Sun, twilight, a lamp",
        (TooBright,),
        again="nothing; no other place",
        exit_code=ExitCode.SOLVE,
    ),
    "behind": Rule(
        "the image of a point does not come, or its frame is not solved, and the mount is on its "
        "way to the next point already",
        (),
        again="the slew ends, the mount goes back, and what is written above holds from there; a "
        "longer exposure that solved is kept for the points after it",
        then="as written above",
        mount="tracks",
    ),
    "reference": Rule(
        "no frame after the sweep is solved, so nothing can be followed",
        (SolveError, ImageError),
        (0.0, 0.0, 0.0),
        "the frame",
        exit_code=ExitCode.SOLVE,
    ),
    # Motion
    "slew": Rule(
        "a slew is refused by the driver, not begun within 30 s, or its answer is lost and it does "
        "not begin; the mount is confirmed to stand still",
        (
            alpaca.SlewIgnored,
            alpaca.DriverFault,
            alpaca.ServerFault,
            alpaca.ConnectionDropped,
            alpaca.DeviceSilent,
            alpaca.BadReply,
        ),
        (2.0,),
        "the slew, after all guards have looked again",
        exit_code=ExitCode.DEVICE,
    ),
    "mount_restarted": Rule(
        "the mount's driver restarts or loses its connection",
        (alpaca.NotConnected, alpaca.ServerUnreachable),
        again="nothing: it may have lost its place; it is connected once more to be stopped",
        exit_code=ExitCode.DEVICE,
    ),
    "guard": Rule(
        "a guard objects: Sun, horizon, meridian, limit, time, side of the pier, somebody else who "
        "moves the mount, a clock that is set during a sweep, or a wrong place by the stars, while "
        "the next slew runs, too",
        (GuardError,),
        again="nothing",
        exit_code=ExitCode.GUARD,
    ),
    "stop_unconfirmed": Rule(
        "the mount was told to stop and nothing confirms that it did",
        (MotionUnknown,),
        (0.0, 0.0),
        "the stop, at once, and when a queued slew begins after it; then looks for 10 s, or until "
        "nothing can begin any more; then the watchdog stops and looks for "
        f"{WATCHDOG_TRIES_S:.0f} s more",
        then="the run ends: motion state unknown, go and look",
        mount="UNKNOWN",
        exit_code=ExitCode.MOTION_UNKNOWN,
    ),
    # The result
    "contradiction": Rule(
        "the solved points contradict each other: slip, sinking tripod, flexure",
        (GeometryError,),
        again="nothing: no figure is given",
        exit_code=ExitCode.AXIS_NOT_TRUSTED,
    ),
    "plan": Rule(
        "no safe sweep fits, or the one asked for is not safe",
        (PlanError,),
        again="nothing",
        mount="not moved",
        exit_code=ExitCode.PLAN,
    ),
    # The program and its computer
    "journal": Rule(
        "journal, log, history or a kept frame cannot be written (disk full or read-only)",
        (),
        again="again with every further record; what the journal lacks is kept in memory till then",
        then="the run goes on with a warning",
        mount="as it was",
    ),
    "others": Rule(
        "somebody else moves the mount while the adjusters are turned by hand",
        (),
        again="nothing; it is told, and that only a new sweep helps",
        then="the run goes on",
        mount="as it was",
    ),
    "clock_set": Rule(
        "the computer's clock is set while the adjusters are turned",
        (),
        again="the reading goes on from there, with a warning of what the step has spoiled",
        then="the run goes on",
        mount="as it was",
    ),
    "run_hangs": Rule(
        "the program hangs longer than its present step may take",
        (WatchdogEnded,),
        again="the watchdog stops the mount and ends the run",
        then="the run ends if it ever comes back; the outcome is left in watchdog.json",
        mount="stopped, or told UNKNOWN",
        exit_code=ExitCode.DEVICE,
    ),
    "interrupted": Rule(
        "Ctrl-C, a termination signal, or a stop by the user",
        (Cancelled,),
        again="nothing",
        exit_code=ExitCode.INTERRUPTED,
    ),
    "unexpected": Rule(
        "a fault of the program itself",
        (),
        again="nothing",
        exit_code=ExitCode.UNEXPECTED,
    ),
    "run_died": Rule(
        "the program is killed or crashes",
        (),
        again=f"the watchdog stops the mount, for up to {WATCHDOG_TRIES_S:.0f} s",
        then="the outcome is left in watchdog.json beside the journals",
        mount="stopped, or told UNKNOWN",
    ),
}


def patience() -> dict[type[alpaca.AlpacaError], tuple[float, ...]]:
    """Return the waits after which a question to a device is asked again, by kind of failure."""
    return {
        kind: rule.waits_s
        for name, rule in RULES.items()
        if name.startswith("read_")
        for kind in rule.errors
        if issubclass(kind, alpaca.AlpacaError)
    }


def repeating(
    names: tuple[str, ...],
    action: Callable[[], R],
    *,
    clock: Clock,
    cancel: CancelToken | None,
    tell: Callable[[str, PolewrightError], None],
) -> R:
    """Run ``action``, again as often as the rules of these names allow, and return its result.

    Args:
        names: the first rule that covers an error counts; each keeps its own count.
        action: must be harmless to repeat.
        clock: for the waits.
        cancel: ends them.
        tell: called with the rule's name and the error before each further try; what it raises
            ends the repeating.
    """
    used = dict.fromkeys(names, 0)
    while True:
        try:
            return action()
        except PolewrightError as error:
            name = next((name for name in names if RULES[name].covers(error)), None)
            if name is None or used[name] >= RULES[name].times:
                raise
            tell(name, error)
            clock.sleep(RULES[name].waits_s[used[name]], cancel)
            used[name] += 1


def only_of(device_type: str, error: PolewrightError) -> None:
    """Raise an error that another device than this type is to blame for."""
    if isinstance(error, AlpacaError) and error.where.device_type != device_type:
        raise error
