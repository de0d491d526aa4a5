"""Runs a program of the user's to its end, to a time limit or to a stop, never beyond.

The program runs without a shell in a process group of its own, and prints into a file: a child
that it leaves behind can hold a pipe open, and would hold up whoever waits for the pipe's end.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from polewright.foundation.plain_text import plain

LOOK_EVERY_S = 0.02
GRACE_S = 0.5
"""Between asking a program to end and ending it (own choice)."""
_TAIL_BYTES = 4000
_WINDOWS = sys.platform == "win32"


@dataclass(frozen=True)
class Ended:
    """How a program ended by itself."""

    exit_status: int
    printed: str
    """End of what it printed, both streams."""

    @property
    def last_lines(self) -> tuple[str, ...]:
        """The last six lines that are not empty, 200 characters each at most."""
        kept = [line.strip()[:200] for line in self.printed.splitlines() if line.strip()]
        return tuple(kept[-6:])


def _to_print_into() -> IO[bytes]:
    """Return a file of no name; where the disk has no room for one, what is printed is lost.

    A motor's ``stop`` has to run all the same.
    """
    try:
        return tempfile.TemporaryFile()
    except OSError:
        return Path(os.devnull).open("w+b")


class Program:
    """A program that runs.

    Args:
        arguments: the program and its arguments.
        folder: where it runs; None: where this process does.

    Raises:
        OSError: it cannot be started.
    """

    def __init__(self, arguments: Sequence[str], folder: Path | None = None) -> None:
        self._ended: Ended | None = None
        flags = 0
        if sys.platform == "win32":
            flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW
        self._output = _to_print_into()
        try:
            self._process = subprocess.Popen(  # noqa: S603 - the user's own configuration names it
                list(arguments),
                cwd=folder,
                stdin=subprocess.DEVNULL,
                stdout=self._output,
                stderr=subprocess.STDOUT,
                start_new_session=not _WINDOWS,
                creationflags=flags,
            )
        except BaseException:
            self._output.close()
            raise

    def has_ended(self) -> bool:
        """Look without collecting the status: until then the number of the group stays taken."""
        if sys.platform != "win32" and hasattr(os, "waitid"):
            if self._process.returncode is not None:
                return True
            options = os.WEXITED | os.WNOHANG | os.WNOWAIT
            return os.waitid(os.P_PID, self._process.pid, options) is not None
        return self._process.poll() is not None

    def wait(self, timeout_s: float, tick: Callable[[], None] = lambda: None) -> bool:
        """Wait for its end, real seconds; return whether it has ended. ``tick`` may raise."""
        give_up = time.monotonic() + timeout_s
        while not self.has_ended():
            tick()
            if time.monotonic() > give_up:
                return False
            time.sleep(LOOK_EVERY_S)
        return True

    def finish(
        self,
        timeout_s: float,
        tick: Callable[[], None] = lambda: None,
        *,
        children: bool = True,
    ) -> Ended | None:
        """Wait for its end; return None where it was not over in time, and was ended.

        Args:
            timeout_s: real seconds after which it is ended, its children with it.
            tick: called many times a second; what it raises ends the program and its children.
            children: as for `end`, where it ends by itself in time.
        """
        in_time = False
        try:
            in_time = self.wait(timeout_s, tick)
        finally:
            ended = self.end(children=children or not in_time)
        return ended if in_time else None

    def end(self, *, children: bool = True) -> Ended:
        """End the program where it still runs, and collect its status; a second call is harmless.

        Args:
            children: whether children that an ended program has left behind are ended, too;
                those of a program that still runs always are.
        """
        if self._ended is not None:
            return self._ended
        if not self.has_ended() or children:
            self._end_group()
        self._process.wait()
        self._output.seek(0, os.SEEK_END)
        self._output.seek(max(0, self._output.tell() - _TAIL_BYTES))
        printed = plain(self._output.read().decode("utf-8", "replace"), lines=True)
        self._output.close()
        self._ended = Ended(self._process.returncode, printed)
        return self._ended

    def _end_group(self) -> None:
        if sys.platform == "win32":
            if self._process.poll() is None:
                subprocess.run(  # noqa: S603 - a fixed command of the system
                    ["taskkill", "/T", "/F", "/PID", str(self._process.pid)],  # noqa: S607
                    check=False,
                    capture_output=True,
                )
                self._process.kill()
            return
        ended = self.has_ended()
        self._signal(signal.SIGTERM)
        if not ended:
            self.wait(GRACE_S)
        self._signal(signal.SIGKILL)

    def _signal(self, number: int) -> None:
        if sys.platform == "win32":
            return
        try:
            os.killpg(self._process.pid, number)
        except (ProcessLookupError, PermissionError):
            return  # nobody is left (a group with only an ended leader left: not permitted)
