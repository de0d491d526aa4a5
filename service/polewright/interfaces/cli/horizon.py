"""``polewright horizon``: build, check and draw the skyline around the mount."""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TextIO

import typer

from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ConfigError, ExitCode, in_words
from polewright.foundation.files import write_whole
from polewright.foundation.language import say, say_count
from polewright.foundation.rehearsal import clock_from_environment
from polewright.interfaces.cli.console import exit_with, run_clock, stop_on_signals, told_plainly
from polewright.interfaces.cli.options import ConfigPath, next_step, with_rig_options
from polewright.interfaces.cli.outputs import (
    Chart,
    Force,
    Theme,
    check_chart,
    keep_existing,
    write_sky_chart,
)
from polewright.interfaces.cli.terminal import Console

if TYPE_CHECKING:
    from polewright.calculation.planning.horizon import Horizon
    from polewright.observing.runs.horizon_recording import SkylineLines

SUN_CAUTION = say(
    "Caution: never point an unfiltered telescope or finder at the Sun, nor look through "
    "it near the Sun. Record the skyline after sunset, or with the telescope covered."
)
HOW_TO_TYPE = say(
    "One 'azimuth altitude' pair a line in degrees, azimuth from north through east; a "
    "third number where an overhang begins. An empty line ends."
)
HOW_TO_RECORD = say(
    "Drive the mount along the skyline yourself (this program moves nothing). Enter "
    "records where it points; u and Enter takes the last point back; q and Enter ends."
)


class NoHorizonGiven(ConfigError):
    """No usable line came in."""

    code = "no_horizon_given"
    advice = say("Give at least one 'azimuth altitude' pair in degrees.")

    def __str__(self) -> str:
        return say("no azimuth/altitude pair was given")


class HorizonFile(ConfigError):
    """The horizon file cannot be read or written."""

    code = "horizon_file"
    advice = say("Check the name, the folder and its permissions.")

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return say("{path}: {reason}", path=self.path, reason=self.reason)


