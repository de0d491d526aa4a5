"""``polewright examine``: will it work with my rig?"""

from __future__ import annotations

from functools import partial
from itertools import groupby
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import ExitCode
from polewright.foundation.language import say, say_count
from polewright.interfaces.cli.console import (
    LEFT_STANDING,
    TerminalListener,
    exit_with,
    run_clock,
    stop_on_signals,
    told_plainly,
    write_out,
)
from polewright.interfaces.cli.options import ConfigPath, next_step, with_rig_options
from polewright.interfaces.cli.terminal import Console, styled

if TYPE_CHECKING:
    from collections.abc import Callable

    from polewright.observing.runs.examination import Examination, Finding
    from polewright.records.events import Event

MARKS = {"ok": ("ok", ""), "instead": ("~", ""), "missing": ("-", ""), "failed": ("NO", "bold red")}


@with_rig_options
def examine(
    config: ConfigPath = None,
    move: Annotated[
        bool,
        typer.Option(
            "--move",
            help="turn the mount, too: 5 degrees in right ascension and back, stopped on the way; "
            "a parked mount is left unparked",
        ),
    ] = False,
    with_addresses: Annotated[
        bool,
        typer.Option("--with-addresses", help="keep network addresses and users' names"),
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print one JSON document; progress goes to stderr")
    ] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Say whether it will work with this rig: ask each device, take one picture, move nothing.

    Prints what works, what is missing, what is done in its place, and what to set. It holds the
    site to 0.1 degree, no token, no network address and no user's name, so that it can be attached
    to a question.

    With --move the mount turns, with all guards: see that the tube is free, that no cable can
    catch, and never point an unfiltered telescope near the Sun. It ends stopped, and unparked.
    """
    from polewright.foundation.config import config_from_file
    from polewright.observing.runs.examination import Examiner, shareable

    console = Console(stderr=True)
    cancel = CancelToken()
    with told_plainly(console, as_json=as_json):
        settings = config_from_file(config, overrides)
        tables = settings.model_dump().values()
        hosts = [t["host"] for t in tables if isinstance(t, dict) and t.get("host")]
        shown = str if with_addresses else partial(shareable, hosts=hosts)
        with stop_on_signals(cancel), _Listener(console, shown) as listener:
            examiner = Examiner(settings, run_clock(console), cancel, listener, shown=shown)
            try:
                examiner.run(move=move)
            finally:
                result = examiner.result()
                if not as_json:
                    _print(Console(), result, shown)
    if as_json:
        write_out(result.model_dump_json())
    exit_with(ExitCode(result.exit_code))


class _Listener(TerminalListener):
    """Shows of each event what may be shown to others."""

    def __init__(self, console: Console, shown: Callable[[str], str]) -> None:
        super().__init__(console)
        self._shown = shown

    def _line(self, event: Event) -> str | Text:
        line = super()._line(event)
        return line if isinstance(line, Text) else self._shown(line)


def _print(out: Console, result: Examination, shown: Callable[[str], str]) -> None:
    out.print(
        say(
            "{software}, {system}; {when} UTC",
            software=result.software,
            system=result.system,
            when=result.examined_utc[:16].replace("T", " "),
        )
    )
    table = Table(box=None, show_header=False, padding=(0, 1, 0, 0), pad_edge=False)
    table.add_column(no_wrap=True, min_width=2)
    table.add_column(max_width=20)
    table.add_column(ratio=1)
    for about, findings in groupby(result.findings, lambda finding: finding.about):
        table.add_row("", styled(about, "bold"), "")
        for finding in findings:
            mark, style = MARKS[finding.outcome]
            table.add_row(styled(mark, style), finding.what, _told(finding))
    out.print(table)
    out.print(say("ok works   ~ made up for   - not there, or not to be told now   NO in the way"))
    if result.moved and result.motion == "stopped":
        out.print(LEFT_STANDING)
    for sentence in _verdict(result):
        out.print(shown(sentence), soft_wrap=True)


def _told(finding: Finding) -> RenderableType:
    lines = [finding.found]
    if finding.instead:
        lines.append(say("instead: {instead}", instead=finding.instead))
    if finding.todo:
        lines.append(say("to do: {todo}", todo=finding.todo))
    cell = Table.grid()
    for line in lines:
        cell.add_row(line)
    return cell


def _verdict(result: Examination) -> list[str]:
    count = sum(finding.outcome == "failed" for finding in result.findings)
    solved = any(f.what == "solved" and f.outcome in ("ok", "instead") for f in result.findings)
    if count:
        told = say_count(
            "Not yet: {count} thing is in the way (NO).",
            "Not yet: {count} things are in the way (NO).",
            count,
        )
    elif solved:
        told = say("It will work with this rig.")
    else:
        told = say("The devices will do. Whether frames are solved, a starry sky tells.")
    if count or not solved:
        return [told, next_step("examine", say("again, when that is put right"))]
    if not result.moved:
        return [told, next_step("examine --move", say("it turns the mount as well"))]
    return [told, next_step("plan", say("where the sweep will go"))]
