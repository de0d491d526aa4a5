"""What every page for a browser has in common: day or night from its first bytes on, and a frame.

A page that becomes dark only when its script runs has been bright before, and costs whoever stands
at the mount in the dark half an hour of adapted eyes. So the choice lies in a cookie, and the page
is sent with it.
"""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass
from typing import Literal

from starlette.datastructures import Headers

from polewright.foundation.language import ENGLISH, say, translated
from polewright.foundation.plain_text import plain_html

LOOK_COOKIE = "polewright_look"
"""Holds ``night.35``: the theme, and by how many per cent the screen is dimmed. No secret: every
service of a computer may read it, so that all its piers look alike. Twin: page/theme.js."""
PAPERS = {"day": "#f4f1ea", "night": "#000000"}
"""Background of a page before its style sheet is there; twin: ``--paper`` in page/page.css."""
_LOOK = re.compile(r"(day|night)\.([0-9]|[1-7][0-9]|8[0-5])", re.ASCII)
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'{style}; img-src 'self'; "
    "connect-src 'self'; media-src data:; manifest-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)

Theme = Literal["day", "night"]


def page_policy(style: str = "") -> str:
    """Return the Content-Security-Policy of a page with this one style element, or with none."""
    if not style:
        return _POLICY.format(style="")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return _POLICY.format(style=f" 'sha256-{digest}'")


@dataclass(frozen=True)
class Look:
    """How a browser wants pages to look."""

    theme: Theme = "night"
    """Night where nobody chose: what is too dark by day is put right by a touch."""
    dim_percent: int = 0
    chosen: bool = False
    sun_up: bool = False
    """Whether the Sun is known to be up where the mount stands: only then may a device that asks
    for light pages make one light that nobody chose; most devices ask so day and night."""

    @classmethod
    def of(cls, headers: Headers, *, sun_up: bool = False) -> Look:
        """Return what the cookie of a request says; anything else counts as not chosen."""
        for part in headers.get("cookie", "").split(";"):
            name, _, value = part.strip().partition("=")
            found = _LOOK.fullmatch(value) if name == LOOK_COOKIE else None
            if found is not None:
                return cls("day" if found[1] == "day" else "night", int(found[2]), chosen=True)
        return cls(sun_up=sun_up)

    @property
    def root(self) -> str:
        """The attributes of the html element."""
        light = " data-sun-up" if self.sun_up and not self.chosen else ""
        return f'data-theme="{self.theme}" data-dim="{self.dim_percent}"{light}'

    @property
    def style(self) -> str:
        """The style that holds until the style sheet is there."""
        scheme = "dark" if self.theme == "night" else "light"
        return (
            f":root{{background:{PAPERS[self.theme]};color-scheme:{scheme};"
            f"--dim:{self.dim_percent / 100:g}}}"
        )

    @property
    def head(self) -> str:
        """What the head begins with."""
        scheme = "dark" if self.theme == "night" else "light"
        return (
            '<meta charset="utf-8">\n'
            f"<style>{self.style}</style>\n"
            f'<meta name="color-scheme" content="{scheme}">\n'
            f'<meta name="theme-color" content="{PAPERS[self.theme]}">\n'
            '<meta name="viewport" content="width=device-width, initial-scale=1, '
            'viewport-fit=cover">\n'
            '<link rel="icon" href="/icon.svg" type="image/svg+xml">\n'
            '<link rel="stylesheet" href="/page.css">\n'
            '<script src="/theme.js"></script>'
        )

    @property
    def headers(self) -> dict[str, str]:
        """Of an answer that carries a page with this look."""
        found = {"Content-Security-Policy": page_policy(self.style), "Vary": "Cookie"}
        if self.chosen:  # once more: some browsers forget within days what a script has set
            found["Set-Cookie"] = (
                f"{LOOK_COOKIE}={self.theme}.{self.dim_percent}; Path=/; Max-Age=31536000; "
                "SameSite=Lax"
            )
        return found


_FRAME = """<!doctype html>
<html lang="{language}" {root}>
<head>
{head}
<link rel="stylesheet" href="/handbook.css">
<title>{title} - Polewright</title>
</head>
<body class="book">
<header><nav aria-label="Polewright">
<a href="/">{alignment}</a> <a href="/handbook">{handbook}</a></nav>
<button type="button" id="theme" aria-pressed="{night}">{night_word}</button>
</header>
<article role="main">
{body}
</article>
</body>
</html>
"""


def framed(
    look: Look,
    title: str,
    body: str,
    *,
    reader: str = ENGLISH,
) -> str:
    """Return a page to read: ``title`` and ``body`` are HTML, in the reader's language."""

    def told(word: str) -> str:
        return plain_html(translated(word, reader))

    return _FRAME.format(
        language=reader, root=look.root, head=look.head, title=title, body=body,
        alignment=told(say("Alignment")), handbook=told(say("Handbook")),
        night_word=told(say("Night")),
        night="true" if look.theme == "night" else "false",
    )  # fmt: skip
