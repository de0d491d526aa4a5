"""``polewright simulate``: the rig at the command line."""

from __future__ import annotations

import threading
import time
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from pydantic import ValidationError

from polewright.foundation.clock import Clock
from polewright.foundation.errors import ConfigError, in_words
from polewright.foundation.rehearsal import REHEARSAL_VARIABLE, clock_from_environment

EVENING_HOURS = 21.5
#: A rig for many frames: 200 mm, 1600 x 1200 pixels, an axis 2.5 arcmin off. Invented.
QUICK_RIG = {
    "site": {"latitude_deg": 50.0, "longitude_deg": 8.0},
    "misalignment": {"alt_arcmin": 1.5, "az_arcmin": -2.0},
    "mount": {"sag_arcsec": 5.0, "roll_flexure_arcsec": 6.0},
    "optics": {"focal_length_mm": 200.0, "aperture_mm": 40.0, "roll_deg": 118.0},
    "sensor": {"width": 1600, "height": 1200, "pixel_um": 5.8, "hot_pixel_count": 40},
}


def evening_utc_s(longitude_deg: float, date: str | None) -> float:
    """Return Unix seconds of 21:30 mean solar time at a longitude, of a date or of today.

    Raises:
        ValueError: the date is none.
    """
    east_s = longitude_deg * 240.0
    solar_s = time.time() + east_s
    if date is not None:
        solar_s = datetime.fromisoformat(date).replace(tzinfo=UTC).timestamp()
    return solar_s - solar_s % 86400.0 + EVENING_HOURS * 3600.0 - east_s


def _clock(rate: float | None, night: str | None, longitude_deg: float, host: str) -> Clock:
    """Return the rig's clock, which leads a night where there is a ``rate``.

    Raises:
        ConfigError: the night is no date, or needs a rate.
        OSError: no port of that host can be had.
    """
    if rate is None:
        if night is not None:
            raise ConfigError("--night needs --rate; --rate 1 leads the night at your own speed.")
        return clock_from_environment()
    from polewright_sim.server.time_lead import Pace, TimeLead

    try:
        start_utc_s = evening_utc_s(longitude_deg, night)
    except ValueError:
        raise ConfigError(f"--night {night} is no date such as 2026-11-20.") from None
    return TimeLead(Pace(start_utc_s, rate), host).clock()


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
    rate: Annotated[
        float | None,
        typer.Option(
            min=1.0,
            max=1000.0,
            help="the rig leads the time: it begins at 21:30 (mean solar time) at its site, and "
            "goes so many times as fast as yours while nobody computes, as yours while the rig or "
            "the program does",
        ),
    ] = None,
    night: Annotated[
        str | None,
        typer.Option(help="with --rate: date of the evening (2026-11-20); today if left out"),
    ] = None,
) -> None:
    """Start the simulated rig: an Alpaca mount and camera under a real catalogue sky.

    Its clock is the computer's; with --rate it leads a night of its own, which the program follows
    that is told POLEWRIGHT_REHEARSAL_CLOCK=http://127.0.0.1:11111 (the rig's address).
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
    try:
        scenario = scenario_from_words(faults) if faults else None
    except BadScenario as error:
        typer.echo(f"Error: {error}\nWhat to do: {error.advice}", err=True)
        raise SystemExit(2) from None
    try:
        running = serve(
            SimulatedRig(rig_spec, clock=_clock(rate, night, rig_spec.site.longitude_deg, host)),
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
    if rate is not None:
        typer.echo(f"  its night:      export {REHEARSAL_VARIABLE}=http://{host}:{running.port}")
    typer.echo("  Ctrl-C ends it")
    try:
        threading.Event().wait()
    except KeyboardInterrupt:
        typer.echo("stopping")
    finally:
        running.stop()


def simulate_night(
    folder: Annotated[Path, typer.Argument(help="where to write the frames; is made if needed")],
    *,
    spec: Annotated[
        Path | None,
        typer.Option(help="rig description (TOML); a small quick rig if left out"),
    ] = None,
    hours: Annotated[float, typer.Option(help="length of the night", min=0.2, max=12.0)] = 5.0,
    targets: Annotated[int, typer.Option(help="how many, one after the other", min=1, max=5)] = 2,
    every_min: Annotated[
        float, typer.Option(help="from one exposure to the next, minutes", min=0.5)
    ] = 10.0,
    exposure_s: Annotated[float, typer.Option(help="of each, s", min=1.0)] = 60.0,
    night: Annotated[
        str | None, typer.Option(help="date of the evening (2026-11-20); yesterday if left out")
    ] = None,
    unguided: Annotated[bool, typer.Option("--unguided", help="the mount only tracks")] = False,
    knock_arcsec: Annotated[
        float, typer.Option(help="the pier leans over by so much at half time")
    ] = 0.0,
) -> None:
    """Write a night of tracked exposures of the simulated rig as FITS files, at once."""
    from polewright_sim.spec import RigSpec
    from polewright_sim.tracked_night import (
        Knock,
        targets_of_an_evening,
        tracked_exposures,
        turned_about,
        write_night,
    )

    try:
        data = tomllib.loads(spec.read_text(encoding="utf-8")) if spec else QUICK_RIG
        rig = RigSpec.model_validate(data)
        evening = datetime.fromtimestamp(time.time() - 86400.0, UTC)
        if night is not None:
            evening = datetime.fromisoformat(night).replace(tzinfo=UTC)
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            typer.echo(f"{folder} is not empty: choose another folder.", err=True)
            raise SystemExit(2)
    except (OSError, ValueError, tomllib.TOMLDecodeError, ValidationError) as error:
        typer.echo(f"The night cannot be made: {_in_words(error)}", err=True)
        raise SystemExit(2) from None
    midday_s = evening.replace(hour=12, minute=0, second=0, microsecond=0).timestamp()
    start_s = midday_s + 7.5 * 3600.0 - rig.site.longitude_deg * 240.0  # 19:30 solar time
    knock = None
    if knock_arcsec:
        knock = Knock(start_s + 1800.0 * hours, turned_about(90.0, knock_arcsec))
    shots = list(
        tracked_exposures(
            rig,
            targets_of_an_evening(rig.site.latitude_deg, hours, targets),
            start_utc_s=start_s,
            every_s=60.0 * every_min,
            guided=not unguided,
            knock=knock,
        )
    )
    written = write_night(rig, folder, shots, exposure_s=exposure_s)
    off = rig.misalignment
    typer.echo(
        f"{len(written)} frames in {folder}; the axis is {off.alt_arcmin:+.2f} arcmin too high and "
        f"{off.az_arcmin:+.2f} arcmin off in azimuth (on the sky, clockwise from above)."
    )
