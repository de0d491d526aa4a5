"""A user-given command with named places: split before it is filled, and run without a shell."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Callable, Mapping, Sequence

from polewright.foundation.errors import ConfigError, PolewrightError, in_words
from polewright.foundation.language import say
from polewright.foundation.programs import Ended, Program

_PLACE = re.compile(r"\{([a-z_]+)\}")
MOST_OUTPUT = 2000


class CommandFailed(PolewrightError):
    """A user-given command did not do its work. Its arguments are not told: they may be secret."""

    code = "command_failed"
    advice = say("Run the command by hand as the same user, and look at what it says.")

    def __init__(self, key: str, why: str) -> None:
        super().__init__(key, why)
        self.key, self.why = key, why

    def __str__(self) -> str:
        return say("the command of {key} failed: {why}", key=self.key, why=self.why)


class UserCommand:
    """A command with named places, split before they are filled: no value is ever split again.

    Args:
        command: one text as on a command line, or the arguments; ``{name}`` is filled in later.
        key: where it was configured, for messages.
        places: names that may stand in braces.

    Raises:
        ConfigError: empty, unbalanced quotes, or a place that does not exist.
    """

    def __init__(self, command: str | Sequence[str], key: str, places: frozenset[str]) -> None:
        self.key = key
        if isinstance(command, str):
            posix = os.name != "nt"  # on Windows a backslash is part of a path
            try:
                parts = shlex.split(command, posix=posix)
            except ValueError as exc:
                raise ConfigError(
                    say("{key}: the command cannot be split: {exc}", key=key, exc=exc)
                ) from exc
            self.words = tuple(part if posix else part.strip('"') for part in parts)
        else:
            self.words = tuple(command)
        if not self.words:
            raise ConfigError(say("{key}: the command is empty", key=key))
        self.places = frozenset(name for word in self.words for name in _PLACE.findall(word))
        unknown = sorted(self.places - places)
        if unknown:
            known = ", ".join(f"{{{name}}}" for name in sorted(places))
            raise ConfigError(
                say(
                    "{key}: unknown {{{unknown}}}; there are {known}",
                    key=key,
                    unknown=unknown[0],
                    known=known,
                )
            )

    def filled(self, values: Mapping[str, str]) -> list[str]:
        """Return the arguments with every place filled in."""
        return [_PLACE.sub(lambda match: values[match.group(1)], word) for word in self.words]

    def run(
        self,
        values: Mapping[str, str],
        *,
        timeout_s: float,
        tick: Callable[[], None] = lambda: None,
    ) -> str:
        """Run it to its end and return what it printed; children it leaves behind run on.

        Args:
            values: text for every place.
            timeout_s: real seconds after which it is ended, its children with it.
            tick: called many times a second; what it raises ends the command and its children.

        Raises:
            CommandFailed: it cannot be started, takes too long, or its exit code is not 0.
        """
        return self.finish(self.start(values), timeout_s, tick)

    def start(self, values: Mapping[str, str]) -> Program:
        """Start it and return it while it runs.

        Raises:
            CommandFailed: it cannot be started.
        """
        try:
            return Program(self.filled(values))
        except OSError as exc:
            raise CommandFailed(self.key, in_words(exc)) from exc

    def finish(
        self, program: Program, timeout_s: float, tick: Callable[[], None] = lambda: None
    ) -> str:
        """Wait for what `start` returned, as `run` says."""
        return self.checked(program.finish(timeout_s, tick, children=False), timeout_s)

    def checked(self, ended: Ended | None, timeout_s: float) -> str:
        """Return what an ended command printed.

        Raises:
            CommandFailed: its exit code is not 0, or it was not over (None) after ``timeout_s``.
        """
        if ended is None:
            raise CommandFailed(
                self.key, say("it was not over after {timeout_s:g} s", timeout_s=timeout_s)
            )
        if ended.exit_status != 0:
            said = ended.printed.strip()[-MOST_OUTPUT:]
            raise CommandFailed(
                self.key,
                say(
                    "exit code {exit_status}; it said: {said}",
                    exit_status=ended.exit_status,
                    said=said,
                ),
            )
        return ended.printed
