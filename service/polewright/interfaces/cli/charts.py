"""Writing a chart of the sky to a file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from polewright.calculation.planning.request import PlanRequest, SweepPlan
from polewright.foundation.errors import ConfigError, in_words
from polewright.foundation.language import joined, say

THEMES = ("day", "night")


class ChartUnwritable(ConfigError):
    """A chart cannot be written as asked."""

    code = "chart_unwritable"
    advice = say("Give a file name that ends in .svg or .png, in a folder that exists.")

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return say(
            "the chart {path} cannot be written: {reason}", path=self.path, reason=self.reason
        )


def picture_kind(path: Path, theme: str) -> Literal["svg", "png"]:
    """Return the picture's kind by its file name.

    Raises:
        ChartUnwritable: the name ends in something else, or the theme is unknown.
    """
    if theme not in THEMES:
        raise ChartUnwritable(
            str(path),
            say(
                "the theme is '{theme}', not one of {themes}",
                theme=theme,
                themes=joined(", ", THEMES),
            ),
        )
    match path.suffix.lower():
        case ".svg":
            return "svg"
        case ".png":
            return "png"
    raise ChartUnwritable(str(path), say("'{suffix}' is neither .svg nor .png", suffix=path.suffix))


def write_chart(
    path: Path, theme: str, request: PlanRequest, plans: Sequence[SweepPlan] = ()
) -> None:
    """Draw the sky and the plans into a file.

    Raises:
        ChartUnwritable: the file cannot be written.
    """
    from polewright.calculation.planning.chart import sky_chart

    picture = sky_chart(request, plans, night=theme == "night", picture=picture_kind(path, theme))
    try:
        path.write_bytes(picture)
    except OSError as exc:
        raise ChartUnwritable(str(path), in_words(exc)) from exc
