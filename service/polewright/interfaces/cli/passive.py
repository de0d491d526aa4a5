"""``polewright passive``: the axis from exposures of ordinary targets, night by night."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table

from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import Cancelled, ExitCode
from polewright.foundation.language import say
from polewright.foundation.rehearsal import clock_from_environment
from polewright.interfaces.cli.console import (
    compass,
    exit_with,
    stop_on_signals,
    told_plainly,
    write_out,
)
from polewright.interfaces.cli.options import ConfigPath, with_config_options
from polewright.interfaces.cli.terminal import Console, headed

if TYPE_CHECKING:
    from polewright.foundation.config import Config
    from polewright.observing.frames.passive import Wanted
    from polewright.records.passive_result import PassiveResult
    from polewright.records.result import MeasurementResult

#: How often a watched folder is looked at, s.
LOOK_S = 20.0
#: A file that changed so lately may still be written, s.
FRESH_S = 3.0


@with_config_options
def passive(
    places: Annotated[
        list[Path],
        typer.Argument(
            metavar="FOLDER...", help="folders of FITS frames, with all below them; or files"
        ),
    ],
    config: ConfigPath = None,
    watch: Annotated[
        bool, typer.Option("--watch", help="go on and read what comes; Ctrl-C ends it")
    ] = False,
    unguided: Annotated[
        bool,
        typer.Option(
            "--unguided",
            help="nothing guided the mount: the drift of the frames tells, too. Nothing in a frame "
            "shows this",
        ),
    ] = False,
    within_arcmin: Annotated[
        float | None,
        typer.Option(
            help="give a figure if the 95 % region reaches no further, arcmin; the tolerance if "
            "left out",
            min=0.01,
        ),
    ] = None,
    times_later_hours: Annotated[
        float, typer.Option(help="add this to the times of the frames: a clock that was off, hours")
    ] = 0.0,
    as_json: Annotated[
        bool, typer.Option("--json", help="print one JSON document; progress goes to stderr")
    ] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Tell the axis from a night's exposures: by how the camera's field turns. Nothing moves.

    Frames are only read, and each only once: an interrupted run goes on where it stopped. One
    result for each night goes into the history.
    """
    from polewright.foundation.angles import ARCMIN
    from polewright.foundation.config import config_from_file
    from polewright.observing.frames.passive import Wanted

    progress = Console(stderr=True)
    cancel = CancelToken()
    results: list[PassiveResult] = []
    with told_plainly(progress, as_json=as_json), stop_on_signals(cancel):
        settings = config_from_file(config, overrides)
        wanted = Wanted(
            unguided=unguided,
            within=None if within_arcmin is None else within_arcmin * ARCMIN,
            later_s=times_later_hours * 3600.0,
        )
        if watch:
            results = _watch(places, settings, wanted, cancel, progress, as_json=as_json)
        else:
            results = _look(places, settings, wanted, cancel, progress)
            _keep(results, settings, progress)
    if as_json:
        documents = ",".join(result.model_dump_json() for result in results)
        write_out(f'{{"schema_version":"1","ok":true,"nights":[{documents}]}}')
    elif not watch:
        _print(Console(), results)
    exit_with(_code(results))


def _code(results: Sequence[PassiveResult]) -> ExitCode:
    if not results or results[-1].axis is None:
        return ExitCode.AXIS_NOT_TRUSTED
    return ExitCode.OK if results[-1].within_tolerance else ExitCode.OUT_OF_TOLERANCE


