"""``polewright history``: past runs, how a pier moves, and runs carried between machines."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.errors import ConfigError, ExitCode, in_words
from polewright.foundation.language import joined, say, say_count, translated
from polewright.interfaces.cli.brief_help import BriefHelp
from polewright.interfaces.cli.console import exit_with, told_plainly
from polewright.interfaces.cli.options import ConfigPath, next_step
from polewright.interfaces.cli.outputs import (
    Force,
    Theme,
    keep_existing,
    picture_kind,
    write_picture,
)
from polewright.interfaces.cli.terminal import Console

if TYPE_CHECKING:
    from polewright.foundation.config import Config
    from polewright.records.history.store import History, RunFilter

#: A pier's name has so many letters a line at least.
LEAST_PIER = 6

history_app = typer.Typer(
    help="Past runs: list, show, plot, trend, export and import.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Url = Annotated[
    str | None,
    typer.Option(help="database URL; [history] url or the user's own if left out"),
]
Pier = Annotated[str | None, typer.Option(help="name of the pier; all if left out")]
Since = Annotated[str | None, typer.Option(help="date (2026-09-01), UTC; from the first run on")]
Rehearsals = Annotated[bool, typer.Option("--rehearsals", help="also runs on a simulated clock")]
AsJson = Annotated[bool, typer.Option("--json", help="print one JSON document")]


@contextmanager
def _opened(
    config: Path | None,
    url: str | None,
    console: Console,
    *,
    as_json: bool,
    only_read: bool = True,
) -> Iterator[tuple[History, Config]]:
    from polewright.foundation.config import config_from_file
    from polewright.records.history.store import History

    with told_plainly(console, as_json=as_json):
        settings = config_from_file(config)
        with History(url or settings.history.url, only_read=only_read) as history:
            yield history, settings


def _moment(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError as exc:
        raise ConfigError(say("{text!r} is no date; write it as 2026-09-01", text=text)) from exc
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def _wanted(pier: str | None, since: str | None, rehearsals: bool, **more: Any) -> RunFilter:
    from polewright.records.history.store import RunFilter

    return RunFilter(pier=pier, since_utc_s=_moment(since), rehearsals=rehearsals, **more)


def _when(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%d %H:%M")


def _say(document: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps({"schema_version": "1", "ok": True, **document}) + "\n")


@history_app.command("list", cls=BriefHelp)
def list_runs(
    config: ConfigPath = None,
    *,
    url: Url = None,
    pier: Pier = None,
    since: Since = None,
    limit: Annotated[int, typer.Option(help="how many of the newest", min=1)] = 30,
    rehearsals: Rehearsals = False,
    as_json: AsJson = False,
) -> None:
    """List runs, newest first."""
    console = Console(stderr=True)
    with _opened(config, url, console, as_json=as_json) as (history, _settings):
        wanted = _wanted(pier, since, rehearsals, limit=limit)
        rows = history.list_runs(wanted)
        why_none = "" if rows else _why_none(history, wanted)
    if as_json:
        _say({"runs": rows})
        return
    table = Table(
        title=say("Past runs (times UTC, errors in arcmin)"),
        title_justify="left",
        caption=say("* rehearsal") if any(row["rehearsal"] for row in rows) else None,
        caption_justify="left",
        box=SIMPLE_HEAD,
        padding=0,  # so that it fits a terminal of 80 columns
    )
    right = (say("alt"), say("az"), say("total"))
    headings = (say("id"), say("when"), say("pier"), say("kind"), *right, say("end"))
    lines = [_run_line(row) for row in rows]
    # A narrow table would cut every column; a pier's long name goes on in the next line instead.
    others = sum(
        max(len(translated(line[k])) for line in [headings, *lines]) + 1
        for k in range(len(headings))
        if headings[k] != "pier"
    )
    for heading in headings:
        table.add_column(
            heading,
            no_wrap=heading != "pier",
            overflow="fold",
            justify="right" if heading in right else "left",
        )
    table.columns[2].max_width = max(LEAST_PIER, Console().width - others - 3)
    for line in lines:
        table.add_row(*line)
    if rows:
        Console().print(table)
        if url is None:
            Console().print(next_step(f"history show {rows[0]['run_id'][:8]}"))
    else:
        console.print(why_none)


def _run_line(row: dict[str, Any]) -> tuple[str, ...]:
    measured = row["total_arcmin"] is not None
    return (
        row["run_id"][:8],
        _when(row["started_utc_s"]),
        row["pier"],
        row["kind"] + ("*" if row["rehearsal"] else ""),
        f"{row['d_alt_arcmin']:+.2f}" if measured else "",
        f"{row['d_az_sky_arcmin']:+.2f}" if measured else "",
        f"{row['total_arcmin']:.2f}" if measured else "",
        _end(row),
    )


def _why_none(history: History, wanted: RunFilter) -> str:
    """Say why no run is listed, and what to do."""
    hidden = _rehearsals_left_out(history, wanted)
    if hidden:
        return say("No run but {hidden}.", hidden=hidden)
    if piers := history.piers(rehearsals=True):
        at = "" if wanted.pier is None else say(" of a pier {pier!r}", pier=wanted.pier)
        since = (
            ""
            if wanted.since_utc_s is None
            else say(" since {since_utc_s} UTC", since_utc_s=_when(wanted.since_utc_s))
        )
        return say(
            "No run{at}{since} is recorded; piers that have runs: {piers}.",
            at=at,
            since=since,
            piers=joined(", ", piers),
        )
    return say(
        "No run is recorded yet: `polewright measure` makes the first. Rehearsals are "
        "recorded only where [history] url or POLEWRIGHT_HISTORY_URL names a database "
        "for them."
    )


def _rehearsals_left_out(history: History, wanted: RunFilter) -> str:
    """Say how many rehearsals the filter leaves out; nothing when it leaves out none."""
    if wanted.rehearsals:
        return ""
    hidden = history.count_runs(replace(wanted, rehearsals=True)) - history.count_runs(wanted)
    if not hidden:
        return ""
    return say_count(
        "{count} rehearsal is recorded here; --rehearsals shows it too",
        "{count} rehearsals are recorded here; --rehearsals shows them too",
        hidden,
    )


def _end(row: dict[str, Any]) -> str:
    if row["outcome"] == ExitCode.OK:
        return say("within") if row["within_tolerance"] else say("done")
    if row["outcome"] == ExitCode.OUT_OF_TOLERANCE:
        return say("outside")
    if row["kind"] == "passive" and row["outcome"] == ExitCode.AXIS_NOT_TRUSTED:
        return "no figure"
    return _outcome_word(row["outcome"])


def _outcome_word(outcome: int) -> str:
    try:
        return ExitCode(outcome).name.lower().replace("_", " ")
    except ValueError:
        return str(outcome)


@history_app.command("show", cls=BriefHelp)
def show_run(
    run: Annotated[str, typer.Argument(help="id of the run, or its first letters")],
    config: ConfigPath = None,
    *,
    url: Url = None,
    as_json: AsJson = False,
) -> None:
    """Show one run; with --json, all that is known of it."""
    from polewright.interfaces.cli.console import print_result
    from polewright.interfaces.cli.passive import print_night

    console = Console(stderr=True)
    with _opened(config, url, console, as_json=as_json) as (history, _settings):
        record = history.get(run)
    if as_json:
        sys.stdout.write(record.model_dump_json() + "\n")
        return
    out = Console()
    out.print(
        say(
            "Run {run_id} of {pier}: {kind}, {started_utc_s} to {finished_utc_s} UTC, ended: "
            "{outcome}.",
            run_id=record.run_id,
            pier=record.pier,
            kind=record.kind,
            started_utc_s=_when(record.started_utc_s),
            finished_utc_s=_when(record.finished_utc_s),
            outcome=_outcome_word(record.outcome),
        ),
    )
    for device in record.devices:
        out.print(
            say(
                "  {kind}: {device} at {address}",
                kind=device.device,
                device=device.name,
                address=device.address,
            )
        )
    versions = ", ".join(f"{name} {version}" for name, version in record.versions.items())
    out.print(say("  versions: {versions}", versions=versions))
    for number, sweep in enumerate(record.sweeps, start=1):
        out.print(
            say("Sweep {number} of {sweeps}", number=number, sweeps=len(record.sweeps)),
            style="bold",
        )
        print_result(out, sweep.result, with_advice=False)
    if record.passive is not None:
        print_night(out, record.passive)
    if record.readings:
        out.print(
            say_count(
                "{count} reading while adjusting.",
                "{count} readings while adjusting.",
                len(record.readings),
            )
        )
    if record.failure is not None:
        out.print(say("It ended early: {message}", message=record.failure.message))


@history_app.command("plot", cls=BriefHelp)
def plot(
    config: ConfigPath = None,
    *,
    chart: Annotated[
        Path, typer.Option("--chart", help="draw a picture to this .svg or .png")
    ] = Path("drift.svg"),
    url: Url = None,
    pier: Pier = None,
    since: Since = None,
    rehearsals: Rehearsals = False,
    theme: Theme = "day",
    force: Force = False,
) -> None:
    """Draw how a pier's axis moved over the months.

    Scales are logarithmic where the figures span more than a factor of ten.
    """
    from polewright.records.history.errors import TooFewRuns
    from polewright.records.history.plot import Lines, drift_picture
    from polewright.records.history.trend import fit_trend, series_since_adjusting

    console = Console(stderr=True)
    with _opened(config, url, console, as_json=False) as (history, settings):
        kind = picture_kind(chart, theme)
        name = _one_pier(history, pier or settings.history.pier, rehearsals)
        rows = _measured(history, _wanted(name, since, rehearsals))
        series, earlier = series_since_adjusting(rows)
        try:
            trend = fit_trend(series)
        except TooFewRuns:
            trend = None
        lines = Lines(rows[-1]["tolerance_arcmin"], settings.history.alarm_arcmin)
        keep_existing(chart, force=force)
        night = theme == "night"
        picture = drift_picture(name, series, earlier, trend, lines, night=night, picture=kind)
        write_picture(chart, picture)
    console.print(say("The picture is in {picture}.", picture=chart))
    if trend is not None:
        console.print(trend.sentence)


@history_app.command("trend", cls=BriefHelp)
def trend(
    config: ConfigPath = None,
    *,
    limit_arcmin: Annotated[
        float | None,
        typer.Option(help="alarm when the axis is further off; [history] alarm_arcmin", min=0.0),
    ] = None,
    ahead_days: Annotated[
        float, typer.Option(help="also say when the limit will be reached within so long")
    ] = 180.0,
    url: Url = None,
    pier: Pier = None,
    since: Since = None,
    rehearsals: Rehearsals = False,
    as_json: AsJson = False,
) -> None:
    """Tell how a permanent pier moves since its adjusters were last turned.

    Exit code 9 when the axis, by the trend, stands beyond the alarm limit.
    """
    from polewright.records.history.trend import fit_trend, series_since_adjusting

    console = Console(stderr=True)
    with _opened(config, url, console, as_json=as_json) as (history, settings):
        name = _one_pier(history, pier or settings.history.pier, rehearsals)
        rows = _measured(history, _wanted(name, since, rehearsals))
        found = fit_trend(series_since_adjusting(rows)[0])
    limit = settings.history.alarm_arcmin if limit_arcmin is None else limit_arcmin
    alarm = limit is not None and found.total > limit
    tolerance = float(rows[-1]["tolerance_arcmin"])
    crosses = None if limit is None or alarm else found.crosses_in_d(limit, ahead_days)
    out_of_tolerance = None
    if found.total < tolerance and found.model not in ("still", "stepped"):
        out_of_tolerance = found.crosses_in_d(tolerance, ahead_days)
    if as_json:
        _say(
            {
                "pier": name,
                "model": found.model,
                "measurements": found.points,
                "span_days": found.span_d,
                "d_az_sky_arcmin": float(found.now[0]),
                "d_alt_arcmin": float(found.now[1]),
                "total_arcmin": found.total,
                "sigma_total_arcmin": found.total_sigma,
                "rate_az_sky_arcmin_per_30_days": float(found.rate[0]),
                "rate_alt_arcmin_per_30_days": float(found.rate[1]),
                "sigma_rate_arcmin_per_30_days": [float(s) for s in found.rate_sigma],
                "moving": found.moving,
                "scatter": found.scatter,
                "stepped_utc_s": found.when_utc_s,
                "time_constant_days": found.time_constant_d,
                "limit_arcmin": limit,
                "alarm": alarm,
                "reaches_limit_in_days": crosses,
                "moving_since_utc_s": found.moving_since_utc_s,
                "tolerance_arcmin": tolerance,
                "reaches_tolerance_in_days": out_of_tolerance,
            }
        )
    else:
        _show_trend(name, found, limit, crosses, alarm=alarm)
        if out_of_tolerance is not None:
            weeks = max(1, round(out_of_tolerance / 7.0))
            Console().print(
                say(
                    "The tolerance of {tolerance} is reached in about {weeks}.",
                    tolerance=arcmin_text(tolerance),
                    weeks=say_count("{count} week", "{count} weeks", weeks),
                )
            )
    exit_with(ExitCode.OUT_OF_TOLERANCE if alarm else ExitCode.OK)


def _show_trend(
    name: str, found: Any, limit: float | None, crosses: float | None, *, alarm: bool
) -> None:
    out = Console()

    def tell_line(text: str, style: str | None = None) -> None:
        out.print(text, style=style)

    tell_line(name, "bold")
    tell_line(found.sentence)
    if found.when_utc_s is not None:
        tell_line(
            say(
                "It moved around {when_utc_s}, between two measurements: what happened then "
                "(earthquake, storm, work on the pier)?",
                when_utc_s=_when(found.when_utc_s)[:10],
            )
        )
    rate = joined(
        ", ",
        (
            say(
                "{direction} {rate} a month",
                direction=word,
                rate=arcmin_text(value, sigma, signed=True),
            )
            for word, value, sigma in zip(
                (say("azimuth"), say("altitude")), found.rate, found.rate_sigma, strict=True
            )
        ),
    )
    tell_line(say("Now: {rate}.", rate=rate))
    if found.scatter > 2.0:
        tell_line(
            say(
                "The measurements scatter {scatter:.1f} times more than their errors: look "
                "for a loose clamp, or measure at similar temperatures.",
                scatter=found.scatter,
            )
        )
    if limit is None:
        return
    if alarm:
        tell_line(
            say(
                "ALARM: beyond the limit of {limit}. Align the pier again.",
                limit=arcmin_text(limit),
            ),
            "bold red",
        )
    elif crosses is not None and math.isfinite(crosses):
        days = say_count("{count} day", "{count} days", round(crosses))
        tell_line(
            say(
                "At this pace the limit of {limit} is reached in {days}.",
                limit=arcmin_text(limit),
                days=days,
            )
        )


@history_app.command("export", cls=BriefHelp)
def export(
    out: Annotated[Path, typer.Option("--out", "-o", help="file to write; - is stdout")],
    config: ConfigPath = None,
    *,
    format_name: Annotated[
        str | None,
        typer.Option(
            "--format", help="jsonl (whole runs), csv, json or parquet; by the file's ending"
        ),
    ] = None,
    url: Url = None,
    pier: Pier = None,
    since: Since = None,
    rehearsals: Rehearsals = False,
    force: Force = False,
) -> None:
    """Write runs to a file: JSON lines to import elsewhere, or a table of measurements."""
    from polewright.records.history import exchange

    console = Console(stderr=True)
    with told_plainly(console, as_json=False):
        if str(out) != "-":
            keep_existing(out, force=force)
    with _opened(config, url, console, as_json=False) as (history, _settings):
        kind = format_name or out.suffix.lower().lstrip(".") or "jsonl"
        if kind not in exchange.FORMATS:
            raise ConfigError(
                say(
                    "format {kind!r} is not one of {formats}",
                    kind=kind,
                    formats=joined(", ", exchange.FORMATS),
                )
            )
        if pier is not None:
            _one_pier(history, pier, rehearsals)
        wanted = _wanted(pier, since, rehearsals)
        left_out = _rehearsals_left_out(history, wanted)
        if kind == "parquet":
            if str(out) == "-":
                raise ConfigError(say("Parquet goes to a file, not to the terminal"))
            rows = history.list_measurements(wanted)
            _told_os(out, lambda: exchange.write_parquet(rows, out))
            count = len(rows)
        else:
            import io

            text = io.StringIO(newline="")
            if kind == "jsonl":
                count = exchange.write_jsonl(history.records(wanted), text)
            else:
                rows = history.list_measurements(wanted)
                count = len(rows)
                (exchange.write_csv if kind == "csv" else exchange.write_json)(rows, text)
            if str(out) == "-":
                sys.stdout.write(text.getvalue())
            else:
                _write(out, text.getvalue().encode())
    what = (
        say_count("{count} run", "{count} runs", count)
        if kind == "jsonl"
        else say_count("{count} measurement", "{count} measurements", count)
    )
    console.print(say("{what} written to {out}.", what=what, out=out))
    if not count and left_out:
        console.print(say("{left_out}.", left_out=left_out))


@history_app.command("import", cls=BriefHelp)
def import_file(
    file: Annotated[Path, typer.Argument(help="JSON lines from `polewright history export`")],
    config: ConfigPath = None,
    *,
    url: Url = None,
    as_json: AsJson = False,
) -> None:
    """Take in runs of another machine; runs that are here already are left alone."""
    from polewright.records.history.exchange import import_runs, read_jsonl

    console = Console(stderr=True)
    with _opened(config, url, console, as_json=as_json, only_read=False) as (history, _settings):
        done = import_runs(read_jsonl(file), history)
    if as_json:
        _say({"added": done.added, "known": done.known, "differing": list(done.differing)})
        return
    console.print(
        say(
            "{added} added; already here: {known}.",
            added=say_count("{count} run", "{count} runs", done.added),
            known=done.known,
        )
    )
    for run_id in done.differing:
        console.print(say("{run_id} is here with another content; ours was kept.", run_id=run_id))


def _one_pier(history: History, name: str | None, rehearsals: bool) -> str:
    """The pier asked for, or the only one there is.

    Raises:
        ConfigError: none has this name, or none is named and there is not just one.
    """
    piers = history.piers(rehearsals=rehearsals)
    if name in piers:
        return str(name)
    if name is None and len(piers) == 1:
        return piers[0]
    known = ", ".join(piers)
    if name is None:
        if known:
            raise ConfigError(say("say which pier with --pier: {known}", known=known))
        if hidden := _rehearsals_left_out(history, _wanted(None, None, False)):
            raise ConfigError(say("no run but {hidden}", hidden=hidden))
        raise ConfigError(say("no run is recorded yet: `polewright measure` makes the first"))
    if hidden := _rehearsals_left_out(history, _wanted(name, None, False)):
        raise ConfigError(
            say("of the pier {name!r}, no run but {hidden}", name=name, hidden=hidden)
        )
    raise ConfigError(
        say(
            "no run of a pier {name!r} is recorded; known: {piers}",
            name=name,
            piers=known or "none",
        )
    )


def _measured(history: History, wanted: RunFilter) -> list[dict[str, Any]]:
    """The pier's measurements.

    Raises:
        ConfigError: there is none.
    """
    rows = history.list_measurements(wanted)
    if not rows:
        since = (
            ""
            if wanted.since_utc_s is None
            else say(" since {since_utc_s} UTC", since_utc_s=_when(wanted.since_utc_s))
        )
        raise ConfigError(
            say(
                "no run of the pier {pier!r}{since} came to a measurement: `polewright "
                "history list` shows how each ended",
                pier=wanted.pier,
                since=since,
            )
        )
    return rows


def _write(path: Path, data: bytes) -> None:
    _told_os(path, lambda: path.write_bytes(data))


def _told_os(path: Path, write: Any) -> None:
    try:
        write()
    except OSError as exc:
        raise ConfigError(
            say("{path} cannot be written: {exc}", path=path, exc=in_words(exc))
        ) from exc
