"""``polewright drift``: track hands off and compare the drift with the measured axis."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.clock import CancelToken
from polewright.foundation.language import say
from polewright.interfaces.cli.console import (
    TerminalListener,
    compass,
    exit_with,
    run_clock,
    stop_on_signals,
    told_plainly,
    write_out,
)
from polewright.interfaces.cli.options import ConfigPath, next_step, report_step, with_rig_options
from polewright.interfaces.cli.outputs import (
    Chart,
    ChartUnwritable,
    Force,
    Theme,
    check_chart,
    picture_kind,
    write_picture,
)
from polewright.interfaces.cli.terminal import Console
from polewright.records.events import Event

if TYPE_CHECKING:
    from polewright.foundation.clock import Clock
    from polewright.foundation.config import Config
    from polewright.observing.runs.drift_run import DriftResult


class _Listener(TerminalListener):
    """Adds how the check stands."""

    def __call__(self, event: Event) -> None:
        from polewright.observing.runs.drift_run import DriftReading

        super().__call__(event)
        if isinstance(event, DriftReading):
            self.console.print(
                say(
                    "  field {field} of {fields}, {elapsed_s:.1f} min, {frames} frames: {sentence}",
                    field=event.field,
                    fields=event.fields,
                    elapsed_s=event.elapsed_s / 60.0,
                    frames=event.frames,
                    sentence=event.sentence,
                ),
            )


@with_rig_options
def drift(
    config: ConfigPath = None,
    axis: Annotated[
        str | None,
        typer.Option(
            help="what to compare with: a file of `polewright measure --json`, the ID of a run "
            "in the history, or last, the newest one; without it the axis is measured by drift "
            "alone"
        ),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="print one JSON document; progress goes to stderr")
    ] = False,
    chart: Chart = None,
    theme: Theme = "day",
    force: Force = False,
    one_field: Annotated[
        bool, typer.Option("--one-field", help="look at the field near the meridian only")
    ] = False,
    minutes: Annotated[float, typer.Option(help="longest time at each field, minutes")] = 15.0,
    goal_arcsec: Annotated[
        float, typer.Option(help="uncertainty (1 sigma) of the axis that is sure enough, arcsec")
    ] = 10.0,
    flexure_arcsec_per_hour: Annotated[
        float,
        typer.Option(
            help="creep of tube and camera against the axes that is allowed for, arcsec an hour"
        ),
    ] = 1.5,
    *,
    overrides: dict[str, Any],
) -> None:
    """Check the measured axis by drift: track one or two fields hands off and compare.

    The mount slews to each field and then only tracks. Keep hands off, switch guiding and
    periodic error correction by guiding off, and do not touch the adjusters between the
    measurement and this check. Ctrl-C stops all motion.

    Exit code 8: it disagrees with --axis. 12: it could not decide. 9: without --axis, and the axis
    is outside the tolerance.
    """
    from polewright.calculation.drift.decide import StopRule
    from polewright.calculation.drift.errors import DriftSettingsWrong
    from polewright.calculation.drift.estimator import DriftNoise
    from polewright.calculation.drift.plot import drift_plot
    from polewright.calculation.drift.prediction import predicted_from_document
    from polewright.foundation.angles import ARCSEC
    from polewright.foundation.config import config_from_file
    from polewright.observing.plan.rig_past import sweep_of
    from polewright.observing.runs.connect import connect_rig
    from polewright.observing.runs.drift_run import DriftSettings, run_drift
    from polewright.records.history.run_recorder import recorded
    from polewright.session.journal import adjusting_unfinished
    from polewright.session.opening import journal_folder

    progress = Console(stderr=True)
    tell_line = partial(progress.print)
    cancel = CancelToken()
    with told_plainly(progress, as_json=as_json):
        settings = config_from_file(config, overrides)
        check_chart(chart, theme, force=force)
        for name, value, low, high in (
            ("--minutes", minutes, StopRule.shortest_s / 60.0, 120.0),
            ("--goal-arcsec", goal_arcsec, 1.0, 600.0),
            ("--flexure-arcsec-per-hour", flexure_arcsec_per_hour, 0.0, 600.0),
        ):
            if not low <= value <= high:
                allowed = say("between {low:g} and {high:g}", low=low, high=high)
                raise DriftSettingsWrong(name, value, allowed)
        rule = StopRule(goal=goal_arcsec * ARCSEC, longest_s=60.0 * minutes)
        how = DriftSettings(
            rule=rule,
            noise=DriftNoise(
                frame_floor=settings.sweep.frame_floor_arcsec * ARCSEC,
                flexure_rate=flexure_arcsec_per_hour * ARCSEC / 3600.0,
            ),
            two_fields=not one_field,
        )
        clock = run_clock(progress)
        text = "" if axis is None else axis_document(axis, settings, clock)
        with stop_on_signals(cancel), recorded(settings, clock, "drift", tell_line) as recorder:
            with _Listener(progress) as listener:

                def hear(event: Event) -> None:
                    listener(event)
                    recorder(event)

                rig = connect_rig(settings, clock, cancel, hear)
                predicted = compared = None
                if axis is not None:
                    predicted = predicted_from_document(text, axis, rig.site)
                    unfinished = partial(adjusting_unfinished, journal_folder(settings))
                    compared = sweep_of(rig, text, unfinished)
                run = run_drift(rig, predicted, how, compared)
            # The figure comes first: what is written down after it may find no room.
            if as_json:
                write_out(run.result.model_dump_json())
            else:
                _print(Console(), run.result, recorder.kept_as)
            recorder.drifted(
                {
                    **run.result.model_dump(mode="json"),
                    "svg": drift_plot(run.curves, run.result.sentence).decode(),
                },
                run.result.exit_code,
            )
        if chart is not None:
            kind = picture_kind(chart, theme)
            picture = drift_plot(
                run.curves, run.result.sentence, night=theme == "night", picture=kind
            )
            try:
                write_picture(chart, picture)
            except ChartUnwritable as error:  # the check is done all the same
                tell_line(str(error))
    exit_with(run.result.exit_code)


def axis_document(axis: str, config: Config, clock: Clock) -> str:
    """Return the JSON of the measurement that ``--axis`` names: a file's, or a run's last sweep.

    Raises:
        PredictionUnreadable: there is none, or the axis may have been turned since.
        PolewrightError: the history cannot be read, or has no such run.
    """
    from polewright.calculation.drift.errors import PredictionUnreadable
    from polewright.records.history.run_recorder import is_rehearsal
    from polewright.records.history.store import History, RunFilter

    path = Path(axis)
    if path.is_file() or path.suffix or path.name != axis:
        try:
            return path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as exc:
            raise PredictionUnreadable(axis, str(exc)) from exc
    with History(config.history.url, only_read=True) as history:
        if axis == "last":
            wanted = RunFilter(pier=config.history.pier, rehearsals=is_rehearsal(clock))
            rows = [row for row in history.list_runs(wanted) if row["total_arcmin"] is not None]
            if not rows:
                raise PredictionUnreadable(axis, say("the history holds no measured run"))
            axis = str(rows[0]["run_id"])
        record = history.get(axis)
    if not record.sweeps:
        raise PredictionUnreadable(axis, say("that run measured no axis"))
    if record.adjusted_after:
        raise PredictionUnreadable(
            axis, say("the adjusters may have been turned after its last sweep")
        )
    return record.sweeps[-1].result.model_dump_json()


def _print(console: Console, result: DriftResult, kept_as: str | None) -> None:
    table = Table(title=say("Drift of the fields"), title_justify="left")
    for title in (
        say("field"),
        say("frames"),
        say("minutes"),
        say("declination drift, arcsec/min"),
        say("predicted"),
    ):
        table.add_column(title, justify="left" if title == "field" else "right")
    for field in result.fields:
        predicted = field.predicted_rate_arcsec_per_min
        table.add_row(
            field.name,
            f"{field.frames}",
            f"{field.span_s / 60.0:.1f}",
            f"{field.declination_rate_arcsec_per_min:+.3f}",
            "" if predicted is None else f"{predicted:+.3f}",
        )
    console.print(table)
    if result.one_axis:
        _print_axis(console, result)
    console.print(result.sentence, style="bold")
    if result.one_axis:
        _print_tolerance(console, result)
    console.print(result.weather.sentence())
    console.print(_next(result, kept_as))


def _print_axis(console: Console, result: DriftResult) -> None:
    altitude = compass(
        result.d_alt_arcmin, say("too high"), say("too low"), result.sigma_alt_arcmin
    )
    azimuth = compass(
        result.d_az_sky_arcmin, say("too far east"), say("too far west"), result.sigma_az_sky_arcmin
    )
    console.print(
        say(
            "Axis by drift, against the true pole, each ± 1 sigma: altitude {altitude}; azimuth "
            "on the sky {azimuth}.",
            altitude=altitude,
            azimuth=azimuth,
        ),
    )


def _print_tolerance(console: Console, result: DriftResult) -> None:
    if result.total_upper95_arcmin is None or result.tolerance_arcmin is None:
        return
    told = (
        say(
            "By drift the axis is within the tolerance of {tolerance}: under {upper} (95 %).",
            tolerance=arcmin_text(result.tolerance_arcmin),
            upper=arcmin_text(result.total_upper95_arcmin),
        )
        if result.within_tolerance
        else say(
            "By drift the axis is not surely within the tolerance of {tolerance}: "
            "{total} off, under {upper} (95 %).",
            tolerance=arcmin_text(result.tolerance_arcmin),
            total=arcmin_text(
                result.total_arcmin, max(result.sigma_alt_arcmin, result.sigma_az_sky_arcmin)
            ),
            upper=arcmin_text(result.total_upper95_arcmin),
        )
    )
    console.print(told)


def _next(result: DriftResult, kept_as: str | None) -> str:
    match result.verdict:
        case "disagrees":
            return next_step("measure", say("again, once it is found what slips or bends"))
        case "needs longer":
            return next_step("drift --minutes 30", say("longer, or in steadier air"))
        case "measured" if not result.within_tolerance:
            return next_step("align")
    return report_step(kept_as)
