"""How events and results look in a terminal; ends a command with the right code."""

from __future__ import annotations

import json
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Table
from rich.text import Text

from polewright.foundation.angle_text import angle_text, arcmin_text
from polewright.foundation.angles import ARCSEC
from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ExitCode, Insisted, PolewrightError
from polewright.interfaces.cli.terminal import Console, headed
from polewright.records import events
from polewright.records.result import MeasurementResult, TimeResult

STEP_WORDS = {
    "slew": "slewing",
    "settle": "settling",
    "exposure": "exposing",
    "download": "downloading",
    "solve": "solving",
    "prepare": "waiting for the device",
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
        where = f"point {event.point} of {event.points}: " if event.point else ""
        total = event.total_s
        if total is None or event.done_s > total + 1.0:
            detail = f"{event.done_s:.0f} s"
        else:
            detail = f"{event.done_s:.0f} of {total:.0f} s"
        self._progress.update(
            self._task,
            visible=True,
            description=f"{where}{STEP_WORDS[event.step]}",
            completed=event.done_s,
            total=total,
            detail=event.text or detail,
        )

    def _line(self, event: events.Event) -> str | Text:
        match event:
            case events.Note(severity="warning"):
                return headed("Note:", "yellow", f" {event.text}")
            case events.Note():
                return f"  {event.text}"
            case events.Connected():
                return f"  {event.device}: {event.name} at {event.address}"
            case events.SweepPlanned():
                hours = ", ".join(f"{angle:+.0f}°" for angle in event.hour_angles_deg)
                heights = ", ".join(f"{angle:.0f}°" for angle in event.altitudes_deg)
                text = (
                    f"  sweep: hour angles {hours} at declination "
                    f"{event.declination_deg:+.1f}°, altitudes {heights}"
                )
                if event.predicted_sigma_arcsec is not None:
                    sigma = angle_text(event.predicted_sigma_arcsec * ARCSEC)
                    text += f"; expected uncertainty {sigma}"
                if event.crosses_meridian:
                    text += "; ACROSS THE MERIDIAN: keep clear of the mount"
                return text
            case events.PointSolved():
                return (
                    f"  point {event.point} of {event.points}: solved with {event.matched} stars, "
                    f"rms {angle_text(event.rms_arcsec * ARCSEC)}, azimuth "
                    f"{event.azimuth_deg:.1f}°, altitude {event.altitude_deg:.1f}°; the mount was "
                    f"{arcmin_text(event.mount_offset_arcmin)} off"
                )
            case events.MotionStopped(state="stopped"):
                return headed("Motion stopped", "bold", f" ({event.reason})")
            case events.MotionStopped():
                alarm = f"MOTION {event.state.upper()}: go and look at the mount now"
                return headed(alarm, "bold red", f" ({event.reason})")
        return ""


def compass(
    value_arcmin: float, positive: str, negative: str, sigma_arcmin: float | None = None
) -> str:
    """Say a signed angle as a size, its uncertainty if there is one, and a direction word."""
    size = arcmin_text(abs(value_arcmin), sigma_arcmin)
    return f"{size} {positive if value_arcmin >= 0 else negative}"


def result_table(result: MeasurementResult) -> Table:
    """Return the figures of a measurement as a table."""
    axis = result.axis
    table = Table(title=f"Polar axis against the {axis.pole} pole", title_justify="left")
    table.add_column("")
    table.add_column("error ± 1 sigma", justify="right")
    table.add_row(
        "altitude", compass(axis.d_alt_arcmin, "too high", "too low", axis.sigma_alt_arcmin)
    )
    table.add_row(
        "azimuth, on the sky",
        compass(axis.d_az_sky_arcmin, "too far east", "too far west", axis.sigma_az_sky_arcmin),
    )
    table.add_row(
        "azimuth, turn of the base", compass(axis.d_az_base_arcmin, "too far east", "too far west")
    )
    total = arcmin_text(axis.total_arcmin, axis.sigma_total_arcmin)
    table.add_row("total", Text(total, style="bold"))
    return table


def print_result(console: Console, result: MeasurementResult) -> None:
    """Print a measurement for a person."""
    axis = result.axis
    console.print(result_table(result))
    if axis.p_value is None:
        console.print("Nothing was left over to check this fit with: add a point to verify it.")
    else:
        console.print(
            f"Fit check: chi-square {axis.chi2:.1f} for {axis.dof} degrees of freedom "
            f"(p = {axis.p_value:.2g}).",
        )
    within = ("Within", "green") if result.within_tolerance else ("Not within", "bold")
    console.print(
        headed(
            *within,
            f" the tolerance of {arcmin_text(result.tolerance_arcmin)}: the error is below "
            f"{arcmin_text(axis.total_upper95_arcmin)} with 95 % confidence.",
        )
    )
    console.print(result.site.sentence(result.started_utc, result.finished_utc))
    if result.weather is not None:
        console.print(result.weather.sentence())
    if axis.sag is not None and axis.sag.checks:
        console.print(axis.sag.sentence())
    for sentence in result.advice:
        console.print(sentence)
    if result.time is not None:
        for sentence in time_sentences(result.time):
            console.print(sentence)


def time_sentences(time: TimeResult) -> tuple[str, ...]:
    """Say where the time of a measurement went, and what was saved."""
    parts = (
        ("slews", time.slew_s),
        ("settling", time.settle_s),
        ("exposures", time.expose_s),
        ("downloads", time.download_s),
        ("solving", time.solve_s),
        ("the rest", time.other_s),
    )
    split = ", ".join(f"{name} {seconds:.1f}" for name, seconds in parts)
    told = [f"It took {time.total_s:.1f} s: {split}."]
    saved = [
        (time.overlap_saved_s, "by solving while the mount slewed"),
        (time.settle_saved_s, "by measuring when the stars stood still"),
    ]
    won = [f"{seconds:.1f} s {how}" for seconds, how in saved if seconds >= 0.05]
    if won:
        told.append(f"Saved: {' and '.join(won)}.")
    lost_s = -min(0.0, time.settle_saved_s)
    if lost_s >= 0.05:
        told.append(f"Measuring when the stars stood still cost {lost_s:.1f} s here.")
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
            "advice": error.advice,
            "exit_code": int(error.exit_code),
            "fields": fields,
        },
    }


def ending_word(code: ExitCode) -> str:
    """What to call an early end: a stop that was asked for is no error."""
    return "Stopped" if code is ExitCode.INTERRUPTED else "Error"


LEFT_TRACKING = "The mount is unparked and tracking the stars: do not leave it alone like that."
LEFT_STANDING = "The mount is unparked and standing still: do not leave it alone like that."


@contextmanager
def told_plainly(console: Console, *, as_json: bool) -> Iterator[None]:
    """Turn a `PolewrightError` into a sentence (or a JSON document) and its exit code."""
    try:
        yield
    except PolewrightError as error:
        if as_json:
            sys.stdout.write(json.dumps(error_document(error), default=str) + "\n")
        word = ending_word(error.exit_code)
        console.print(headed(f"{word}:", "bold red", f" {error}"))
        if error.advice:
            console.print(f"What to do: {error.advice}")
        raise SystemExit(int(error.exit_code)) from None


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
        cancel.cancel(f"stopped by {signal.Signals(number).name}")

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
