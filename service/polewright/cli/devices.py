"""``polewright devices``: what answers on the network."""

from __future__ import annotations

import json
import sys
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from polewright.cli.console import told_plainly
from polewright.errors import ExitCode


def devices(
    *,
    host: Annotated[
        str | None, typer.Option(help="ask this server instead of discovering", show_default=False)
    ] = None,
    port: Annotated[int, typer.Option(help="TCP port of --host")] = 11111,
    timeout_s: Annotated[float, typer.Option(help="how long to wait for answers, s")] = 2.5,
    discovery_port: Annotated[int, typer.Option(help="UDP port discovery uses")] = 32227,
    as_json: Annotated[bool, typer.Option("--json", help="print one JSON document")] = False,
) -> None:
    """Discover Alpaca servers and list their devices."""
    from polewright.alpaca.discovery import discover
    from polewright.alpaca.management import list_servers
    from polewright.measuring.connect import NoDeviceFound

    console = Console(stderr=True)
    with told_plainly(console, as_json=as_json):
        if host is None:
            servers = [
                (found.host, found.port) for found in discover(discovery_port, timeout_s=timeout_s)
            ]
        else:
            servers = [(host, port)]
        if not servers:
            raise NoDeviceFound("device", [])
        listings, troubles = list_servers(servers, timeout_s=timeout_s)
        for sentence in troubles:
            console.print(sentence, highlight=False)
        if not listings:
            raise NoDeviceFound("device", troubles)
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
    table = Table(title="Alpaca devices", title_justify="left")
    for heading in ("server", "type", "number", "name", "unique id"):
        table.add_column(heading)
    for row in rows:
        table.add_row(
            f"{row['host']}:{row['port']}",
            str(row["type"]),
            str(row["number"]),
            str(row["name"]),
            str(row["unique_id"]),
        )
    Console().print(table)
    if not rows:
        raise SystemExit(int(ExitCode.DEVICE))
