"""Standard output and error of a run that outlives its terminal, or writes into a full disk.

A terminal that was closed answers every write with an error, and so does a log file on a full
disk. Neither may end a run that moves a mount, and a result that standard output does not take
goes to standard error.
"""

from __future__ import annotations

import atexit
import errno
import os
import sys
from typing import Any, TextIO

from polewright.foundation.errors import in_words
from polewright.foundation.language import say


class Enduring:
    """A text stream whose writes never raise an OSError.

    Args:
        stream: what is written to.
        otherwise: takes, with a word of why, what ``stream`` did not take; not when whoever
            read it has gone away, as ``| head`` does.
    """

    def __init__(self, stream: TextIO, otherwise: TextIO | Enduring | None = None) -> None:
        self._stream, self._otherwise = stream, otherwise
        self._untaken: list[str] = []
        self._failed = False

    def __getattr__(self, name: str) -> Any:
        """Be the stream in everything else."""
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """Write, or lose the text."""
        if self._otherwise is not None:
            self._untaken.append(text)
        try:
            self._stream.write(text)
        except (OSError, ValueError) as error:
            self._fails(error)
        return len(text)

    def writelines(self, lines: Any) -> None:
        """Write lines."""
        for line in lines:
            self.write(line)

    def flush(self) -> None:
        """Write through, or lose what was written."""
        try:
            self._stream.flush()
        except (OSError, ValueError) as error:
            self._fails(error)
        else:
            self._untaken.clear()

    def _fails(self, error: Exception) -> None:
        if not self._failed:
            self._failed = True
            atexit.register(self._let_go)
        untaken, self._untaken = "".join(self._untaken), []
        gone = isinstance(error, BrokenPipeError) or getattr(error, "errno", None) == errno.EPIPE
        if untaken and not gone and self._otherwise is not None:
            reason = in_words(error)
            self._otherwise.write(
                say("Standard output cannot be written ({reason}). It was:\n", reason=reason)
            )
            self._otherwise.write(untaken)
            self._otherwise.flush()

    def _let_go(self) -> None:
        """Give what is left in its buffer to nobody: the interpreter's own flush would fail."""
        try:
            self._stream.flush()
        except (OSError, ValueError):
            try:
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, self._stream.fileno())
                os.close(nowhere)
            except (OSError, ValueError):
                pass


def endure() -> None:
    """Put `Enduring` around standard output and error."""
    if sys.stderr is not None:
        sys.stderr = Enduring(sys.stderr)
    if sys.stdout is not None:
        sys.stdout = Enduring(sys.stdout, sys.stderr)
