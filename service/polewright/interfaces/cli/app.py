"""The commands, gathered: the product's own and those found by entry point."""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from polewright import __version__
from polewright.foundation.errors import ExitCode
from polewright.foundation.language import say
from polewright.interfaces.cli.brief_help import BriefHelp
from polewright.interfaces.cli.spoken_help import SpokenContext, choose_language, paragraph_of

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

#: Command, where it is, and what the list of commands says of it. A command's module is loaded
#: when the command is used: together they bring half of scientific Python along.
COMMANDS = {
    "align": (
        "polewright.interfaces.cli.align:align",
        say("Align: check, plan, sweep, adjust, confirm."),
    ),
    "adjust": (
        "polewright.interfaces.cli.adjust:adjust",
        say("Adjust by the live reading, unconfirmed."),
    ),
    "measure": (
        "polewright.interfaces.cli.measure:measure",
        say("Measure the polar axis by one sweep."),
    ),
    "check": (
        "polewright.interfaces.cli.check:check",
        say("Look where the telescope points: stars, focus."),
    ),
    "examine": (
        "polewright.interfaces.cli.examine:examine",
        say("Say whether it will work with this rig."),
    ),
    "startup": (
        "polewright.interfaces.cli.startup:startup",
        say("Start an observatory's night unattended."),
    ),
    "drift": ("polewright.interfaces.cli.drift:drift", say("Check the measured axis by drift.")),
    "passive": (
        "polewright.interfaces.cli.passive:passive",
        say("Tell the axis from a night's exposures."),
    ),
    "bestpole": (
        "polewright.interfaces.cli.bestpole:bestpole",
        say("Say which axis is best for one target."),
    ),
    "preset": (
        "polewright.interfaces.cli.preset:preset",
        say("Say where to put the tripod, power still off."),
    ),
    "plan": ("polewright.interfaces.cli.plan:plan", say("Find the sweeps that fit tonight's sky.")),
    "horizon": ("polewright.interfaces.cli.horizon:horizon", say("Build the horizon file.")),
    "devices": (
        "polewright.interfaces.cli.devices:devices",
        say("Find Alpaca servers and their devices."),
    ),
    "serve": (
        "polewright.interfaces.cli.serve:serve",
        say("Serve the page for the phone at the mount."),
    ),
    "status": (
        "polewright.interfaces.cli.status:status",
        "Tell what runs, and how well the axis is known.",
    ),
    "service": (
        "polewright.interfaces.cli.service:service_app",
        "Install or show systemd units.",
    ),
    "tolerance": (
        "polewright.interfaces.cli.tolerance:tolerance",
        say("Tell what an axis error costs."),
    ),
    "report": ("polewright.interfaces.cli.report:report", say("Write a report: one HTML file.")),
    "profile": (
        "polewright.interfaces.cli.profile:profile",
        say("Build or change a rig's configuration."),
    ),
    "catalogue": (
        "polewright.interfaces.cli.catalogue:catalogue_app",
        say("Build, show, remove star catalogues."),
    ),
    "handbook": ("polewright.interfaces.cli.handbook:handbook", say("Show the handbook.")),
    "history": (
        "polewright.interfaces.cli.history:history_app",
        say("Past runs: list, show, plot, trend."),
    ),
}

EPILOG = say("Exit codes: 0 good, 9 out of tolerance; more: `polewright handbook trouble`.")
CODES = say(
    "Exit codes: {codes}; what each means: `polewright handbook trouble`.",
    codes=", ".join(f"{int(code)} {code.name.lower().replace('_', ' ')}" for code in ExitCode),
)
"""Under the list of commands; their table is in the handbook."""


class LazyCommands(TyperGroup):
    """Loads a command when it is used; plug-ins come from the entry points of their group."""

    context_class = SpokenContext

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002 - the base class asks for it
        """Return the names of all commands, our own first."""
        return [*COMMANDS, *(name for name in sorted(_plug_ins()) if name not in COMMANDS)]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002
        """Return a command, loaded, or None when there is none of this name."""
        if cmd_name not in self.commands:
            plug_ins = {} if cmd_name in COMMANDS else _plug_ins()
            if cmd_name in COMMANDS:
                module, _, name = COMMANDS[cmd_name][0].partition(":")
                loaded = getattr(import_module(module), name)
            elif cmd_name in plug_ins:
                loaded = plug_ins[cmd_name].load()
            else:
                return None
            self.commands[cmd_name] = _built(cmd_name, loaded)
        return self.commands[cmd_name]

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the words of the command line; help is told in the language they lead to."""
        choose_language(args)
        return super().parse_args(ctx, args)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Find the command; for a word that is none, look through all for one like it."""
        if args and args[0] not in COMMANDS:
            for name in self.list_commands(ctx):
                self.get_command(ctx, name)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """List our own commands without loading them."""
        rows = []
        for name in self.list_commands(ctx):
            if name in COMMANDS:
                rows.append((name, COMMANDS[name][1]))
            else:
                told = self.get_command(ctx, name).help or ""
                rows.append((name, paragraph_of(told.partition("\n\n")[0])))
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def _plug_ins() -> dict[str, EntryPoint]:
    return {entry.name: entry for entry in entry_points(group="polewright.commands")}


def _built(name: str, loaded: Any) -> Any:
    """Return the command of a function, or of an app of its own."""
    own = typer.Typer(rich_markup_mode=None, pretty_exceptions_enable=False, add_completion=False)
    if isinstance(loaded, typer.Typer):
        own.add_typer(loaded, name=name, epilog=EPILOG)
        group: Any = typer.main.get_group(own).commands[name]
        for command in (group, *group.commands.values()):
            command.context_class = SpokenContext
        return group
    own.command(name=name, cls=BriefHelp, epilog=EPILOG if name in COMMANDS else None)(loaded)
    return typer.main.get_command(own)


def _version(show: bool) -> None:
    if show:
        typer.echo(f"polewright {__version__}")
        raise typer.Exit


def build_app() -> typer.Typer:
    """Return the whole command line; plug-in commands come from ``foundation.user_commands``."""
    app = typer.Typer(
        name="polewright",
        cls=LazyCommands,
        help="Gets an equatorial mount's polar axis onto the celestial pole, "
        "through any ASCOM Alpaca mount and camera.",
        epilog=CODES,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )

    @app.callback()
    def _root(
        _show: Annotated[
            bool,
            typer.Option("--version", callback=_version, is_eager=True, help="show the version"),
        ] = False,
    ) -> None:
        """Gets an equatorial mount's polar axis onto the celestial pole."""

    return app
