"""The errors a user can meet, and the exit code each kind ends a command with.

::

    PolewrightError
    ├── ConfigError        the configuration, an option or an input file is wrong
    ├── DeviceError        a device is missing, silent, or refused (leaves: alpaca/errors.py)
    ├── ImageError         a frame is unusable (leaves: images/errors.py)
    ├── SolveError         a frame was not solved (leaves: solving/errors.py)
    ├── GeometryError      the axis cannot be computed or trusted (leaves: geometry/errors.py)
    ├── PlanError          no sweep fits, or the wanted one is unsafe (leaves: planning/errors.py)
    ├── GuardError         a guard stopped motion during a run
    ├── Cancelled          the user (or a signal) asked to stop
    │   └── WatchdogEnded  nobody did: the run hung, and its watchdog stopped the mount
    └── MotionUnknown      the mount could not be confirmed to have stopped
        └── LeftInHaste        nobody waited for it

A leaf names a situation. ``str(error)`` says in a line what happened, with numbers and units;
``error.likely`` why, most likely, where that is not in it; ``error.advice`` what to do;
``error.details`` what was tried or measured. Numbers also travel as attributes.
"""

from __future__ import annotations

import errno
from enum import IntEnum
from pathlib import Path

from polewright.foundation.language import say


class ExitCode(IntEnum):
    """What a command tells the script that called it."""

    OK = 0
    UNEXPECTED = 1
    USAGE = 2
    DEVICE = 3
    IMAGE = 4
    SOLVE = 5
    PLAN = 6
    GUARD = 7
    AXIS_NOT_TRUSTED = 8
    OUT_OF_TOLERANCE = 9
    UNSAFE = 10
    MOTION_UNKNOWN = 11
    UNDECIDED = 12
    INTERRUPTED = 130


EXIT_CODES = {
    ExitCode.OK: "done; the axis is within tolerance where a command measures it",
    ExitCode.UNEXPECTED: "unexpected fault of the program",
    ExitCode.USAGE: "an option, the configuration or an input file is wrong",
    ExitCode.DEVICE: "a device is missing, silent or refused",
    ExitCode.IMAGE: "a frame was unusable",
    ExitCode.SOLVE: "a frame could not be solved",
    ExitCode.PLAN: "no safe sweep, or the one asked for is not safe",
    ExitCode.GUARD: "a guard stopped the mount during the run",
    ExitCode.AXIS_NOT_TRUSTED: "the solved points contradict each other; no figure is given",
    ExitCode.OUT_OF_TOLERANCE: "measured, and the axis is outside the tolerance",
    ExitCode.UNSAFE: "the safety monitor says unsafe",
    ExitCode.MOTION_UNKNOWN: "the mount could not be confirmed to have stopped: go and look",
    ExitCode.UNDECIDED: "the drift check could not decide in the time it had",
    ExitCode.INTERRUPTED: "stopped by the user or a signal; motion was stopped",
}
"""What each means, for help and handbook."""


class PolewrightError(Exception):
    """Base of every error that is told to the user as a sentence, not a traceback."""

    code = "polewright"
    exit_code = ExitCode.UNEXPECTED
    advice = ""
    brief = ""
    """The cause in one line, for a phone; empty where the sentence itself is that short."""
    likely = ""
    details: tuple[str, ...] = ()


class ConfigError(PolewrightError):
    """The configuration, an option or an input file is wrong."""

    code = "config"
    exit_code = ExitCode.USAGE


class DeviceError(PolewrightError):
    """A device is missing, silent, or refused a request."""

    code = "device"
    exit_code = ExitCode.DEVICE


class ImageError(PolewrightError):
    """A frame is unusable."""

    code = "image"
    exit_code = ExitCode.IMAGE


class SolveError(PolewrightError):
    """A frame was not solved."""

    code = "solve"
    exit_code = ExitCode.SOLVE


class GeometryError(PolewrightError):
    """The axis cannot be computed, or the data contradict it."""

    code = "geometry"
    exit_code = ExitCode.AXIS_NOT_TRUSTED


class PlanError(PolewrightError):
    """No sweep fits the sky, or the one asked for is unsafe."""

    code = "plan"
    exit_code = ExitCode.PLAN


class GuardError(PolewrightError):
    """A guard stopped motion during a run."""

    code = "guard"
    exit_code = ExitCode.GUARD


class Cancelled(PolewrightError):
    """The user, or a signal, asked the run to stop."""

    code = "cancelled"
    exit_code = ExitCode.INTERRUPTED


class WatchdogEnded(Cancelled):
    """The run was not heard of for too long, and its watchdog has stopped the mount."""

    code = "watchdog_ended"
    exit_code = ExitCode.DEVICE
    advice = say(
        "Look at the mount, and at the camera, disk or program that did not answer; then start "
        "again."
    )


class MotionUnknown(PolewrightError):
    """The mount was told to stop, but nothing confirms that it did."""

    code = "motion_unknown"
    exit_code = ExitCode.MOTION_UNKNOWN
    advice = say(
        "Go and look at the mount now; be ready to cut its power. `polewright handbook "
        "trouble` says what was tried."
    )


class LeftInHaste(MotionUnknown):
    """A second interrupt ended the run before the mount had confirmed its stop."""

    advice = say(
        "Go and look at the mount now; be ready to cut its power. The watchdog goes on "
        "stopping it; the outcome is left in watchdog.json beside the journals."
    )


class Insisted(KeyboardInterrupt):
    """The user interrupts a second time: nothing is waited for any more."""


def in_words(error: Exception, *, told: Path | None = None) -> str:
    """Say in words why a file or a connection failed, without the system's numbers and quotes.

    Args:
        error: what was raised.
        told: the file that the sentence around it names; another one that the error is about
            (the folder in its way, for instance) is added. None: nothing is added.
    """
    if isinstance(error, OSError) and error.strerror:
        words = error.strerror[0].lower() + error.strerror[1:]
        about = error.filename
        if told is not None and isinstance(about, str) and Path(about) != told:
            words += say(": {about}", about=about)
        return words
    if isinstance(error, UnicodeDecodeError):
        return say("it is no UTF-8 text (byte 0x{object:02x})", object=error.object[error.start])
    return str(error) or type(error).__name__


#: What a place answers that is full, read-only, worn out, or not ours to write. (Windows knows no
#: quota's number.)
_NOT_NOW = frozenset(
    getattr(errno, name)
    for name in ("ENOSPC", "EDQUOT", "EROFS", "EACCES", "EPERM", "EIO", "EFBIG", "EMFILE", "ENFILE")
    if hasattr(errno, name)
)


def full_or_read_only(error: OSError) -> bool:
    """Whether a file could not be written for want of room or rights; else its path is wrong."""
    return error.errno in _NOT_NOW
