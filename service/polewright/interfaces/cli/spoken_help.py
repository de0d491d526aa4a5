"""``--help`` in the reader's language: what a formatter is given is translated as it is written."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from typer.core import TyperCommand

from polewright.foundation import language
from polewright.foundation.config_place import find_config, wanted_language
from polewright.foundation.language import say, translated

#: What typer and click say by themselves; named here so that the list of messages has it.
BY_ITSELF = (
    say("Usage: "),
    say("Options"),
    say("Arguments"),
    say("Commands"),
    say("Show this message and exit."),
    say("Install completion for the current shell."),
    say("Show completion for the current shell, to copy it or customize the installation."),
)
#: What stands behind a description: default and range, in brackets.
_EXTRAS = re.compile(r"(.*?)((?:\s+\[[^\[\]]*\])*)", re.DOTALL)
_HELP = ("--help", "--help-all")
_Context = TyperCommand.context_class


class SpokenFormatter(_Context.formatter_class):  # type: ignore[name-defined, misc]
    """Writes headings, texts and descriptions in the language in use."""

    def write_usage(self, prog: str, args: str = "", prefix: str | None = None) -> None:
        """Write the line that shows how a command is called."""
        super().write_usage(prog, args, translated(prefix or say("Usage: ")))

    def write_heading(self, heading: str) -> None:
        """Write the heading of a section."""
        super().write_heading(translated(heading))

    def write_text(self, text: str) -> None:
        """Write paragraphs."""
        paragraphs = (paragraph_of(piece) for piece in text.split("\n\n"))
        super().write_text("\n\n".join(map(translated, paragraphs)))

    def write_dl(self, rows: Sequence[tuple[str, str]], *how: Any, **named: Any) -> None:
        """Write names and what they mean."""
        super().write_dl([(name, described(text)) for name, text in rows], *how, **named)


def paragraph_of(piece: str) -> str:
    """Return a paragraph of a docstring as one line, which is how the catalogues have it."""
    return " ".join(piece.split())


def described(text: str) -> str:
    """Translate a description, and the default and range that stand in brackets behind it."""
    if isinstance(text, language.Sentence):
        return translated(text)
    said, extras = _EXTRAS.fullmatch(text).groups()  # type: ignore[union-attr]
    for word, other in (("default", say("default")), ("required", say("required"))):
        extras = re.sub(rf"(?<=[\[ ]){word}(?=[\]:;])", translated(other), extras)
    return translated(said) + extras


class SpokenContext(_Context):  # type: ignore[valid-type, misc]
    """The context of a command whose help is translated."""

    formatter_class = SpokenFormatter


def choose_language(args: Sequence[str]) -> None:
    """Use the language that the words of a command line that asks for help lead to.

    A command that runs chooses by itself, when its words have been read.
    """
    language.use(language.FOLLOW_ENVIRONMENT)
    if args and not any(word in _HELP for word in args):
        return
    named = _value_of(args, "--config", "-c")
    wanted = _value_of(args, "--display-language")
    found = find_config(None if named is None else Path(named))
    language.use(
        wanted_language(found.path, {} if wanted is None else {"display.language": wanted})
    )


def _value_of(args: Sequence[str], *names: str) -> str | None:
    """Return what follows an option, in the next word or behind a ``=``."""
    for word, after in zip(args, [*args[1:], None], strict=False):
        name, equals, value = word.partition("=")
        if name in names:
            return value if equals else after
    return None
