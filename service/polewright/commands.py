"""A user-given command with named places: split before it is filled, and run without a shell."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import time
from collections.abc import Callable, Mapping

from polewright.errors import ConfigError, PolewrightError

_PLACE = re.compile(r"\{([a-z_]+)\}")
LOOK_S = 0.2
MOST_OUTPUT = 2000


class CommandFailed(PolewrightError):
    """A user-given command did not do its work. Its arguments are not told: they may be secret."""

    code = "command_failed"
    advice = "Run the command by hand as the same user, and look at what it says."

    def __init__(self, key: str, why: str) -> None:
        super().__init__(key, why)
        self.key, self.why = key, why

    def __str__(self) -> str:
        return f"the command of {self.key} failed: {self.why}"


class UserCommand:
    """A command template.

    Args:
        text: words as on a command line; ``{name}`` is filled in later.
        key: where it was configured, for messages.
        places: names that may stand in braces.

    Raises:
        ConfigError: empty, unbalanced quotes, or a place that does not exist.
    """

    def __init__(self, text: str, key: str, places: frozenset[str]) -> None:
        posix = os.name != "nt"  # on Windows a backslash is part of a path
        try:
            parts = shlex.split(text, posix=posix)
        except ValueError as exc:
            raise ConfigError(f"{key}: the command cannot be split: {exc}") from exc
        self.key = key
        self.words = tuple(part if posix else part.strip('"') for part in parts)
        if not self.words:
            raise ConfigError(f"{key}: the command is empty")
        unknown = sorted({n for word in self.words for n in _PLACE.findall(word)} - places)
        if unknown:
            known = ", ".join(f"{{{name}}}" for name in sorted(places))
            raise ConfigError(f"{key}: unknown {{{unknown[0]}}}; there are {known}")

    def filled(self, values: Mapping[str, str]) -> list[str]:
        """Return the arguments; every place gets its value, which is never split again."""
        return [_PLACE.sub(lambda match: values[match.group(1)], word) for word in self.words]

    def run(
        self,
        values: Mapping[str, str],
        *,
        timeout_s: float,
        tick: Callable[[], None] = lambda: None,
    ) -> str:
        """Run it to its end and return what it printed.

        Args:
            values: text for every place.
            timeout_s: real seconds after which it is ended.
            tick: called several times a second; what it raises ends the command.

        Raises:
            CommandFailed: it cannot be started, takes too long, or its exit code is not 0.
        """
        try:
            process = subprocess.Popen(  # noqa: S603 - the user's own command, without a shell
                self.filled(values),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                errors="replace",
            )
        except OSError as exc:
            raise CommandFailed(self.key, exc.strerror or type(exc).__name__) from exc
        deadline = time.monotonic() + timeout_s
        try:
            while True:
                try:
                    output, _none = process.communicate(timeout=LOOK_S)
                    break
                except subprocess.TimeoutExpired:
                    tick()
                    if time.monotonic() > deadline:
                        raise CommandFailed(
                            self.key, f"it was not over after {timeout_s:g} s"
                        ) from None
        except BaseException:
            process.kill()
            process.communicate()
            raise
        if process.returncode != 0:
            said = output.strip()[-MOST_OUTPUT:]
            raise CommandFailed(self.key, f"exit code {process.returncode}; it said: {said}")
        return output
