"""The handbook as pages for a browser: they fetch nothing but this service's own files."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape
from typing import Any

from markdown_it import MarkdownIt
from markdown_it.token import Token

from polewright.interfaces.handbook.pages import PAGES, markdown, title
from polewright.interfaces.page_frame import Look, framed


def index_html(look: Look) -> str:
    """Return the list of pages."""
    items = "\n".join(
        f'<li><a href="/handbook/{name}">{escape(title(name))}</a><br>{escape(line)}</li>'
        for name, line in PAGES.items()
    )
    body = f'<h1>Handbook</h1>\n<ul class="pages">\n{items}\n</ul>'
    return framed(look, "Handbook", body)


def page_html(name: str, look: Look) -> str:
    """Return one page. Raises `NoSuchPage`."""
    return framed(look, escape(title(name)), _body(markdown(name)))


def _body(text: str) -> str:
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    reader.add_render_rule("table_open", _wide_open)
    reader.add_render_rule("table_close", _wide_close)
    tokens = reader.parse(text)
    _finish(tokens)
    html = str(reader.renderer.render(tokens, reader.options, {}))
    return html.replace("<pre>", '<pre tabindex="0">')  # a long line is reached by keys


def _wide_open(*_: Any) -> str:
    """Let a table that is wider than a phone scroll by itself, by keys as well."""
    return '<div class="wide" tabindex="0" role="region" aria-label="Table"><table>\n'


def _wide_close(*_: Any) -> str:
    return "</table></div>\n"


def _finish(tokens: Sequence[Token]) -> None:
    """Give headings their anchors, and links to other pages their address here."""
    for at, token in enumerate(tokens):
        if token.type == "heading_open":
            token.attrSet("id", anchor(tokens[at + 1].content))
        for part in token.children or ():
            if part.type == "link_open":
                target = str(part.attrGet("href"))
                part.attrSet("href", re.sub(r"^([a-z-]+)\.md", r"/handbook/\1", target))


def anchor(heading: str) -> str:
    """Return the name by which a heading is linked to."""
    return re.sub(r"[^a-z0-9]+", "-", heading.lower()).strip("-")
