"""``polewright report``: a run as one HTML file, and the schemas of its JSON."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from polewright.foundation.errors import ConfigError, in_words
from polewright.foundation.language import joined, say
from polewright.interfaces.cli.console import told_plainly
from polewright.interfaces.cli.options import ConfigPath
from polewright.interfaces.cli.outputs import Force, keep_existing
from polewright.interfaces.cli.terminal import Console

if TYPE_CHECKING:
    from polewright.foundation.config import HistorySection
    from polewright.interfaces.report.page import Drift, Telling
    from polewright.records.history.run_record import RunRecord
    from polewright.records.history.store import History


def report(
    run: Annotated[
        str | None,
        typer.Argument(
            help="id of a run (its first letters do), or a JSON file of `polewright measure` or "
            "`polewright history show`; the newest measured run if left out",
            show_default=False,
        ),
    ] = None,
    config: ConfigPath = None,
    *,
    out: Annotated[Path, typer.Option("--out", "-o", help="file to write")] = Path("report.html"),
    force: Force = False,
    url: Annotated[
        str | None, typer.Option(help="database URL of the history", show_default=False)
    ] = None,
    schema: Annotated[
        str | None,
        typer.Option(
            help="print a JSON schema instead, such as measurement; an unknown name lists all"
        ),
    ] = None,
    exact_site: Annotated[
        bool, typer.Option("--exact-site", help="tell the site in full, and all numbers as JSON")
    ] = False,
    without_site: Annotated[
        bool, typer.Option("--without-site", help="leave the site out; else it is told to 0.1 deg")
    ] = False,
    theme: Annotated[
        str, typer.Option(help="auto (as the device is set), day, or night (red on black)")
    ] = "auto",
    as_json: Annotated[
        bool, typer.Option("--json", help="tell what was written as one JSON document")
    ] = False,
) -> None:
    """Write a report: one HTML file that needs no network and prints to two pages of A4."""
    from polewright.interfaces.report.write_schemas import DOCUMENTS, published

    console = Console(stderr=True)
    with told_plainly(console, as_json=as_json):
        if schema is not None:
            if schema not in DOCUMENTS:
                raise ConfigError(
                    say(
                        "no schema {schema!r}; there are {documents}",
                        schema=schema,
                        documents=joined(", ", DOCUMENTS),
                    )
                )
            sys.stdout.write(json.dumps(published(schema), indent=1) + "\n")
            return
        keep_existing(out, force=force)
        telling = _telling(exact_site, without_site, theme)
        if run is not None and Path(run).is_file():
            html = _of_file(Path(run), telling)
        elif run is not None and run.endswith(".json"):
            raise ConfigError(say("there is no file {run}", run=run))
        else:
            html = _of_history(run, config, url, telling)
        try:
            out.write_text(html, encoding="utf-8")
        except OSError as exc:
            raise ConfigError(
                say("{path} cannot be written: {exc}", path=out, exc=in_words(exc))
            ) from exc
    if as_json:
        document = {"schema_version": "1", "ok": True, "report": str(out), "bytes": len(html)}
        sys.stdout.write(json.dumps(document) + "\n")
    else:
        console.print(say("The report is in {path}.", path=out))


def _telling(exact_site: bool, without_site: bool, theme: str) -> Telling:
    """Return how the report is told. Raises `ConfigError` for what cannot be."""
    from polewright.interfaces.report.page import Place, Telling

    if exact_site and without_site:
        raise ConfigError(say("give --exact-site or --without-site, not both"))
    place = Place.EXACT if exact_site else Place.NONE if without_site else Place.COARSE
    match theme:
        case "auto" | "day" | "night":
            return Telling(place, theme)
    raise ConfigError(say("the theme is '{theme}', not auto, day or night", theme=theme))


def _of_file(path: Path, telling: Telling) -> str:
    from pydantic import ValidationError

    from polewright.interfaces.report.errors import ResultUnreadable
    from polewright.interfaces.report.page import report_of_result, report_of_run
    from polewright.records.history.run_record import RunRecord
    from polewright.records.result import MeasurementResult

    try:
        text = path.read_text(encoding="utf-8")
        is_run = "run_id" in json.loads(text)
        if is_run:
            return report_of_run(RunRecord.model_validate_json(text), (), telling)
        return report_of_result(MeasurementResult.model_validate_json(text), telling)
    except ValidationError as exc:
        first = exc.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ResultUnreadable(str(path), f"{where}: {first['msg']}") from exc
    except (OSError, ValueError, TypeError) as exc:
        raise ResultUnreadable(str(path), str(exc)) from exc


def _of_history(run: str | None, config: Path | None, url: str | None, telling: Telling) -> str:
    from polewright.foundation.config import config_from_file
    from polewright.interfaces.report.page import report_of_run
    from polewright.records.history.store import History

    settings = config_from_file(config)
    with History(url or settings.history.url, only_read=True) as history:
        record = history.get(run or _newest(history))
        checks = _checks_after(history, record)
        months = _months(history, record, settings.history, telling)
        return report_of_run(record, [*checks, *months], telling)


def _checks_after(history: History, record: RunRecord) -> list[Drift]:
    """Drift checks of the same night, which compare with this run."""
    from polewright.interfaces.report.page import drift_check
    from polewright.records.history.store import RunFilter

    night = RunFilter(
        pier=record.pier,
        kind="drift",
        since_utc_s=record.finished_utc_s,
        until_utc_s=record.finished_utc_s + 43200.0,
        rehearsals=record.rehearsal,
    )
    found = [run for run in history.records(night) if run.rehearsal == record.rehearsal]
    return [drift_check(item) for run in found for item in run.drifts]


def _newest(history: History) -> str:
    measured = [row for row in history.list_runs() if row["total_arcmin"] is not None]
    if not measured:
        raise ConfigError(
            say(
                "the history holds no measured run yet; rehearsals do not count here: "
                "`polewright report ID` takes one that `polewright history list "
                "--rehearsals` shows (they are recorded only where [history] url or "
                "POLEWRIGHT_HISTORY_URL names a database)"
            )
        )
    return str(measured[0]["run_id"])


def _months(
    history: History, record: RunRecord, settings: HistorySection, telling: Telling
) -> list[Drift]:
    """How the pier moved up to this run, where the history tells."""
    from polewright.calculation.figures import with_themes
    from polewright.interfaces.report.page import Drift, Place
    from polewright.records.history.errors import TooFewRuns
    from polewright.records.history.plot import Lines, drift_picture
    from polewright.records.history.store import RunFilter
    from polewright.records.history.trend import fit_trend, series_since_adjusting

    rows = history.list_measurements(RunFilter(pier=record.pier, until_utc_s=record.finished_utc_s))
    series, earlier = series_since_adjusting(rows)
    try:
        trend = fit_trend(series)
    except TooFewRuns:
        return []
    lines = Lines(rows[-1]["tolerance_arcmin"], settings.alarm_arcmin)
    pier = say("the pier") if telling.place is Place.NONE else record.pier
    svg = with_themes(drift_picture(pier, series, earlier, trend, lines).decode())
    return [Drift(say("The pier over time"), trend.sentence, svg[svg.index("<svg") :])]
