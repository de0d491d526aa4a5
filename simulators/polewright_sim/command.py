"""``polewright simulate``: the rig at the command line."""

from __future__ import annotations

import threading
import tomllib
from pathlib import Path
from typing import Annotated

import typer
from pydantic import ValidationError

from polewright.clock import clock_from_environment


def simulate(
    *,
    spec: Annotated[
        Path | None,
        typer.Option(help="rig description (TOML); the default rig if left out"),
    ] = None,
    host: Annotated[str, typer.Option(help="address to listen on")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="TCP port; 0 picks a free one")] = 11111,
    discovery_port: Annotated[
        int, typer.Option(help="UDP port that answers discovery; 0 switches it off")
    ] = 32227,
    faults: Annotated[
        Path | None,
        typer.Option(help="what goes wrong, and when (TOML); nothing if left out"),
    ] = None,
    list_faults: Annotated[
        bool, typer.Option("--list-faults", help="print the kinds of fault there are, and end")
    ] = False,
) -> None:
    """Start the simulated rig: an Alpaca mount and camera under a real catalogue sky.

    Its clock is the computer's, unless POLEWRIGHT_REHEARSAL_CLOCK gives it another time and speed.
    """
    from polewright_sim.fault_kinds import catalogue_text

    if list_faults:
        typer.echo(catalogue_text())
        return

    from polewright_sim.rig import SimulatedRig
    from polewright_sim.scenario import BadScenario, scenario_from_file
    from polewright_sim.server import serve
    from polewright_sim.spec import RigSpec

    try:
        data = tomllib.loads(spec.read_text(encoding="utf-8")) if spec else {}
        rig_spec = RigSpec.model_validate(data)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, ValidationError) as error:
        typer.echo(f"The rig description {spec} is not usable: {error}", err=True)
        raise SystemExit(2) from None
    try:
        scenario = scenario_from_file(faults) if faults else None
    except BadScenario as error:
        typer.echo(f"Error: {error}\nWhat to do: {error.advice}", err=True)
        raise SystemExit(2) from None
    running = serve(
        SimulatedRig(rig_spec, clock=clock_from_environment()),
        host=host,
        port=port,
        discovery_port=discovery_port or None,
    )
    if scenario is not None:
        running.load_faults(scenario)
    typer.echo(f"simulated rig listening on {host}:{running.port}")
    typer.echo(f"  adjusters and truth: http://{host}:{running.port}/rig/  (Ctrl-C ends it)")
    try:
        threading.Event().wait()
    except KeyboardInterrupt:
        typer.echo("stopping")
    finally:
        running.stop()
