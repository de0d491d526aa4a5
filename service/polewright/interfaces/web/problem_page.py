"""A refusal or a fault as a page, for whoever meets it in a browser: dark as the others are."""

from __future__ import annotations

from starlette.datastructures import Headers
from starlette.responses import HTMLResponse

from polewright.foundation.language import translated
from polewright.foundation.plain_text import plain_html
from polewright.interfaces.page_frame import Look, framed


def wants_page(headers: Headers) -> bool:
    """Whether a request comes from the address bar of a browser: programs and scripts get JSON."""
    return "text/html" in headers.get("accept", "")


def problem_page(
    headers: Headers, status: int, message: str, advice: str, reader: str
) -> HTMLResponse:
    """Return the page.

    Args:
        headers: of the request; they tell the look.
        status: of the answer.
        message: what is.
        advice: what to do.
        reader: language code.
    """

    def told(text: str) -> str:
        return plain_html(translated(text, reader))

    title = told(message).rstrip(". ")
    title = title[:1].upper() + title[1:]
    look = Look.of(headers)
    return HTMLResponse(
        framed(
            look,
            title,
            f"<h1>{title}</h1>\n<p>{told(advice)}</p>",
            reader=reader,
        ),
        status_code=status,
        headers=look.headers,
    )
