"""The files that commands write: pictures, reports, exports. None is overwritten unasked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from polewright.foundation.errors import ConfigError, in_words
from polewright.foundation.language import joined, say

if TYPE_CHECKING:
    from polewright.calculation.planning.request import PlanRequest, SweepPlan

THEMES = ("day", "night")

Chart = Annotated[
    Path | None, typer.Option(help="draw a picture to this .svg or .png", show_default=False)
]
Theme = Annotated[str, typer.Option(help="of the picture: day, or night (red on black)")]
Force = Annotated[bool, typer.Option("--force", help="overwrite files that are there already")]


class OutputExists(ConfigError):
    """The file to write is there already."""

    code = "output_exists"
    advice = say("Choose another name, or overwrite it with --force.")

    def __init__(self, path: str) -> None:
        super().__init__(path)
        self.path = path

    def __str__(self) -> str:
        return say("{path} already exists", path=self.path)


class ChartUnwritable(ConfigError):
    """A picture cannot be written as asked."""

    code = "chart_unwritable"
    advice = say("Give a file name that ends in .svg or .png, in a folder that exists.")

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return say(
            "the picture {path} cannot be written: {reason}", path=self.path, reason=self.reason
        )


def keep_existing(path: Path | None, *, force: bool) -> None:
    """Raise `OutputExists` for a file that is there; a device or a pipe may be."""
    if path is not None and path.is_file() and not force:
        raise OutputExists(str(path))


def check_chart(chart: Path | None, theme: str, *, force: bool) -> None:
    """See before the work that a picture could be written.

    Raises:
        ChartUnwritable: its name or the theme is none.
        OutputExists: it is there already.
    """
    if chart is not None:
        picture_kind(chart, theme)
        keep_existing(chart, force=force)


def picture_kind(path: Path, theme: str = "day") -> Literal["svg", "png"]:
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


def write_picture(path: Path, picture: bytes) -> None:
    """Write a picture. Raises `ChartUnwritable`."""
    try:
        path.write_bytes(picture)
    except OSError as exc:
        raise ChartUnwritable(str(path), in_words(exc)) from exc


def write_sky_chart(
    path: Path, theme: str, request: PlanRequest, plans: Sequence[SweepPlan] = ()
) -> None:
    """Draw the sky and the plans into a file. Raises `ChartUnwritable`."""
    from polewright.calculation.planning.chart import sky_chart

    kind = picture_kind(path, theme)
    write_picture(path, sky_chart(request, plans, night=theme == "night", picture=kind))
