"""``polewright service``: the systemd units of an unattended computer."""

from __future__ import annotations

import json
import os
import shlex
from pathlib import Path
from typing import Annotated, Any

import typer

from polewright.foundation.errors import ConfigError
from polewright.foundation.language import say
from polewright.interfaces.cli.console import told_plainly, write_out
from polewright.interfaces.cli.terminal import Console

service_app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Install, remove or show the systemd units of `serve` and of a nightly `startup`.",
)

Config = Annotated[
    Path | None,
    typer.Option("--config", "-c", help="configuration file (TOML)", show_default=False),
]
System = Annotated[
    bool | None,
    typer.Option(
        "--system/--user",
        help="units of the whole system, or your own; the system's for root if left out",
        show_default=False,
    ),
]
StartupAt = Annotated[
    str | None,
    typer.Option(
        help="local time such as 18:30 at which a timer runs `polewright startup "
        "--wait-for-dark`; no timer if left out",
        show_default=False,
    ),
]
RunAs = Annotated[str | None, typer.Option(help="user that system units run as; root if left out")]
ServeOptions = Annotated[
    str, typer.Option(help='further options of `polewright serve`, such as "--lan"')
]
Folder = Annotated[
    Path | None,
    typer.Option(
        help="folder of the units, such as one of a system image; systemd's own if left out",
        show_default=False,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="print one JSON document")]


@service_app.command()
def install(
    *,
    config: Config = None,
    system: System = None,
    startup_at: StartupAt = None,
    run_as: RunAs = None,
    serve_options: ServeOptions = "",
    folder: Folder = None,
    force: Annotated[
        bool, typer.Option("--force", help="replace units that this program did not write")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Write the units and have systemd read them. Nothing is started and nothing moves."""
    from polewright.interfaces import systemd_units as systemd

    with told_plainly(Console(stderr=True), as_json=as_json):
        wanted = _wanted(config, system, startup_at, run_as, serve_options)
        if folder is None:
            systemd.need_systemd()
        written = systemd.install(
            wanted, folder or systemd.folder_of(system=wanted.system), force=force
        )
    trouble = "" if folder else systemd.systemctl("daemon-reload", system=wanted.system)
    if as_json:
        _say({"written": [str(path) for path in written], "trouble": trouble})
        return
    out = Console()
    for path in written:
        out.print(say("Written: {path}", path=path), soft_wrap=True)
    if trouble:
        out.print(say("systemd does not read them yet: {trouble}", trouble=trouble))
    names = [path.name for path in written if path.name != systemd.STARTUP]
    command = f"systemctl {'' if wanted.system else '--user '}enable --now {' '.join(names)}"
    out.print(say("Next: {command}", command=command), soft_wrap=True)
    if not wanted.system:
        out.print(
            say("So that it runs while you are not logged in: {command}",
                command="loginctl enable-linger")
        )  # fmt: skip


@service_app.command()
def uninstall(*, system: System = None, folder: Folder = None, as_json: AsJson = False) -> None:
    """Stop what was installed and delete its units; others stay as they are."""
    from polewright.interfaces import systemd_units as systemd

    trouble = ""
    with told_plainly(Console(stderr=True), as_json=as_json):
        whole = _system(system)
        place = folder or systemd.folder_of(system=whole)
        if folder is None:
            systemd.need_systemd()
            ours = systemd.written_here(place)
            if ours:
                trouble = systemd.systemctl("disable", "--now", *ours, system=whole)
        gone = systemd.uninstall(place)
        if folder is None:
            trouble = trouble or systemd.systemctl("daemon-reload", system=whole)
    if as_json:
        _say({"removed": [str(path) for path in gone], "trouble": trouble})
        return
    out = Console()
    for path in gone:
        out.print(say("Removed: {path}", path=path), soft_wrap=True)
    for name in systemd.UNITS:
        if (place / name).exists():
            out.print(say("Left, not written by this program: {path}", path=place / name))
    if not gone:
        out.print(say("Nothing to remove in {folder}.", folder=place))
    if trouble:
        out.print(say("systemd says: {trouble}", trouble=trouble))


@service_app.command()
def show(
    *,
    config: Config = None,
    system: System = None,
    startup_at: StartupAt = None,
    run_as: RunAs = None,
    serve_options: ServeOptions = "",
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Print the units that `install` would write, and where."""
    from polewright.interfaces import systemd_units as systemd

    with told_plainly(Console(stderr=True), as_json=as_json):
        wanted = _wanted(config, system, startup_at, run_as, serve_options)
        texts = systemd.units(wanted)
    place = folder or systemd.folder_of(system=wanted.system)
    if as_json:
        _say({"units": [{"path": str(place / name), "text": text} for name, text in texts.items()]})
        return
    write_out("\n".join(f"# {place / name}\n{text}" for name, text in texts.items()).rstrip())


def _system(wanted: bool | None) -> bool:
    return wanted if wanted is not None else hasattr(os, "geteuid") and os.geteuid() == 0


def _wanted(
    config: Path | None,
    system: bool | None,
    startup_at: str | None,
    run_as: str | None,
    serve_options: str,
) -> Any:
    """Return what the units are to run, from a configuration that is usable.

    Raises:
        ConfigError: the configuration or the options are not usable.
    """
    from polewright.foundation.config import config_from_file
    from polewright.foundation.config_place import find_config
    from polewright.interfaces.systemd_units import Wanted

    path = find_config(config).path
    config_from_file(path)
    try:
        more = tuple(shlex.split(serve_options))
    except ValueError as exc:
        raise ConfigError(say("--serve-options cannot be read: {reason}", reason=str(exc))) from exc
    return Wanted(path, _system(system), startup_at, run_as, more)


def _say(document: dict[str, Any]) -> None:
    write_out(json.dumps({"schema_version": "1", "ok": True, **document}))