def _look(
    places: Sequence[Path], settings: Config, wanted: Wanted, cancel: CancelToken, console: Console
) -> list[PassiveResult]:
    """Read what is there, with a bar that goes away again."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    from polewright.foundation.language import translated
    from polewright.observing.frames.passive import axis_from_frames

    bar = Progress(
        TextColumn("  {task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        console=console,
        transient=True,
    )
    with bar:
        task = bar.add_task(translated(say("reading frames")), total=None)

        def told(done: int, count: int) -> None:
            bar.update(task, completed=done, total=count)

        return axis_from_frames(places, settings, wanted, cancel, told)


def _watch(
    places: Sequence[Path],
    settings: Config,
    wanted: Wanted,
    cancel: CancelToken,
    console: Console,
    *,
    as_json: bool,
) -> list[PassiveResult]:
    """Look again and again until it is asked to stop; tell what changed."""
    results: list[PassiveResult] = []
    seen: set[tuple[str, int, int]] = set()
    console.print(say("Watching; Ctrl-C ends it."))
    try:
        while True:
            now = _states(places)
            settled = {state for state in now if time.time() - state[2] * 1e-9 > FRESH_S}
            if settled - seen:
                seen |= settled
                results = _look(
                    [Path(state[0]) for state in sorted(seen)], settings, wanted, cancel, console
                )
                _keep(results, settings, console)
                if results and not as_json:
                    Console().print(results[-1].sentence)
            _wait(LOOK_S, cancel)
    except Cancelled:
        if results and not as_json:
            _print(Console(), results)
        return results


def _states(places: Sequence[Path]) -> set[tuple[str, int, int]]:
    from polewright.observing.frames.header import frame_files

    found = set()
    for place in places:
        for path in frame_files(place):
            try:
                status = path.stat()
            except OSError:
                continue
            found.add((str(path), status.st_size, status.st_mtime_ns))
    return found


def _wait(seconds: float, cancel: CancelToken) -> None:
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s:
        cancel.check()
        time.sleep(0.1)


def _keep(results: Sequence[PassiveResult], settings: Config, console: Console) -> None:
    """Put the nights into the history, and the newest one where published devices look."""
    from polewright.interfaces.publishing.mqtt import publish_passive
    from polewright.interfaces.publishing.passive_word import keep_word
    from polewright.records.history.run_recorder import is_rehearsal
    from polewright.session.opening import journal_folder

    if not results:
        return
    rehearsal = is_rehearsal(clock_from_environment())
    troubles = [
        keep_word(journal_folder(settings), results[-1], rehearsal=rehearsal),
        publish_passive(settings.publish, results[-1]) or "",
        *(keep_run(result, settings, _code([result])) for result in results),
    ]
    for trouble in dict.fromkeys(troubles):
        if trouble:
            console.print(trouble)


def keep_run(result: PassiveResult | MeasurementResult, settings: Config, outcome: ExitCode) -> str:
    """Put what frames told into the history; return what went wrong, or nothing."""
    from polewright.records.history.run_recorder import is_rehearsal, record_of_frames, store

    rehearsal = is_rehearsal(clock_from_environment())
    named = settings.history.url or os.environ.get("POLEWRIGHT_HISTORY_URL")
    if not settings.history.enabled or (rehearsal and not named):
        return ""
    pier = _pier(settings, result.telescope)
    record = record_of_frames(result, settings, pier, outcome, rehearsal=rehearsal)
    return store(record, settings.history.url) or ""


def _pier(settings: Config, telescope: str) -> str:
    """The pier of the frames: as configured, or the only one that has runs, or by the mount."""
    from polewright.records.history.errors import HistoryUnusable
    from polewright.records.history.run_recorder import pier_of
    from polewright.records.history.store import History, file_missing

    if settings.history.pier is None:
        try:
            if not file_missing(settings.history.url):
                with History(settings.history.url, only_read=True) as history:
                    piers = history.piers()
                if len(piers) == 1:
                    return piers[0]
        except (HistoryUnusable, ValueError):
            pass  # told when the run is stored
    return pier_of(settings, telescope)


def _print(console: Console, results: Sequence[PassiveResult]) -> None:
    for result in results:
        print_night(console, result)
    if any(result.axis is not None for result in results):
        console.print(
            say(
                "Next: `polewright history trend` tells how the pier moves; `polewright measure` "
                "checks the axis by a sweep."
            )
        )


def print_night(console: Console, result: PassiveResult) -> None:
    """Print what one night's frames told."""
    console.print(
        headed(
            say("Night of {night}:", night=result.night),
            "bold",
            say(" {text}", text=result.sentence),
        )
    )
    axis = result.axis
    if axis is not None:
        console.print(
            say(
                "Against the {pole} pole: altitude {altitude}; azimuth on the sky {azimuth}.",
                pole=axis.pole,
                altitude=compass(
                    axis.d_alt_arcmin, say("too high"), say("too low"), axis.sigma_alt_arcmin
                ),
                azimuth=compass(
                    axis.d_az_sky_arcmin,
                    say("too far east"),
                    say("too far west"),
                    axis.sigma_az_sky_arcmin,
                ),
            )
        )
    for sentence in (*result.advice, *result.doubts):
        console.print(sentence)
    if result.groups:
        console.print(_group_table(result))
    for item in result.left_out:
        console.print(say("Left out: {frames} ({reason}).", frames=item.frames, reason=item.reason))
    console.print(result.weather.sentence())


def _group_table(result: PassiveResult) -> Table:
    table = Table(box=SIMPLE_HEAD, padding=0, title_justify="left")
    headings = (
        "RA h",
        "Dec °",
        say("frames"),
        say("minutes"),
        say("hour angle, h"),
        say("side"),
        say("left, arcsec"),
    )
    for heading in headings:
        table.add_column(heading, justify="right")
    for group in result.groups:
        table.add_row(
            f"{group.ra_deg / 15.0:.2f}",
            f"{group.dec_deg:+.1f}",
            f"{group.frames}",
            f"{group.minutes:.0f}",
            f"{group.hour_angle_from_hours:+.1f} … {group.hour_angle_to_hours:+.1f}",
            say("west") if group.side == "west" else say("east"),
            f"{group.rms_arcsec:.1f}",
        )
    return table
