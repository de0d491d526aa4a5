"""``polewright plan``: where a sweep fits tonight, what it will tell, and why; nothing moves."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer
from rich.table import Table

from polewright.foundation.angles import ARCSEC, DEG
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import PlanError, SolveError
from polewright.foundation.language import say
from polewright.foundation.rehearsal import clock_from_environment
from polewright.interfaces.cli.console import (
    TerminalListener,
    run_clock,
    stop_on_signals,
    told_plainly,
)
from polewright.interfaces.cli.options import ConfigPath, next_step, with_rig_options
from polewright.interfaces.cli.outputs import Chart, Force, Theme, check_chart, write_sky_chart
from polewright.interfaces.cli.terminal import Console
from polewright.interfaces.cli.times import At, moment, utc_from_text

if TYPE_CHECKING:
    from polewright.calculation.planning.request import PlanRequest, SweepPlan
    from polewright.solving.base import Solver


FIGURES = (say("± axis"), say("cost"), say("min"), say("Sun"), say("Moon"))


@with_rig_options
def plan(
    config: ConfigPath = None,
    at: At = None,
    connect: Annotated[
        bool,
        typer.Option("--connect", help="ask mount and camera (pointing, sides, frame)"),
    ] = False,
    chart: Chart = None,
    theme: Theme = "day",
    force: Force = False,
    as_json: Annotated[bool, typer.Option("--json", help="print one JSON document")] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Find the sweeps that fit tonight's sky, best first; or judge the one given by its start.

    Works without any device and moves nothing. A start given by --sweep-start-azimuth-deg and
    --sweep-start-altitude-deg is judged as a measurement would judge it.
    """
    from polewright.foundation.config import config_from_file
    from polewright.observing.plan.plan_from_config import own_wish
    from polewright.observing.runs.offline_plan import offline_plans

    messages = Console(stderr=True)
    with told_plainly(messages, as_json=as_json):
        settings = config_from_file(config, overrides)
        check_chart(chart, theme, force=force)
        utc_s = None if at is None else utc_from_text(at)
        request, solver, notes = _request(settings, utc_s, messages, connect=connect)
        wish = own_wish(settings, request.site)
        try:
            plans, more = offline_plans(request, wish, solver, assumed=not connect)
        except (PlanError, SolveError):
            if chart is not None:
                write_sky_chart(chart, theme, request)
            raise
        if chart is not None:
            write_sky_chart(chart, theme, request, plans)
        notes = (*more, *notes)
    if as_json:
        sys.stdout.write(json.dumps(plan_document(request, plans, notes)) + "\n")
    else:
        console = Console()
        if not connect:
            console.print(
                say(
                    "Nothing was asked of the mount: the sweep that is driven may be another. "
                    "`polewright plan --connect` asks."
                )
            )
        print_plans(console, request, plans, notes)


def _request(
    settings: Any, utc_s: float | None, messages: Console, *, connect: bool
) -> tuple[PlanRequest, Solver | None, tuple[str, ...]]:
    from dataclasses import replace

    from polewright.observing.plan.plan_from_config import plan_request
    from polewright.observing.runs.connect import connect_rig
    from polewright.observing.runs.offline_plan import offline_request, offline_solver

    clock = run_clock(messages) if connect else clock_from_environment()
    if not connect:
        request, notes = offline_request(settings, clock.utc_s() if utc_s is None else utc_s)
        return request, offline_solver(settings), notes
    cancel = CancelToken()
    with stop_on_signals(cancel), TerminalListener(messages) as listener:
        rig = connect_rig(settings, clock, cancel, listener)
        request = plan_request(rig)
    solver = None if rig.plates.scale is None else rig.plates.solver
    if utc_s is None:
        return request, solver, tuple(rig.notes)
    # Where the mount points and which side it would choose is known for now only.
    then = replace(request, utc_s=utc_s, pointing=None, destination_side=None)
    said = say("Planned for another time than now: the first slew is not checked.")
    return then, solver, (*rig.notes, said)


