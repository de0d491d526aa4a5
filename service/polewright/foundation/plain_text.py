"""Text that others wrote (devices, programs, files), made harmless for whoever reads it.

A name or a message may hold what a terminal obeys (escape sequences), what turns a line around
(bidirectional controls), what looks like a line of our own (line breaks), what cannot be encoded
(lone surrogates), or a megabyte. The words are kept; what is no letter to read is shown as one.
"""

from __future__ import annotations

import html
import unicodedata

LONGEST = 300
"""Characters of a name or message of a device that are kept (own choice)."""
_CONTROL_PICTURES = 0x2400
"""Unicode block: the picture of control character n stands at this plus n."""


def plain(text: str, longest: int | None = None, *, lines: bool = False) -> str:
    """Return a text with every unseen character shown or made a space.

    Line breaks and tabs become spaces; the other ASCII controls their pictures (``␛``); the rest
    ``<U+202E>``. Plain text comes back as it is, so that twice is the same as once.

    Args:
        text: any string, with lone surrogates, too.
        longest: cut to so many characters, with ``...`` at the end.
        lines: keep line feeds.
    """
    kept = text if longest is None else text[:longest]
    if not kept.isprintable():
        kept = "".join(_shown(character, lines) for character in kept)[:longest]
    return kept if longest is None or len(text) <= longest else kept + "..."


def _shown(character: str, lines: bool) -> str:
    if character.isprintable() or (lines and character == "\n"):
        return character
    category = unicodedata.category(character)
    if category == "Zs":
        return character  # a space of some width
    if character in "\t\n\v\f\r\x85" or category in ("Zl", "Zp"):
        return " "
    code = ord(character)
    if code < 0x20:
        return chr(_CONTROL_PICTURES + code)
    if code == 0x7F:
        return "\u2421"
    return f"<U+{code:04X}>"


def plain_html(text: str) -> str:
    """Return a text for a place between or in HTML tags."""
    return html.escape(plain(text, lines=True))
