"""Single key presses from a terminal, or lines from a pipe, without ever blocking."""

from __future__ import annotations

import contextlib
import queue
import sys
import threading
from collections.abc import Iterator
from typing import Protocol, TextIO


class Keys(Protocol):
    """Where key presses come from."""

    def pressed(self) -> str:
        """Return the next character, or an empty string when there is none."""


class LineKeys:
    """Lines of a pipe or a plain terminal: each character of a line is a key, then Enter."""

    def __init__(self, stream: TextIO) -> None:
        self._waiting: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._stream = stream
        threading.Thread(target=self._read, name="keys", daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(ValueError, OSError):  # closed under our hands
            for line in self._stream:
                for character in line.rstrip("\r\n"):
                    self._waiting.put(character)
                self._waiting.put("\n")

    def pressed(self) -> str:
        """Return the next character, or an empty string when there is none."""
        try:
            return self._waiting.get_nowait()
        except queue.Empty:
            return ""


class NoKeys:
    """Nobody to press any."""

    def pressed(self) -> str:
        """Return an empty string."""
        return ""


if sys.platform == "win32":
    import msvcrt

    class _TerminalKeys:
        def pressed(self) -> str:
            if not msvcrt.kbhit():
                return ""
            character = msvcrt.getwch()
            if character in ("\x00", "\xe0"):  # arrow and function keys send a second one
                msvcrt.getwch()
                return ""
            if character == "\x03":
                raise KeyboardInterrupt
            return "\n" if character == "\r" else character

    def _in_the_background(_descriptor: int) -> bool:
        return False

    @contextlib.contextmanager
    def _terminal_keys() -> Iterator[Keys]:
        yield _TerminalKeys()

else:
    import os
    import select
    import termios
    import tty

    class _TerminalKeys:
        def __init__(self, descriptor: int) -> None:
            self._descriptor = descriptor

        def _ready(self) -> bool:
            return bool(select.select([self._descriptor], [], [], 0.0)[0])

        def pressed(self) -> str:
            try:
                if _in_the_background(self._descriptor):
                    return ""
                self._take_singly()
                return self._pressed() if self._ready() else ""
            except (OSError, termios.error):
                return ""  # the terminal was closed under a run that goes on without it

        def _take_singly(self) -> None:
            """Have each key at once again, where a shell had the terminal since (Ctrl-Z, fg)."""
            if termios.tcgetattr(self._descriptor)[3] & termios.ICANON:
                tty.setcbreak(self._descriptor, termios.TCSANOW)

        def _pressed(self) -> str:
            data = os.read(self._descriptor, 1)
            if data == b"\x1b" and self._ready():
                self._skip_sequence()
                return ""
            return data.decode("ascii", errors="ignore")

        def _skip_sequence(self) -> None:
            """Read the rest of what an arrow or function key sends (ECMA-48, 5.4)."""
            if os.read(self._descriptor, 1) not in (b"[", b"O"):
                return
            while self._ready() and not b"@" <= os.read(self._descriptor, 1) <= b"~":
                pass

    def _in_the_background(descriptor: int) -> bool:
        """Whether the terminal is another job's: touching it would halt this program."""
        try:
            return os.tcgetpgrp(descriptor) != os.getpgrp()
        except OSError:
            return False  # not this session's terminal: nobody is halted by that

    @contextlib.contextmanager
    def _terminal_keys() -> Iterator[Keys]:
        descriptor = sys.stdin.fileno()
        if _in_the_background(descriptor):
            yield NoKeys()
            return
        before = termios.tcgetattr(descriptor)
        try:
            tty.setcbreak(descriptor)  # unlike raw mode, Ctrl-C stays a signal
            yield _TerminalKeys(descriptor)
        finally:
            with contextlib.suppress(termios.error):  # it was closed
                termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


def somebody_at_the_keys() -> bool:
    """Whether standard input is a terminal, and this program the one that gets its keys."""
    stream = sys.stdin
    if stream is None or stream.closed or not stream.isatty():
        return False
    return not _in_the_background(stream.fileno())


@contextlib.contextmanager
def keys_of_stdin() -> Iterator[Keys]:
    """Give the keys of this program's standard input, and put the terminal back afterwards."""
    stream = sys.stdin
    if stream is None or stream.closed:
        yield NoKeys()
    elif stream.isatty():
        with _terminal_keys() as keys:
            yield keys
    else:
        yield LineKeys(stream)