@with_rig_options
def horizon(
    source: Annotated[
        Path | None,
        typer.Argument(
            help="file of pairs to check; left out: typed or pasted", show_default=False
        ),
    ] = None,
    config: ConfigPath = None,
    record: Annotated[
        bool, typer.Option("--record", help="record by pointing the mount at the skyline")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="write the skyline to this file", show_default=False),
    ] = None,
    force: Force = False,
    chart: Chart = None,
    theme: Theme = "day",
    as_json: Annotated[bool, typer.Option("--json", help="print one JSON document")] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Build the horizon file: from a file, typed or pasted lines, or by pointing the mount.

    A line that cannot be used is told with its number and reason; the others are kept, and the
    exit code is then 2. Reports how much sky is usable.
    """
    from polewright.foundation.config import config_from_file
    from polewright.observing.runs.horizon_recording import SkylineLines

    messages = Console(stderr=True)
    with told_plainly(messages, as_json=as_json):
        settings = config_from_file(config, overrides)
        for sentence in settings.notes:
            messages.print(sentence, soft_wrap=True)
        keep_existing(out, force=force)
        if out is not None:
            _check_writable(out)
        check_chart(chart, theme, force=force)
        if chart is not None:
            from polewright.observing.rig.site_and_weather import site_given

            site_given(settings)
        lines = SkylineLines(settings.horizon.clearance_deg)
        try:
            if record:
                _record(settings, lines, messages)
            else:
                _read(source, lines, messages)
        finally:
            # Whatever ends this, a cable or a Ctrl-C, what was accepted is not lost.
            if out is not None and lines.accepted:
                _write(out, lines, sys.stderr if as_json else sys.stdout)
        if not lines.accepted:
            raise NoHorizonGiven
        skyline = lines.horizon()
        if chart is not None:
            from polewright.observing.runs.offline_plan import offline_request

            request, _ = offline_request(settings, clock_from_environment().utc_s())
            from dataclasses import replace

            write_sky_chart(chart, theme, replace(request, horizon=skyline))
    _report(skyline, lines, settings.sweep.min_altitude_deg, out, as_json=as_json)
    if not as_json:
        if out is not None and settings.horizon.file is None:
            told = say("Write it into the configuration: [horizon] file = '{out}'.", out=out)
            messages.print(told, soft_wrap=True)
        messages.print(next_step("plan", say("where a sweep fits under it")))
    exit_with(ExitCode.USAGE if lines.rejected else ExitCode.OK)


def _read(source: Path | None, lines: SkylineLines, messages: Console) -> None:
    """Take lines from a file or from standard input."""
    if source is not None:
        try:
            text: Iterable[str] = source.read_text(encoding="utf-8-sig").splitlines()
        except (OSError, UnicodeDecodeError) as exc:
            raise HorizonFile(str(source), say("cannot be read: {exc}", exc=in_words(exc))) from exc
    elif sys.stdin.isatty():
        messages.print(HOW_TO_TYPE)
        text = _typed()
    else:
        text = sys.stdin
    for line in text:
        problem = lines.add(line)
        if problem is not None:
            messages.print(say("Not used: {problem}", problem=problem))


def typed_skyline(out: Path, messages: Console) -> None:
    """Take a skyline from the terminal and write it. Raises `NoHorizonGiven`, `HorizonFile`."""
    from polewright.observing.runs.horizon_recording import SkylineLines

    _check_writable(out)
    lines = SkylineLines(None)
    messages.print(HOW_TO_TYPE)
    for line in _typed():
        problem = lines.add(line)
        if problem is not None:
            messages.print(say("Not used: {problem}", problem=problem))
            messages.print(say("Type that line again, or an empty line to end."))
    if not lines.accepted:
        raise NoHorizonGiven
    _write(out, lines, sys.stdout)


def _typed() -> Iterator[str]:
    for line in sys.stdin:
        if not line.strip():
            return
        yield line


def _record(settings: Any, lines: SkylineLines, messages: Console) -> None:
    """Record where the mount points each time Enter is pressed."""
    from polewright.observing.runs.horizon_recording import Pointer

    clock = run_clock(messages)
    messages.print(SUN_CAUTION, style="bold")
    cancel = CancelToken()
    with stop_on_signals(cancel):
        pointer = Pointer.connect(settings, clock, cancel)
        messages.print(HOW_TO_RECORD)
        for line in sys.stdin:
            cancel.check()
            match line.strip().lower():
                case "":
                    look = pointer.look()
                    if look.sun_caution:
                        messages.print(look.sun_caution, style="bold red")
                    problem = lines.add(look.line)
                    told = (
                        say("Not used: {problem}", problem=problem) if problem else f"  {look.line}"
                    )
                    messages.print(told)
                case "u":
                    gone = lines.take_back()
                    messages.print(say("Taken back: {pair}", pair=gone or "nothing"))
                case "q":
                    return
                case other:
                    messages.print(
                        say("'{other}' is none of Enter, u and q; nothing recorded", other=other),
                    )


def _check_writable(out: Path) -> None:
    """See before anything is typed or recorded that the file can be written."""
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=out.parent) as file:
            file.write(b"#" * 4096)
    except OSError as exc:
        raise HorizonFile(str(out), say("cannot be written: {exc}", exc=in_words(exc))) from exc


def _write(out: Path, lines: SkylineLines, otherwise: TextIO) -> None:
    """Write the file; a skyline that it does not take is not lost: it goes to ``otherwise``."""
    from polewright.calculation.planning.horizon_text import format_horizon

    text = format_horizon(lines.horizon())
    try:
        write_whole(out, text.encode())
    except OSError as exc:
        otherwise.write(text)
        otherwise.flush()
        reason = say(
            "cannot be written: {exc}. Its lines stand above: copy them from there",
            exc=in_words(exc),
        )
        raise HorizonFile(str(out), reason) from exc


def _report(
    skyline: Horizon, lines: SkylineLines, low_deg: float, out: Path | None, *, as_json: bool
) -> None:
    """Say what the skyline leaves."""
    from polewright.calculation.planning.horizon_text import format_horizon

    usable = skyline.usable(low_deg)
    if as_json:
        document = {
            "schema_version": "1",
            "ok": not lines.rejected,
            "azimuth_deg": list(skyline.azimuth_deg),
            "altitude_deg": list(skyline.altitude_deg),
            "overhang_deg": None if skyline.upper_deg is None else list(skyline.upper_deg),
            "clearance_deg": skyline.clearance_deg,
            "minimum_altitude_deg": low_deg,
            "open_fraction": round(usable.open_fraction, 4),
            "open_square_deg": round(usable.open_square_deg, 1),
            "highest_obstacle_deg": usable.highest_obstacle_deg,
            "highest_obstacle_azimuth_deg": usable.highest_obstacle_azimuth_deg,
            "widest_open_from_deg": usable.widest_open_from_deg,
            "widest_open_deg": usable.widest_open_deg,
            "rejected": [
                {"line": item.line, "reason": item.reason, "text": item.text.strip()}
                for item in lines.rejected
            ],
            "file": None if out is None else str(out),
        }
        sys.stdout.write(json.dumps(document) + "\n")
        return
    console = Console()
    if out is None:
        sys.stdout.write(format_horizon(skyline))  # as it is: it may go into a file
        sys.stdout.flush()
    else:
        points = say_count("{count} point", "{count} points", len(skyline.azimuth_deg))
        console.print(say("{points} written to {out}.", points=points, out=out))
    console.print(
        say(
            "Open above {low_deg:g}°: {open_fraction:.0f} % ({open_square_deg:.0f} square "
            "degrees), before any clearance.",
            low_deg=low_deg,
            open_fraction=100.0 * usable.open_fraction,
            open_square_deg=usable.open_square_deg,
        ),
    )
    console.print(
        say(
            "Highest obstacle {highest_obstacle_deg:.1f}° at azimuth "
            "{highest_obstacle_azimuth_deg:.0f}°; widest opening {widest_open_deg:.0f}° from "
            "azimuth {widest_open_from_deg:.0f}° on.",
            highest_obstacle_deg=usable.highest_obstacle_deg,
            highest_obstacle_azimuth_deg=usable.highest_obstacle_azimuth_deg,
            widest_open_deg=usable.widest_open_deg,
            widest_open_from_deg=usable.widest_open_from_deg,
        ),
    )
    if lines.rejected:
        console.print(
            say_count(
                "{count} line was not used; see above.",
                "{count} lines were not used; see above.",
                len(lines.rejected),
            )
        )
