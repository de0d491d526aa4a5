"""Runs one local program to its end, to a time limit or to a cancellation, never beyond.

The program runs without a shell in a process group of its own; when it is stopped, or when it
has ended, what is left of the group is ended too.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from polewright.clock import CancelToken
from polewright.errors import in_words
from polewright.solving.errors import SolverFailed, SolverTimedOut

_LOOK_EVERY_S = 0.02
_GRACE_S = 0.5
_TAIL_BYTES = 4000
_WINDOWS = sys.platform == "win32"


@dataclass(frozen=True)
class Ended:
    """How a program ended by itself."""

    exit_status: int
    last_lines: tuple[str, ...]
    """End of what it printed, both streams."""


def run(
    solver: str,
    arguments: Sequence[str],
    folder: Path,
    *,
    timeout_s: float,
    cancel: CancelToken | None = None,
) -> Ended:
    """Run ``arguments`` in ``folder`` and wait.

    Raises:
        SolverTimedOut: ended because it took longer than ``timeout_s``.
        SolverFailed: it could not be started.
        polewright.errors.Cancelled: ended because ``cancel`` was raised.
    """
    printed = folder / "printed.log"
    with printed.open("wb") as output:
        try:
            process = _start(arguments, folder, output.fileno())
        except OSError as exc:
            raise SolverFailed(
                solver, None, f"{arguments[0]} could not be started: {in_words(exc)}"
            ) from exc
        deadline = time.monotonic() + timeout_s
        try:
            while not _has_ended(process):
                if cancel is not None:
                    cancel.wait(_LOOK_EVERY_S)
                    cancel.check()
                else:
                    time.sleep(_LOOK_EVERY_S)
                if time.monotonic() > deadline:
                    raise SolverTimedOut(solver, timeout_s)
        finally:
            _end(process)
    return Ended(process.returncode, _tail(printed))


def _start(arguments: Sequence[str], folder: Path, output: int) -> subprocess.Popen[bytes]:
    flags = 0
    if sys.platform == "win32":
        flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW
    return subprocess.Popen(  # noqa: S603  the user's own configuration names the program
        list(arguments),
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=output,
        stderr=subprocess.STDOUT,
        start_new_session=not _WINDOWS,
        creationflags=flags,
    )


def _has_ended(process: subprocess.Popen[bytes]) -> bool:
    """Look without collecting the status: until then the number of the group stays taken."""
    if sys.platform != "win32" and hasattr(os, "waitid"):
        options = os.WEXITED | os.WNOHANG | os.WNOWAIT
        return os.waitid(os.P_PID, process.pid, options) is not None
    return process.poll() is not None


def _end(process: subprocess.Popen[bytes]) -> None:
    """End what is left of the program and its children, then collect its status."""
    if sys.platform == "win32":
        if process.poll() is None:
            subprocess.run(  # noqa: S603  a fixed command of the system
                ["taskkill", "/T", "/F", "/PID", str(process.pid)],  # noqa: S607
                check=False,
                capture_output=True,
            )
            process.kill()
        process.wait()
        return
    if process.returncode is None:
        ended = _has_ended(process)
        _signal_group(process.pid, signal.SIGTERM)
        give_up = time.monotonic() + (0.0 if ended else _GRACE_S)
        while not ended and time.monotonic() < give_up:
            time.sleep(0.01)
            ended = _has_ended(process)
        _signal_group(process.pid, signal.SIGKILL)
    process.wait()


def _signal_group(group: int, number: int) -> None:
    if sys.platform == "win32":
        return
    try:
        os.killpg(group, number)
    except (ProcessLookupError, PermissionError):
        return  # nobody is left (a group of which only an ended leader remains: not permitted)


def _tail(path: Path, lines: int = 6) -> tuple[str, ...]:
    with path.open("rb") as source:
        source.seek(0, os.SEEK_END)
        source.seek(max(0, source.tell() - _TAIL_BYTES))
        text = source.read().decode("utf-8", "replace")
    kept = [line.strip()[:200] for line in text.splitlines() if line.strip()]
    return tuple(kept[-lines:])
