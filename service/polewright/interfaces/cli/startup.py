"""``polewright startup``: an observatory's start, for scripts."""

from __future__ import annotations

import json
from contextlib import ExitStack
from functools import partial
from typing import Annotated, Any

import typer

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ExitCode, PolewrightError
from polewright.foundation.language import capitalised, say
from polewright.interfaces.cli.console import (
    MOUNT_WORDS,
    TerminalListener,
    error_document,
    exit_with,
    print_failure,
    print_result,
    run_clock,
    stop_on_signals,
    told_plainly,
    write_out,
)
from polewright.interfaces.cli.options import ConfigPath, next_step, with_rig_options
from polewright.interfaces.cli.terminal import Console
from polewright.records.result import MeasurementResult

MARKS = {"ok": "ok", "warning": "!!", "skipped": "--", "failed": "NO"}


@with_rig_options
def startup(
    config: ConfigPath = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="print one JSON document; progress goes to stderr")
    ] = False,
    wait_for_dark: Annotated[
        bool,
        typer.Option(
            "--wait-for-dark",
            help="once devices, site and clock are in order, wait until the Sun is low enough; "
            "it says until when, and Ctrl-C ends the wait",
        ),
    ] = False,
    dry_run: Annotated[
        bool,
        typer.Option(
            "--dry-run",
            help="look at everything and plan the sweep, and end; nothing moves, opens or is "
            "written down",
        ),
    ] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Start an observatory's night unattended: check everything, then the alignment.

    In this order: waits for the devices; compares site and clock with the mount's and refuses on
    a contradiction; asks the safety monitor ([safety]); looks at roof or shutter ([dome]), cover
    and light ([cover]); unparks; sweeps the fewest points that give the wanted uncertainty and
    checks focus on the way; says whether the axis is within [pole] tolerance_arcmin; leaves the
    mount parked, tracking or stopped ([startup] afterwards).

    A cover is opened only with [startup] open_cover, a roof only with [startup] open_roof: set
    that only where telescope and roof cannot meet. On any trouble the mount is stopped where it
    is, and not parked.

    Exit code 0: within tolerance. 9: outside. 10: unsafe. 3: a device is missing or refuses, site
    or clock contradict, cover or roof closed. 4: out of focus.
    """
    from polewright.foundation.config import config_from_file
    from polewright.interfaces.logs import end_log, logged_event, set_run, start_log
    from polewright.interfaces.notify import check_notify, notify
    from polewright.interfaces.publishing.mqtt import Telling, check_mqtt, end_document
    from polewright.observing.runs.startup import Startup
    from polewright.records.events import Event, EventSink
    from polewright.records.history.run_recorder import recorded
    from polewright.session.opening import MeasurementJournal

    progress = Console(stderr=True)
    tell_line = partial(progress.print)
    cancel = CancelToken()
    with told_plainly(progress, as_json=as_json):
        settings = config_from_file(config, overrides)
        check_notify(settings.notify)
        check_mqtt(settings.publish)
        clock = run_clock(progress)
        log = start_log(settings.log, tell_line)
        journal = None if dry_run else MeasurementJournal(settings, clock, tell_line)
        if journal is not None:
            set_run(journal.session_id)
    telling = None if dry_run else Telling(settings.publish, "", clock.utc_s())
    run: Startup | None = None
    result = None
    code, error, sentence = ExitCode.UNEXPECTED, None, say("unexpected fault")

    def show() -> None:
        """Tell how it ended, before anything is written down or sent that may take its time."""
        steps = _steps(run)
        mount = _mount_now(settings.startup.afterwards, code, steps, dry_run=dry_run)
        if as_json:
            document = {
                "schema_version": "1",
                **({} if error is None else error_document(error)),
                "ok": code is ExitCode.OK,
                "exit_code": int(code),
                "afterwards": mount,
                "steps": steps,
                "measurement": None if result is None else result.model_dump(mode="json"),
            }
            write_out(json.dumps(document, default=str))
        out = progress if as_json else Console()
        _tell(out, steps)
        if error is not None:
            told = (str(error), error.likely, error.advice, error.details)
            print_failure(progress, code, *told)
            tell_line(_mount_words(mount, steps))
        elif result is None:
            tell_line(say("Nothing was moved. All that could be looked at is in order."))
        else:
            if not as_json:
                print_result(out, result, with_advice=False)
            if not result.within_tolerance:
                out.print(_refusal(result, steps))
                out.print(next_step("align", say("turn the adjusters by the live reading")))

    try:
        with stop_on_signals(cancel), ExitStack() as kept:
            hearers: list[EventSink] = [lambda event: logged_event(log, event)]
            if journal is not None:
                recorder = kept.enter_context(recorded(settings, clock, "startup", tell_line))
                hearers += [recorder, kept.enter_context(journal)]
            with TerminalListener(progress) as listener:
                hearers.append(listener)

                def hear(event: Event) -> None:
                    for hearer in hearers:
                        hearer(event)

                run = Startup(settings, clock, cancel, hear)
                if journal is None:
                    run.dry_run(wait_for_dark=wait_for_dark)
                else:
                    result = run.run(wait_for_dark=wait_for_dark)
            if result is None or journal is None:
                code, sentence = ExitCode.OK, say("all that could be looked at is in order")
                show()
            else:
                code = ExitCode.OK if result.within_tolerance else ExitCode.OUT_OF_TOLERANCE
                sentence = next(step.text for step in run.steps if step.name == "alignment")
                show()
                recorder.measured(result)
                journal.measured(result, code)
    except PolewrightError as trouble:
        code, error, sentence = (
            trouble.exit_code,
            trouble,
            say("{error}. {advice}", error=trouble, advice=trouble.advice).strip(),
        )
        show()
    finally:
        log.info("startup_ended", exit_code=int(code), text=sentence, steps=_steps(run))
        if telling is not None:
            title = say("Startup: {replace}", replace=code.name.lower().replace("_", " "))
            ending = end_document("", code, result, clock.utc_s())
            for untold in (
                notify(settings.notify, title, sentence, code),
                telling.ended(ending),
            ):
                _say_untold(log, progress, untold)
        end_log()
    exit_with(code)


def _steps(run: Any) -> list[dict[str, Any]]:
    return [] if run is None else [step.model_dump() for step in run.steps]


def _mount_now(wish: str, code: ExitCode, steps: list[dict[str, Any]], *, dry_run: bool) -> str:
    """What is known of the mount when the command ends, for scripts."""
    if code is ExitCode.MOTION_UNKNOWN:
        return "unknown"
    if any(step["name"] == "afterwards" and step["outcome"] == "ok" for step in steps):
        return wish
    # Before the step that unparks it, nothing was sent to the mount.
    moved = not dry_run and any(step["name"] == "mount" for step in steps)
    return "stopped" if moved else "untouched"


def _mount_words(mount: str, steps: list[dict[str, Any]]) -> str:
    """Say what is known of the mount after trouble, as the other commands do."""
    if mount == "unknown":
        return MOUNT_WORDS["unknown"]
    if mount == "stopped":
        return MOUNT_WORDS["still"]
    if mount != "untouched":  # the trouble came after it was left as wished
        return capitalised(say("{step}.", step=_afterwards(steps)))
    connected = any(step["outcome"] == "ok" for step in steps)
    if not connected:
        return MOUNT_WORDS["unasked"]
    return say("The mount was not moved: it is as it was before.")


def _afterwards(steps: list[dict[str, Any]]) -> str:
    return next(str(step["text"]) for step in steps if step["name"] == "afterwards")


def _refusal(result: MeasurementResult, steps: list[dict[str, Any]]) -> str:
    """Say in a line that the night does not begin, why, and how the mount was left."""
    axis = result.axis
    return say(
        "Refused: the axis is {total} off, under {upper95} (95 %), and the tolerance is "
        "{tolerance}; {mount}.",
        total=arcmin_text(axis.total_arcmin, axis.sigma_total_arcmin),
        upper95=arcmin_text(axis.total_upper95_arcmin),
        tolerance=arcmin_text(result.tolerance_arcmin),
        mount=_afterwards(steps),
    )


def _say_untold(log: Any, progress: Console, untold: str | None) -> None:
    if untold is not None:
        log.warning("not_told", text=untold)
        progress.print(untold)


def _tell(out: Console, steps: list[dict[str, Any]]) -> None:
    for step in steps:
        out.print(
            say(
                "{marks}  {name}: {text} ({took_s:.1f} s)",
                marks=MARKS[step["outcome"]],
                name=step["name"],
                text=step["text"],
                took_s=step["took_s"],
            )
        )
