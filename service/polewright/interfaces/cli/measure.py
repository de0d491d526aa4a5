"""``polewright measure``: sweep, solve, and say how far the axis is off."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ExitCode
from polewright.foundation.language import say
from polewright.interfaces.cli.console import (
    LEFT_STANDING,
    LEFT_TRACKING,
    TerminalListener,
    exit_with,
    print_result,
    run_clock,
    stop_on_signals,
    told_plainly,
    write_out,
)
from polewright.interfaces.cli.options import ConfigPath, next_step, report_step, with_rig_options
from polewright.interfaces.cli.terminal import Console

if TYPE_CHECKING:
    from polewright.foundation.config import Config


@with_rig_options
def measure(
    config: ConfigPath = None,
    frames: Annotated[
        list[Path] | None,
        typer.Option(
            help="fit the frames of a sweep that another program took: a folder of FITS files, or "
            "one file (may be given again); no device is asked, nothing moves",
            show_default=False,
        ),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="print one JSON document; progress goes to stderr")
    ] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Measure the polar axis: slew to points, expose, solve, and fit the axis.

    The mount moves. Check that the tube is free to turn, that no cable can catch, and never
    point an unfiltered telescope near the Sun. Ctrl-C stops all motion.
    """
    from polewright.foundation.config import config_from_file
    from polewright.interfaces.publishing.mqtt import Telling, check_mqtt, end_document
    from polewright.observing.plan.plan_from_config import horizon_of
    from polewright.observing.runs.connect import connect_rig
    from polewright.observing.runs.measurement import measure_axis
    from polewright.records.events import Event
    from polewright.records.history.run_recorder import recorded
    from polewright.session.opening import MeasurementJournal

    progress = Console(stderr=True)
    tell_line = partial(progress.print)
    cancel = CancelToken()
    if frames:
        with told_plainly(progress, as_json=as_json), stop_on_signals(cancel):
            _measure_frames(frames, config_from_file(config, overrides), cancel, as_json=as_json)
    with told_plainly(progress, as_json=as_json):
        settings = config_from_file(config, overrides)
        check_mqtt(settings.publish)
        horizon_of(settings)  # a skyline that cannot be read is told before any device is asked
        clock = run_clock(progress)
    telling = Telling(settings.publish, "", clock.utc_s())
    result, code = None, ExitCode.UNEXPECTED
    try:
        with (
            told_plainly(progress, as_json=as_json),
            stop_on_signals(cancel),
            recorded(settings, clock, "measure", tell_line) as recorder,
            MeasurementJournal(settings, clock, tell_line) as journal,
        ):
            with TerminalListener(progress) as listener:

                def hear(event: Event) -> None:
                    listener(event)
                    recorder(event)
                    journal(event)

                rig = connect_rig(settings, clock, cancel, hear)
                rig.on_frame = recorder.saw
                result = measure_axis(rig)
            # The figure comes first: what is written down after it may find no room.
            if as_json:
                write_out(result.model_dump_json())
            else:
                print_result(Console(), result)
                stopped = settings.run.afterwards == "stop"
                Console().print(LEFT_STANDING if stopped else LEFT_TRACKING)
                Console().print(
                    report_step(recorder.kept_as)
                    if result.within_tolerance
                    else next_step("align", say("turn the adjusters by the live reading"))
                )
            recorder.measured(result)
            code = ExitCode.OK if result.within_tolerance else ExitCode.OUT_OF_TOLERANCE
            journal.measured(result, code)
    except SystemExit as ended:
        code = ExitCode(int(ended.code or 0))
        if code is ExitCode.INTERRUPTED:
            progress.print(next_step("measure", say("starts anew")))
        raise
    finally:
        untold = telling.ended(end_document("", code, result, clock.utc_s()))
        if untold is not None:
            tell_line(untold)
    exit_with(code)


def _measure_frames(
    frames: list[Path], settings: Config, cancel: CancelToken, *, as_json: bool
) -> NoReturn:
    """Fit a sweep that is there already, and end."""
    from polewright.interfaces.cli.passive import keep_run
    from polewright.observing.frames.sweep import sweep_from_frames

    result = sweep_from_frames(frames, settings, cancel)
    if as_json:
        write_out(result.model_dump_json())
    else:
        print_result(Console(), result)
        for note in result.notes:
            Console().print(note)
        Console().print(
            say("Next: `polewright align` turns the axis; it makes a sweep of its own.")
        )
    code = ExitCode.OK if result.within_tolerance else ExitCode.OUT_OF_TOLERANCE
    untold = keep_run(result, settings, code)
    if untold:
        Console(stderr=True).print(untold)
    raise SystemExit(int(code))
