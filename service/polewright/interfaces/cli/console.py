"""How events and results look in a terminal; ends a command with the right code."""

from __future__ import annotations

import json
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from types import FrameType

from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Table
from rich.text import Text

from polewright.foundation.angle_text import angle_text, arcmin_text
from polewright.foundation.angles import ARCSEC
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.errors import ExitCode, Insisted, PolewrightError
from polewright.foundation.language import joined, say, translated
from polewright.foundation.rehearsal import (
    REHEARSAL_VARIABLE,
    clock_from_environment,
    in_rehearsal,
)
from polewright.interfaces.cli.terminal import Console, headed, styled
from polewright.records import events
from polewright.records.result import MeasurementResult, TimeResult

STEP_WORDS = {
    "slew": say("slewing"),
    "settle": say("settling"),
    "exposure": say("exposing"),
    "download": say("reading out"),
    "solve": say("solving"),
    "prepare": say("waiting for the device"),
}


class TerminalListener:
    """Prints each event as a line, and slow steps as a bar that goes away again."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self._progress = Progress(
            TextColumn("  {task.description:<28}", markup=False),
            BarColumn(bar_width=28),
            TextColumn("{task.fields[detail]}", markup=False),
            console=console,
            transient=True,
        )
        self._task = self._progress.add_task("", visible=False, detail="")

    def __enter__(self) -> TerminalListener:
        self._progress.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self._progress.stop()

    def __call__(self, event: events.Event) -> None:
        """Show one event."""
        if isinstance(event, events.Progress):
            self._show_progress(event)
            return
        self._progress.update(self._task, visible=False)
        line = self._line(event)
        if line:
            self._progress.console.print(line)

    def _show_progress(self, event: events.Progress) -> None:
        where = (
            say("point {point} of {points}: ", point=event.point, points=event.points)
            if event.point
            else ""
        )
        total = event.total_s
        if total is None or event.done_s > total + 1.0:
            detail = f"{event.done_s:.0f} s"
        else:
            detail = say("{done_s:.0f} of {total:.0f} s", done_s=event.done_s, total=total)
        self._progress.update(
            self._task,
            visible=True,
            description=translated(where + STEP_WORDS[event.step]),
            completed=event.done_s,
            total=total,
            detail=translated(event.text or detail),
        )

    def _line(self, event: events.Event) -> str | Text:
        match event:
            case events.Note(severity="warning"):
                return headed(say("Note:"), "yellow", say(" {event}", event=event.text))
            case events.Note():
                return say("  {event}", event=event.text)
            case events.Connected():
                return say(
                    "  {device}: {event} at {address}",
                    device=event.device,
                    event=event.name,
                    address=event.address,
                )
            case events.SweepPlanned():
                hours = ", ".join(f"{angle:+.0f}°" for angle in event.hour_angles_deg)
                heights = ", ".join(f"{angle:.0f}°" for angle in event.altitudes_deg)
                text = say(
                    "  sweep: hour angles {hours} at declination "
                    "{declination_deg:+.1f}°, altitudes {heights}",
                    hours=hours,
                    declination_deg=event.declination_deg,
                    heights=heights,
                )
                if event.predicted_sigma_arcsec is not None:
                    sigma = angle_text(event.predicted_sigma_arcsec * ARCSEC)
                    text += say("; expected uncertainty {sigma}", sigma=sigma)
                return text
            case events.PointSolved():
                return say(
                    "  point {point} of {points}: solved with {matched} stars, rms "
                    "{rms_arcsec}, azimuth {azimuth_deg:.1f}°, altitude "
                    "{altitude_deg:.1f}°; the mount's pointing is {mount_offset_arcmin} off "
                    "(not the axis error)",
                    point=event.point,
                    points=event.points,
                    matched=event.matched,
                    rms_arcsec=angle_text(event.rms_arcsec * ARCSEC),
                    azimuth_deg=event.azimuth_deg,
                    altitude_deg=event.altitude_deg,
                    mount_offset_arcmin=arcmin_text(event.mount_offset_arcmin),
                )
            case events.MotionStopped(state="stopped"):
                return styled(
                    say("Motion stopped; tracking is off."), "bold"
                )  # why is told at the end
            case events.MotionStopped():
                alarm = say(
                    "MOTION {state}: go and look at the mount now", state=event.state.upper()
                )
                return styled(alarm, "bold red")
        return ""


def compass(
    value_arcmin: float, positive: str, negative: str, sigma_arcmin: float | None = None
) -> str:
    """Say a signed angle as a size, its uncertainty if there is one, and a direction word."""
    size = arcmin_text(abs(value_arcmin), sigma_arcmin)
    return say("{size} {side}", size=size, side=positive if value_arcmin >= 0 else negative)


def result_table(result: MeasurementResult) -> Table:
    """Return the figures of a measurement as a table."""
    axis = result.axis
    table = Table(
        title=say("Polar axis against the {pole} pole", pole=axis.pole), title_justify="left"
    )
    table.add_column("")
    table.add_column(say("error ± 1 sigma"), justify="right")
    table.add_row(
        "altitude",
        compass(axis.d_alt_arcmin, say("too high"), say("too low"), axis.sigma_alt_arcmin),
    )
    table.add_row(
        say("azimuth, on the sky"),
        compass(
            axis.d_az_sky_arcmin, say("too far east"), say("too far west"), axis.sigma_az_sky_arcmin
        ),
    )
    table.add_row(
        say("azimuth, turn of the base"),
        compass(axis.d_az_base_arcmin, say("too far east"), say("too far west")),
    )
    total = arcmin_text(axis.total_arcmin, axis.sigma_total_arcmin)
    table.add_row("total", styled(total, "bold"))
    return table


def print_result(
    console: Console,
    result: MeasurementResult,
    *,
    with_times: bool = True,
    with_advice: bool = True,
) -> None:
    """Print a measurement for a person: with where its time went, and with what to turn now.

    What to turn is left out where nobody stands at the mount, or it was measured long ago.
    """
    axis = result.axis
    console.print(result_table(result))
    if axis.p_value is None:
        console.print(
            say("This fit has nothing left to check itself with: add a point to verify it.")
        )
    else:
        console.print(
            say(
                "Fit check passed: the {points} points agree with one fixed axis.",
                points=len(result.points),
            )
        )
    within = ("Within", "green") if result.within_tolerance else (say("Not within"), "bold")
    console.print(
        headed(
            *within,
            say(
                " the tolerance of {tolerance_arcmin}: the error is under "
                "{total_upper95_arcmin} (95 %).",
                tolerance_arcmin=arcmin_text(result.tolerance_arcmin),
                total_upper95_arcmin=arcmin_text(axis.total_upper95_arcmin),
            ),
        )
    )
    console.print(result.site.sentence(result.started_utc, result.finished_utc))
    if result.weather is not None:
        console.print(result.weather.sentence())
    if axis.sag is not None and axis.sag.checks:
        console.print(axis.sag.sentence())
    for sentence in result.advice if with_advice else ():
        console.print(sentence)
    if result.time is not None and with_times:
        for sentence in time_sentences(result.time):
            console.print(sentence)


def time_sentences(time: TimeResult) -> tuple[str, ...]:
    """Say where the time of a measurement went, and what was saved."""
    parts = (
        (say("slews"), time.slew_s),
        (say("settling time"), time.settle_s),
        (say("exposures"), time.expose_s),
        (say("downloads"), time.download_s),
        (say("solving"), time.solve_s),
        (say("the rest"), time.other_s),
    )
    split = joined(
        ", ",
        (say("{name} {seconds:.1f}", name=name, seconds=seconds) for name, seconds in parts),
    )
    told = [say("It took {total_s:.1f} s: {split}.", total_s=time.total_s, split=split)]
    saved = [
        (time.overlap_saved_s, say("by solving during slews")),
        (time.settle_saved_s, say("by measuring when the stars stood still")),
    ]
    won = [
        say("{seconds:.1f} s {how}", seconds=seconds, how=how)
        for seconds, how in saved
        if seconds >= 0.05
    ]
    if won:
        told.append(say("Saved: {won}.", won=joined(", ", won)))
    lost_s = -min(0.0, time.settle_saved_s)
    if lost_s >= 0.05:
        told.append(
            say("Measuring when the stars stood still cost {lost_s:.1f} s here.", lost_s=lost_s)
        )
    return tuple(told)


def error_document(error: PolewrightError) -> dict[str, object]:
    """Return what a script is told when a command fails."""
    fields = {
        key: value
        for key, value in vars(error).items()
        if isinstance(value, (int, float, str, bool, tuple, list)) or value is None
    }
    return {
        "schema_version": "1",
        "ok": False,
        "error": {
            "code": error.code,
            "message": str(error),
            "likely": error.likely,
            "advice": error.advice,
            "details": list(error.details),
            "exit_code": int(error.exit_code),
            "fields": fields,
        },
    }


def ending_word(code: ExitCode) -> str:
    """What to call an early end: a stop that was asked for is no error."""
    return say("Stopped") if code is ExitCode.INTERRUPTED else say("Error")


def print_failure(
    console: Console,
    code: ExitCode,
    message: str,
    likely: str,
    advice: str,
    details: Sequence[str] = (),
) -> None:
    """Print an early end: what happened, why most likely, what to do; then the details."""
    word = ending_word(code)
    console.print(headed(say("{word}:", word=word), "bold red", say(" {error}", error=message)))
    if likely:
        console.print(headed(say("Most likely:"), "bold", say(" {likely}", likely=likely)))
    if advice:
        console.print(headed(say("What to do:"), "bold", say(" {advice}", advice=advice)))
    if details:
        console.print(styled(say("\nDetails:"), "dim"))
        for detail in details:
            console.print(styled(say("  {detail}", detail=detail), "dim"))


#: What is known of the mount at a run's end.
MOUNT_WORDS = {
    "unasked": say("The mount was not reached in this run: it is as it was before."),
    "still": say("The mount stands still; tracking is off."),
    "tracking": say("The mount is tracking the stars."),
    "slewing": say("THE MOUNT WAS SLEWING when last seen: go and look."),
    "unknown": say("The mount's state is unknown: go and look."),
}
LEFT_TRACKING = say("The mount is unparked and tracking: do not leave it unattended like this.")
LEFT_STANDING = say(
    "The mount is unparked and standing still: do not leave it unattended like this."
)


@contextmanager
def told_plainly(console: Console, *, as_json: bool) -> Iterator[None]:
    """Turn a `PolewrightError` into a sentence (or a JSON document) and its exit code."""
    try:
        yield
    except PolewrightError as error:
        if as_json:
            sys.stdout.write(json.dumps(error_document(error), default=str) + "\n")
        print_failure(
            console, error.exit_code, str(error), error.likely, error.advice, error.details
        )
        raise SystemExit(int(error.exit_code)) from None


def run_clock(console: Console) -> Clock:
    """Return the clock of a command that reaches a mount; a rehearsal clock is told, first of all.

    Raises:
        ConfigError: as `clock_from_environment`.
    """
    clock = clock_from_environment()
    if in_rehearsal():
        now = f"{datetime.fromtimestamp(clock.utc_s(), UTC):%Y-%m-%d %H:%M}"
        text = say(
            " {variable} is set, so this run takes the time to be {now} UTC. With "
            "a real mount it does not know where the Sun is: unset it and start again.",
            variable=REHEARSAL_VARIABLE,
            now=now,
        )
        console.print(headed(say("Rehearsal clock:"), "bold red", text))
    return clock


#: Signals that come closer together are one (s, own choice): keys bounce, and a run that is asked
#: to end needs about so long to see the mount stand.
AGAIN_S = 3.0


@contextmanager
def stop_on_signals(cancel: CancelToken) -> Iterator[None]:
    """Let Ctrl-C and a termination signal stop the run in good order instead of killing it.

    The end of the terminal is one, too, unless whoever started the program had it ignored, as
    ``nohup`` does: then the run goes on without its terminal. A second signal, `AGAIN_S` or more
    after the first, ends the run without waiting for any device (`Insisted`).
    """
    previous = {}
    first_s: float | None = None

    def ask(number: int, _frame: FrameType | None) -> None:
        nonlocal first_s
        now_s = time.monotonic()
        if first_s is not None and now_s - first_s >= AGAIN_S:
            raise Insisted
        first_s = first_s or now_s
        name = signal.Signals(number).name
        cancel.cancel(say("Ctrl-C ({name})", name=name) if name == "SIGINT" else name)

    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is None or (name == "SIGHUP" and signal.getsignal(number) is signal.SIG_IGN):
            continue
        previous[number] = signal.signal(number, ask)
    try:
        yield
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)


def write_out(text: str) -> None:
    """Write a command's document to standard output, at once: what follows may take its time."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def exit_with(code: ExitCode) -> None:
    """End the command with ``code`` unless it is OK."""
    if code is not ExitCode.OK:
        raise SystemExit(int(code))