def plan_document(
    request: PlanRequest, plans: Sequence[SweepPlan], notes: Sequence[str]
) -> dict[str, Any]:
    """Return plans for a script, best first."""
    from polewright.calculation.planning.plan_as_data import plan_data, utc_text

    usable = request.horizon.usable(request.sky.altitude_min_deg)
    return {
        "schema_version": "1",
        "ok": True,
        "at_utc": utc_text(request.utc_s),
        "at_local": datetime.fromtimestamp(request.utc_s).astimezone().isoformat(),
        "site": {
            "latitude_deg": request.site.latitude_deg,
            "longitude_deg": request.site.longitude_deg,
            "elevation_m": request.site.elevation_m,
        },
        "open_sky_fraction": round(usable.open_fraction, 4),
        "plans": [plan_data(item) for item in plans],
        "notes": list(notes),
    }


def print_plans(
    console: Console, request: PlanRequest, plans: Sequence[SweepPlan], notes: Sequence[str]
) -> None:
    """Print plans for a person."""
    from polewright.calculation.planning.chart import LETTERS

    table = Table(
        title=say("Sweeps that fit from {when}, best first", when=moment(request.utc_s)),
        title_justify="left",
        box=None,
        padding=(0, 1, 0, 0),  # German heads fit 80 columns so
    )
    words = ("", say("hour angles"), say("altitudes"))
    places = ("", say("az"), say("alt"), say("hour angles"), say("dec"), say("altitudes"))
    for heading in (*places, *FIGURES):
        justify: Literal["left", "right"] = "left" if heading in words else "right"
        table.add_column(heading, justify=justify, no_wrap=True)
    for number, item in enumerate(plans):
        table.add_row(*_row(say("best") if number == 0 else LETTERS[number], item))
    console.print(table)
    lit = 100.0 * plans[0].moon_fraction
    console.print(
        say(
            "Degrees, east negative; ± axis (1 sigma) and its cost against the best in an "
            "open sky in arcsec; min: minutes it takes; distances to Sun and Moon ({lit:.0f} "
            "% lit).",
            lit=lit,
        ),
    )
    best = plans[0]
    console.print(
        say(
            "What obstacles and wishes cost the best one: {cost_sentence}.",
            cost_sentence=best.cost_sentence,
        )
    )
    console.print(
        say(
            "The best one has {points} points: {turns} turns of {step:g}°, going {way} on the "
            "{side} side of the meridian; after it the mount can track on for "
            "{adjusting_time_s:.0f} minutes before a limit is reached.",
            points=len(best.points),
            turns=len(best.points) - 1,
            step=best.step / DEG,
            way=best.way,
            side=best.side,
            adjusting_time_s=best.adjusting_time_s / 60.0,
        ),
    )
    for sentence in dict.fromkeys((*best.warnings, *notes)):
        console.print(say("Note: {sentence}", sentence=sentence))
    console.print(next_step("align"))


def _row(name: str, item: SweepPlan) -> tuple[str, ...]:
    start = item.points[0]
    sun = say("set") if not item.sun_counts else f"{item.sun_separation / DEG:.0f}"
    moon = f"{item.moon_separation / DEG:.0f}" if item.moon_up else say("set")
    hour_angles = " ".join(f"{point.hour_angle / DEG:+.0f}" for point in item.points)
    return (
        name,
        f"{start.azimuth / DEG:.0f}",
        f"{start.altitude / DEG:.0f}",
        hour_angles,
        f"{item.declination / DEG:+.0f}",
        " ".join(f"{point.altitude / DEG:.0f}" for point in item.points),
        f"{item.sigma / ARCSEC:.1f}",
        f"{item.cost / ARCSEC:+.1f}",
        f"{item.duration_s / 60.0:.1f}",
        sun,
        moon,
    )
