"""``polewright simulate``: the rig at the command line."""

from __future__ import annotations

import threading
import time
import tomllib
from pathlib import Path
from typing import Annotated

import typer
from pydantic import ValidationError

from polewright.foundation.clock import clock_from_environment
from polewright.foundation.errors import ConfigError, in_words

EVENING_HOURS = 21.5


def evening_at(longitude_deg: float, now_utc_s: float) -> str:
    """Return a rehearsal clock that reads 21:30 mean solar time of today at a longitude, now."""
    solar_s = now_utc_s + longitude_deg * 240.0
    evening_s = solar_s - solar_s % 86400.0 + EVENING_HOURS * 3600.0 - longitude_deg * 240.0
    return f"{evening_s:.0f},{now_utc_s:.0f},1"


def _in_words(error: Exception) -> str:
    if isinstance(error, ValidationError):
        return "; ".join(
            f"{'.'.join(str(key) for key in one['loc'])}: {one['msg'][0].lower()}{one['msg'][1:]}"
            for one in error.errors()
        )
    return in_words(error)


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
        list[str] | None,
        typer.Option(
            metavar="NAME[=VALUE]|FILE|help",
            help="what goes wrong: a fault by name, with the value of its first parameter if "
            "wanted (clock_off=1; more: NAME=KEY=VALUE,KEY=VALUE), or a TOML file that says when, "
            "too; may be given again. `help` lists the faults; `polewright handbook rehearse` has "
            "examples",
        ),
    ] = None,
    list_faults: Annotated[
        bool, typer.Option("--list-faults", hidden=True, help="as --faults help, its earlier name")
    ] = False,
    night_clock: Annotated[
        bool,
        typer.Option(
            "--night-clock",
            help="print a POLEWRIGHT_REHEARSAL_CLOCK that makes it 21:30 (mean solar time) at the "
            "rig's site now, and end",
        ),
    ] = False,
) -> None:
    """Start the simulated rig: an Alpaca mount and camera under a real catalogue sky.

    Its clock is the computer's, unless POLEWRIGHT_REHEARSAL_CLOCK gives it another time and speed;
    --night-clock prints a value for that variable, to be set for the rig and the program alike.
    """
    from polewright_sim.fault_kinds import catalogue_text

    if list_faults or faults == ["help"]:
        typer.echo(catalogue_text())
        return

    from polewright_sim.rig import SimulatedRig
    from polewright_sim.scenario import BadScenario, scenario_from_words
    from polewright_sim.server.server import serve
    from polewright_sim.spec import RigSpec

    try:
        data = tomllib.loads(spec.read_text(encoding="utf-8")) if spec else {}
        rig_spec = RigSpec.model_validate(data)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, ValidationError) as error:
        typer.echo(f"The rig description {spec} is not usable: {_in_words(error)}", err=True)
        raise SystemExit(2) from None
    if night_clock:
        typer.echo(evening_at(rig_spec.site.longitude_deg, time.time()))
        return
    try:
        scenario = scenario_from_words(faults) if faults else None
    except BadScenario as error:
        typer.echo(f"Error: {error}\nWhat to do: {error.advice}", err=True)
        raise SystemExit(2) from None
    try:
        running = serve(
            SimulatedRig(rig_spec, clock=clock_from_environment()),
            host=host,
            port=port,
            discovery_port=discovery_port or None,
        )
    except ConfigError as error:
        typer.echo(f"Error: {error}", err=True)
        raise SystemExit(2) from None
    except OSError as error:
        typer.echo(
            f"Error: the rig cannot listen on {host}:{port} ({error.strerror or error}).\n"
            "What to do: end the program that uses this port, or choose another with --port; "
            "--discovery-port 0 does without discovery.",
            err=True,
        )
        raise SystemExit(3) from None
    if scenario is not None:
        running.load_faults(scenario)
    typer.echo(f"simulated rig listening on {host}:{running.port}")
    base = f"http://{host}:{running.port}/rig"
    typer.echo(f"  the truth:      curl {base}/truth")
    typer.echo(f"  turn the knobs: curl {base}/adjusters -d '{{\"altitude_arcmin\": -3.5}}'")
    typer.echo("  Ctrl-C ends it")
    try:
        threading.Event().wait()
    except KeyboardInterrupt:
        typer.echo("stopping")
    finally:
        running.stop()
