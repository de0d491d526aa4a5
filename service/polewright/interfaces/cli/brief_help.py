"""Keeps the help of a command short: every setting of the configuration is an option of it."""

from __future__ import annotations

import inspect
from typing import Annotated, Any

import typer
from typer.core import TyperCommand

from polewright.foundation.language import say, translated
from polewright.interfaces.cli.old_options import renamed
from polewright.interfaces.cli.spoken_help import SpokenContext


class BriefHelp(TyperCommand):
    """A command whose ``--help`` leaves the settings of the configuration to ``--help-all``.

    Names that its options had earlier are read, too.
    """

    context_class = SpokenContext

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the words of the command line."""
        command = ctx.command_path.partition(" ")[2]
        words, notes = renamed(command, args)
        for note in notes:
            typer.echo(translated(note), err=True)
        return super().parse_args(ctx, words)

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write the command's own options; the settings, by section, where all are asked for."""
        everything = self.params
        settings: dict[str, list[Any]] = {}
        for parameter in everything:
            if (section := _section_of(parameter)) is not None:
                settings.setdefault(section, []).append(parameter)
        try:
            self.params = [item for item in everything if _section_of(item) is None]
            super().format_options(ctx, formatter)
        finally:
            self.params = everything
        if not settings:
            return
        if not ctx.meta.get(_ALL):
            with formatter.section(say("Settings")):
                formatter.write_text(
                    say(
                        "Every key of the configuration file is an option too, named after its "
                        "section and itself (--sweep-exposure-s 2). --help-all lists them with "
                        "their meaning."
                    )
                )
            return
        for section, parameters in settings.items():
            with formatter.section(say("Settings of {section}", section=section)):
                records = [item.get_help_record(ctx) for item in parameters]
                formatter.write_dl([record for record in records if record is not None])


_ALL = "polewright.help_all"


def section_heading(section: str) -> str:
    """Return the panel that a setting of this section belongs to."""
    return f"[{section}]"


def _section_of(parameter: Any) -> str | None:
    panel = getattr(parameter, "rich_help_panel", None) or ""
    return panel if panel.startswith("[") else None


def _help_all(ctx: typer.Context, wanted: bool) -> None:
    if wanted:
        ctx.meta[_ALL] = True
        typer.echo(ctx.get_help())
        raise typer.Exit


def help_all_parameter() -> inspect.Parameter:
    """Return the switch ``--help-all``."""
    option = typer.Option(
        "--help-all", callback=_help_all, is_eager=True, help="show this and every setting"
    )
    return inspect.Parameter(
        "help_all",
        inspect.Parameter.KEYWORD_ONLY,
        default=False,
        annotation=Annotated[bool, option],
    )
