"""The console that every command writes to: text is data there, whoever wrote it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import rich.console
from rich.console import ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from polewright.foundation.language import translated
from polewright.foundation.plain_text import plain


class Console(rich.console.Console):
    """Prints strings as they are: no markup, no emoji codes, no highlighting, no controls.

    A sentence is put into the language in use. Own emphasis is a ``style``, or a `rich.text.Text`
    (see `headed`), so that brackets in a name or a message are brackets. Whatever is printed, live
    pictures and tables too, passes `render`.
    """

    def __init__(self, *, stderr: bool = False, **how: Any) -> None:
        super().__init__(stderr=stderr, markup=False, emoji=False, highlight=False, **how)

    def render_str(self, text: str, **how: Any) -> Text:
        """Return a string as rich text; made plain here, so that widths are those of what shows."""
        return super().render_str(plain(translated(text), lines=True), **how)

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Return the pieces to write; those of ready-made `Text` are made plain as well."""
        for piece in super().render(renderable, options):
            if piece.control or piece.text.isprintable():
                yield piece
            else:
                yield Segment(plain(piece.text, lines=True), piece.style)


def headed(word: str, style: str, text: str) -> Text:
    """Return a line that begins with an emphasised word."""
    return Text.assemble((translated(word), style), translated(text))


def styled(text: str, style: str = "") -> Text:
    """Return a text in the language in use, with a style."""
    return Text(plain(translated(text), lines=True), style=style)
