"""``polewright devices``: what answers on the network."""

from __future__ import annotations

import json
import sys
from typing import Annotated, Any

import typer
from rich.table import Table
from rich.text import Text

from polewright.foundation.errors import ConfigError, ExitCode
from polewright.foundation.language import joined, say
from polewright.interfaces.cli.console import told_plainly
from polewright.interfaces.cli.terminal import Console


def devices(
    *,
    host: Annotated[
        str | None, typer.Option(help="ask this server instead of discovering", show_default=False)
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(
            help="TCP port of --host [default: 11111]", min=1, max=65535, show_default=False
        ),
    ] = None,
    timeout_s: Annotated[float, typer.Option(help="how long to wait for answers, s")] = 2.5,
    discovery_port: Annotated[int, typer.Option(help="UDP port discovery uses")] = 32227,
    as_json: Annotated[bool, typer.Option("--json", help="print one JSON document")] = False,
) -> None:
    """Discover Alpaca servers and list their devices."""
    from polewright.devices.alpaca.discovery import discover
    from polewright.devices.alpaca.management import list_servers
    from polewright.observing.runs.connect import DEFAULT_PORT, NoDeviceFound, ServerSilent

    console = Console(stderr=True)
    with told_plainly(console, as_json=as_json):
        if host is None and port is not None:
            raise ConfigError(
                say("--port belongs to --host: give both, or none to discover servers")
            )
        if host is None:
            servers = [
                (found.host, found.port) for found in discover(discovery_port, timeout_s=timeout_s)
            ]
        else:
            servers = [(host, port or DEFAULT_PORT)]
        if not servers:
            raise NoDeviceFound("device", [])
        listings, troubles = list_servers(servers, timeout_s=timeout_s)
        if not listings:
            raise NoDeviceFound("device", troubles) if host is None else ServerSilent(troubles)
        for trouble in troubles:
            console.print(str(trouble))
        rows = [
            {
                "host": listing.host,
                "port": listing.port,
                "type": item.DeviceType,
                "number": item.DeviceNumber,
                "name": item.DeviceName,
                "unique_id": item.UniqueID,
            }
            for listing in listings
            for item in listing.devices
        ]
    if as_json:
        sys.stdout.write(json.dumps({"schema_version": "1", "ok": True, "devices": rows}) + "\n")
        return
    _print(Console(), rows)
    if not rows:
        raise SystemExit(int(ExitCode.DEVICE))


def _print(console: Console, rows: list[dict[str, Any]]) -> None:
    for server in dict.fromkeys((row["host"], row["port"]) for row in rows):
        console.print(
            say("Alpaca server {host}:{port}", host=server[0], port=server[1]),
            style="bold",
        )
        table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
        for heading, wraps in ((say("type"), True), (say("no."), True), (say("name"), False)):
            table.add_column(heading, no_wrap=wraps, overflow="fold")
        for row in rows:
            if (row["host"], row["port"]) == server:
                table.add_row(*(Text(str(row[key])) for key in ("type", "number", "name")))
        console.print(table)
    kinds = {row["type"] for row in rows}
    if {"telescope", "camera"} <= kinds:
        console.print(say("Next: `polewright profile` writes down what they do not know."))
    else:
        missing = joined(
            say(" and "), (name for name in ("telescope", "camera") if name not in kinds)
        )
        console.print(say("Missing here: {missing}. Start its Alpaca server.", missing=missing))
