"""Small pieces of SVG: numbers, text and shapes as strings. Colours come from the page's CSS."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from polewright.foundation.language import translated
from polewright.foundation.plain_text import plain_html


def escape(text: str) -> str:
    """Return a text in the language in use, for a place between or in tags."""
    return plain_html(translated(text))


def num(value: float) -> str:
    """A coordinate, short."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def text(x: float, y: float, words: str, css: str = "", anchor: str = "middle") -> str:
    """Text with its baseline at y."""
    return (
        f'<text x="{num(x)}" y="{num(y)}" text-anchor="{anchor}" class="{css}">{escape(words)}'
        "</text>"
    )


def line(x1: float, y1: float, x2: float, y2: float, css: str) -> str:
    """A straight line."""
    return f'<line x1="{num(x1)}" y1="{num(y1)}" x2="{num(x2)}" y2="{num(y2)}" class="{css}"/>'


def circle(x: float, y: float, radius: float, css: str) -> str:
    """A circle."""
    return f'<circle cx="{num(x)}" cy="{num(y)}" r="{num(radius)}" class="{css}"/>'


def path(points: Iterable[Sequence[float]], css: str, *, closed: bool = False) -> str:
    """Straight pieces through points."""
    d = " L".join(f"{num(x)} {num(y)}" for x, y in points)
    return f'<path d="M{d}{" Z" if closed else ""}" class="{css}"/>'


def rect(x: float, y: float, width: float, height: float, css: str) -> str:
    """A rectangle."""
    return (
        f'<rect x="{num(x)}" y="{num(y)}" width="{num(width)}" height="{num(height)}" '
        f'class="{css}"/>'
    )


def picture(
    width: float, height: float, label: str, parts: Iterable[str], css: str = "plot"
) -> str:
    """An SVG that scales with the page and tells screen readers what it is."""
    return (
        f'<svg class="{css}" viewBox="0 0 {num(width)} {num(height)}" role="img" '
        f'aria-label="{escape(label)}" xmlns="http://www.w3.org/2000/svg">{"".join(parts)}</svg>'
    )


def round_step(span: float, about: int = 4) -> float:
    """A 1-2-5 step that cuts ``span`` into about so many parts."""
    raw = max(span, 1e-9) / about
    power = 10.0 ** math.floor(math.log10(raw))
    return next(k * power for k in (1.0, 2.0, 5.0, 10.0) if raw <= k * power * 1.0001)
