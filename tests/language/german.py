"""Finds English of the product in a text that should be German."""

from __future__ import annotations

import re
from functools import cache
from string import Formatter

import polib
from tools import messages

#: A piece of a message with so many words is English and nothing else.
WORDS = 2


@cache
def _pieces() -> tuple[list[str], str]:
    """Literal pieces of English messages, and all German ones in a row."""
    english, german = [], []
    for entry in polib.pofile(messages.catalogues()["de"].read_text(encoding="utf-8")):
        told = list(entry.msgstr_plural.values()) or [entry.msgstr]
        german += told
        if entry.msgid in told:
            continue
        for text in filter(None, (entry.msgid, entry.msgid_plural)):
            english += [literal.strip() for literal, *_ in Formatter().parse(text)]
    whole = "\n".join(german)
    long = [piece for piece in english if len(re.findall(r"[A-Za-z]{2,}", piece)) >= WORDS]
    return [piece for piece in long if piece not in whole], whole


def english_in(text: str) -> list[str]:
    """Return the pieces of English messages that stand in a text, whatever its line breaks."""
    plain = " ".join(text.split())
    return [
        piece
        for piece in dict.fromkeys(" ".join(one.split()) for one in _pieces()[0])
        if piece in plain and re.search(rf"(?<!\w){re.escape(piece)}(?!\w)", plain)
    ]
