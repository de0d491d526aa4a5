"""``polewright check``: focus, sky, exposure, and whether the solver copes."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import ExitStack
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Group, RenderableType
from rich.live import Live
from rich.table import Table

from polewright.foundation.clock import CancelToken
from polewright.foundation.errors import Cancelled, ExitCode
from polewright.foundation.language import say
from polewright.interfaces.cli.console import (
    TerminalListener,
    exit_with,
    run_clock,
    stop_on_signals,
    told_plainly,
)
from polewright.interfaces.cli.options import ConfigPath, next_step, with_rig_options
from polewright.interfaces.cli.terminal import Console, styled

if TYPE_CHECKING:
    from polewright.observing.rig.rig import Rig
    from polewright.observing.runs.check_result import CheckResult, FocusResult

#: Five rows of three cells each; a cell is two columns wide.
GLYPHS = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    ".": (" ", " ", " ", " ", "#"),
    "-": ("   ", "   ", "###", "   ", "   "),
}
#: A change of the star size below this share is no change.
SAME = 0.02


def big(text: str) -> str:
    """Return a number as five lines, to be read from the focuser."""
    rows = ("  ".join(GLYPHS[sign][row] for sign in text) for row in range(5))
    return "\n".join("".join("██" if cell == "#" else "  " for cell in row) for row in rows)


@with_rig_options
def check(
    config: ConfigPath = None,
    exposure_s: Annotated[
        float | None,
        typer.Option(
            "--exposure-s",
            "--exposure",
            help="[sweep] exposure_s if left out",
            min=0.001,
            max=600,
        ),
    ] = None,
    find: Annotated[
        bool, typer.Option("--find-exposure", help="find the exposure from sky and stars first")
    ] = False,
    loop: Annotated[
        bool, typer.Option("--loop", help="again and again, to focus by hand; Ctrl-C ends it")
    ] = False,
    frames: Annotated[
        int | None,
        typer.Option(help="with --loop: end after so many frames", min=1, show_default=False),
    ] = None,
    tone: Annotated[
        bool,
        typer.Option(
            "--tone",
            help="with --loop: ring the terminal's bell three times for the best so far, twice "
            "for better, once for worse",
        ),
    ] = False,
    focus: Annotated[
        bool,
        typer.Option(
            "--focus", help="find the focus by small moves of the focuser, and leave it there"
        ),
    ] = False,
    focus_step: Annotated[
        int, typer.Option(help="with --focus: steps between positions", min=1, max=100000)
    ] = 100,
    as_json: Annotated[
        bool, typer.Option("--json", help="print one JSON document; the rest goes to stderr")
    ] = False,
    *,
    overrides: dict[str, Any],
) -> None:
    """Look through the telescope where it points: stars, focus, sky, and whether it solves.

    The mount is not moved. With --focus the focuser is: seven positions or more around where it
    stands, always from the same side; it goes to the best one, and back to where it stood when
    anything goes wrong.

    Exit code 0: the frame was solved (or the focus found). 4: no usable frame, or no focus. 5: not
    solved.
    """
    from polewright.foundation.config import config_from_file
    from polewright.observing.capture.auto_exposure import find_exposure
    from polewright.observing.runs.connect import connect_rig
    from polewright.observing.runs.frame_check import check as check_once
    from polewright.observing.safety.mount_lock import only_run

    console = Console(stderr=True)
    cancel = CancelToken()
    code = ExitCode.OK
    with told_plainly(console, as_json=as_json), stop_on_signals(cancel):
        settings = config_from_file(config, overrides)
        with ExitStack() as held:
            with TerminalListener(console) as listener:
                rig = connect_rig(settings, run_clock(console), cancel, listener)
                # A run of this computer that has the mount exposes with the camera, too.
                held.enter_context(only_run(rig.telescope.where, partial(rig.note, warning=True)))
                length_s = exposure_s or rig.exposure_s
                if find or rig.exposure_open:
                    length_s = find_exposure(rig)
                done: CheckResult | FocusResult | None = None
                if focus:
                    done = _focused(rig, focus_step, length_s, console)
                elif not loop:
                    done = check_once(rig, length_s)
                    code = ExitCode.OK if done.solved else ExitCode.SOLVE
            if loop and not focus:
                rig.emit = lambda _event: None
                done = _loop(
                    console, lambda: check_once(rig, length_s, solve=False), frames, tone=tone
                )
    if done is not None and as_json:
        sys.stdout.write(done.model_dump_json() + "\n")
    elif done is not None and not loop:
        Console().print(_told(done))
        if code is ExitCode.OK:
            Console().print(next_step("plan", say("where the sweep will go")))
    exit_with(code)


def _focused(rig: Rig, step: int, exposure_s: float, console: Console) -> FocusResult:
    from polewright.devices.alpaca.focuser import Focuser
    from polewright.observing.runs.connect import connect_one
    from polewright.observing.runs.focus_run import FocusRun

    focuser = connect_one(Focuser, rig.config.focuser, rig.clock, rig.cancel, (rig.camera,))

    def tell(sentence: str) -> None:
        console.print(say("  focuser {sentence}", sentence=sentence))

    return FocusRun(rig, focuser, step, exposure_s, tell).run()


def _loop(
    console: Console, look: Callable[[], CheckResult], frames: int | None, *, tone: bool
) -> CheckResult | None:
    """Show frame after frame until stopped; return the last one."""
    last: CheckResult | None = None
    sizes: list[float] = []
    count = 0
    with Live(console=console, auto_refresh=False) as live:
        try:
            while frames is None or count < frames:
                count += 1
                last = look()
                if last.hfd_px is not None:
                    if tone:
                        console.file.write("\a" * bells(sizes, last.hfd_px))
                        console.file.flush()
                    sizes.append(last.hfd_px)
                live.update(_picture(last, sizes), refresh=True)
        except Cancelled:
            pass  # that is how it ends
    return last


def bells(before: list[float], now: float) -> int:
    """Rings for a star size after those before: 3 best so far, 2 better, 1 worse, 0 the same."""
    if not before or abs(now / before[-1] - 1.0) < SAME:
        return 0
    if now < min(before):
        return 3
    return 2 if now < before[-1] else 1


def _picture(result: CheckResult, sizes: list[float]) -> RenderableType:
    number = "-.-" if result.hfd_px is None else f"{result.hfd_px:.2f}"
    style = "bold green" if sizes and result.hfd_px == min(sizes) else "bold"
    best = say(", best so far {sizes:.2f}", sizes=min(sizes)) if sizes else ""
    elongation = (
        ""
        if result.elongation is None
        else say(", {elongation:.2f} to 1", elongation=result.elongation)
    )
    return Group(
        styled(big(number), style=style),
        styled(
            say(
                "half-flux diameter, px{best}; {star_count} stars{elongation}",
                best=best,
                star_count=result.star_count,
                elongation=elongation,
            )
        ),
        *(styled(sentence) for sentence in result.advice),
    )


def _told(result: Any) -> RenderableType:
    """Show a finished check, or a focus run."""
    table = Table(show_header=False, box=None)
    if hasattr(result, "best"):
        table.add_row(
            say("focus"),
            say(
                "{best} steps (before: {started_at})",
                best=result.best,
                started_at=result.started_at,
            ),
        )
        table.add_row(
            say("half-flux diameter"),
            say(
                "{after_px:.2f} px (before: {before_px:.2f})",
                after_px=result.after_px,
                before_px=result.before_px,
            ),
        )
        return table
    size = (
        say("no star to tell by")
        if result.hfd_px is None
        else say("{hfd_px:.2f} px", hfd_px=result.hfd_px)
    )
    share = (
        ""
        if result.sky_share is None
        else say(", {sky_share:.0f} % of full scale", sky_share=100 * result.sky_share)
    )
    table.add_row(
        say("stars"),
        say(
            "{star_count} ({saturated_stars} saturated)",
            star_count=result.star_count,
            saturated_stars=result.saturated_stars,
        ),
    )
    table.add_row(say("half-flux diameter"), size)
    if result.elongation is not None:
        table.add_row(say("elongation"), say("{elongation:.2f} to 1", elongation=result.elongation))
    table.add_row(
        say("sky"),
        say(
            "{sky_adu:.0f} ± {sky_noise_adu:.1f} ADU{share}",
            sky_adu=result.sky_adu,
            sky_noise_adu=result.sky_noise_adu,
            share=share,
        ),
    )
    solved = (
        say(
            "yes, {matched} stars matched in {solve_s:.2f} s",
            matched=result.matched,
            solve_s=result.solve_s,
        )
        if result.solved
        else say("no: {trouble}", trouble=result.trouble)
    )
    table.add_row(say("solved with {exposure_s:g} s", exposure_s=result.exposure_s), solved)
    return Group(table, *(styled(sentence) for sentence in result.advice))
