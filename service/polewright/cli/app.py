"""The commands, gathered: the product's own and those found by entry point."""

from __future__ import annotations

from importlib.metadata import entry_points
from typing import Annotated

import typer

from polewright import __version__
from polewright.errors import ExitCode

EXIT_CODES = {
    ExitCode.OK: "done; the axis is within tolerance where a command measures it",
    ExitCode.UNEXPECTED: "unexpected fault of the program",
    ExitCode.USAGE: "an option, the configuration or an input file is wrong",
    ExitCode.DEVICE: "a device is missing, silent or refused",
    ExitCode.IMAGE: "a frame was unusable",
    ExitCode.SOLVE: "a frame could not be solved",
    ExitCode.PLAN: "no safe sweep, or the one asked for is not safe",
    ExitCode.GUARD: "a guard stopped the mount during the run",
    ExitCode.AXIS_NOT_TRUSTED: "the solved points contradict each other; no figure is given",
    ExitCode.OUT_OF_TOLERANCE: "measured, and the axis is outside the tolerance",
    ExitCode.UNSAFE: "the safety monitor says unsafe",
    ExitCode.MOTION_UNKNOWN: "the mount could not be confirmed to have stopped: go and look",
    ExitCode.INTERRUPTED: "stopped by the user or a signal; motion was stopped",
}

EPILOG = "Exit codes: " + "; ".join(
    f"{int(code)} {meaning}" for code, meaning in EXIT_CODES.items()
)


def _version(show: bool) -> None:
    if show:
        typer.echo(f"polewright {__version__}")
        raise typer.Exit


def build_app() -> typer.Typer:
    """Return the whole command line; plug-in commands come from ``polewright.commands``."""
    app = typer.Typer(
        name="polewright",
        help="Gets an equatorial mount's polar axis onto the celestial pole, "
        "through any ASCOM Alpaca mount and camera.",
        epilog=EPILOG,
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

    from polewright.cli.adjust import adjust
    from polewright.cli.align import align
    from polewright.cli.bestpole import bestpole
    from polewright.cli.check import check
    from polewright.cli.devices import devices
    from polewright.cli.drift import drift
    from polewright.cli.history import history_app
    from polewright.cli.horizon import horizon
    from polewright.cli.measure import measure
    from polewright.cli.plan import plan
    from polewright.cli.preset import preset
    from polewright.cli.profile import profile
    from polewright.cli.report import report
    from polewright.cli.serve import serve
    from polewright.cli.startup import startup
    from polewright.cli.tolerance import tolerance

    app.command(epilog=EPILOG)(align)
    app.command(epilog=EPILOG)(adjust)
    app.command(epilog=EPILOG)(measure)
    app.command(epilog=EPILOG)(check)
    app.command(epilog=EPILOG)(startup)
    app.command(epilog=EPILOG)(drift)
    app.command(epilog=EPILOG)(bestpole)
    app.command(epilog=EPILOG)(preset)
    app.command(epilog=EPILOG)(plan)
    app.command(epilog=EPILOG)(horizon)
    app.command(epilog=EPILOG)(devices)
    app.command(epilog=EPILOG)(serve)
    app.command(epilog=EPILOG)(tolerance)
    app.command(epilog=EPILOG)(report)
    app.command(epilog=EPILOG)(profile)
    app.add_typer(history_app, name="history", epilog=EPILOG)
    for entry in sorted(entry_points(group="polewright.commands"), key=lambda item: item.name):
        app.command(name=entry.name)(entry.load())
    return app
