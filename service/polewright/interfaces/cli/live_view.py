"""A session's snapshot as a terminal picture. Pure: a snapshot goes in, text comes out."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from polewright.foundation.angle_text import angle_parts, arcmin_text
from polewright.foundation.angles import ARCMIN
from polewright.foundation.language import say, say_count, translated
from polewright.interfaces.cli.console import STEP_WORDS, compass
from polewright.interfaces.cli.terminal import styled
from polewright.session.snapshot import ErrorNow, SessionSnapshot
from polewright.session.states import ENDED, Step

#: Least and most rows of the plot; where there is no room for the least there is none.
LEAST_ROWS, MOST_ROWS = 9, 41
#: Columns between figures and plot.
GAP = 2
#: Half the plot's height in tolerances, the nearest first: it changes in steps, as a map does.
ZOOMS = tuple(
    step * decade for decade in (1.0, 10.0, 100.0, 1000.0) for step in (1.5, 2, 3, 4, 6, 9)
)
#: A note stays to be read so long, s; a warning longer (own choice).
NOTE_S, WARNING_S = 15.0, 30.0
#: A reading is old after so long and so many exposures, as on the page (own choice); how long
#: one is taken to be before the first.
OLD_S, OLD_FRAMES, OLD_EXPOSURE_S = 12.0, 3.0, 4.0
#: A character is about twice as high as wide.
ASPECT = 2.0
#: 95 % of a two-dimensional normal distribution lie within so many sigmas: sqrt(-2 ln 0.05).
TWO_D_95 = 2.4477
FIRST_READING = say("hands off: waiting for the first reading")
"""While adjusting, as long as nothing is said yet of what to turn."""

STEP_TITLES = {
    Step.IDLE: say("not started"),
    Step.CHECKING: say("checking the devices"),
    Step.PLANNING: say("planning the sweep"),
    Step.SWEEPING: say("SWEEPING: hands off, the mount moves by itself"),
    Step.ADJUSTING: say("ADJUSTING"),
    Step.FINISHED: "finished",
    Step.STOPPED: "stopped",
    Step.FAILED: "failed",
}
_DIGITS = {
    "0": ("┏━┓", "┃ ┃", "┗━┛"),
    "1": (" ╻ ", " ┃ ", " ╹ "),
    "2": ("╺━┓", "┏━┛", "┗━╸"),
    "3": ("╺━┓", " ━┫", "╺━┛"),
    "4": ("╻ ╻", "┗━┫", "  ╹"),
    "5": ("┏━╸", "┗━┓", "╺━┛"),
    "6": ("┏━╸", "┣━┓", "┗━┛"),
    "7": ("╺━┓", "  ┃", "  ╹"),
    "8": ("┏━┓", "┣━┫", "┗━┛"),
    "9": ("┏━┓", "┗━┫", "╺━┛"),
    ".": ("  ", "  ", "▪ "),
    "-": ("   ", "╺━╸", "   "),
}
_LETTERS = {
    "a": ("┏━┓", "┣━┫", "╹ ╹"),
    "c": ("┏━╸", "┃  ", "┗━╸"),
    "d": ("┳━┓", "┃ ┃", "┻━┛"),
    "e": ("┏━╸", "┣━╸", "┗━╸"),
    "g": ("┏━╸", "┃╺┓", "┗━┛"),
    "i": ("╻", "┃", "╹"),
    "m": ("┏┳┓", "┃┃┃", "╹ ╹"),
    "n": ("┏━┓", "┃ ┃", "╹ ╹"),
    "r": ("┏━┓", "┣┳┛", "╹┗╸"),
    "s": ("┏━╸", "┗━┓", "╺━┛"),
}
_ARROWS = {
    "▲": ("  ▲  ", "  ┃  ", "  ┃  "),
    "▼": ("  ┃  ", "  ┃  ", "  ▼  "),
    "▶": ("     ", "━━━━▶", "     "),
    "◀": ("     ", "◀━━━━", "     "),
}


def big(text: str) -> str:
    """Draw a number, or the letters of a unit, three lines high."""
    glyphs = [(_DIGITS | _LETTERS)[character] for character in text]
    return "\n".join(" ".join(glyph[row] for glyph in glyphs) for row in range(3))


def beside(*blocks: str) -> str:
    """Put blocks of three lines side by side."""
    rows = zip(*(block.split("\n") for block in blocks), strict=True)
    return "\n".join("  ".join(row) for row in rows)


def arrow(heading: str | None, southern: bool | None) -> str:
    """The way the axis has to go, as seen by somebody who faces the pole."""
    east, west = ("◀", "▶") if southern else ("▶", "◀")
    return {"raise": "▲", "lower": "▼", "east": east, "west": west}.get(heading or "", " ")


@dataclass(frozen=True)
class KeysNow:
    """What the last lines say."""

    help_line: str = ""
    """The keys that do something now."""
    hint: str = ""
    """The key that the advice needs."""
    alert: str = ""
    """What is about to happen by itself."""
    prompt: str = ""
    """A question, or what came of the last key."""
    asks: bool = False
    """Whether the prompt is a question: it stands in place of the advice."""


def view(
    now: SessionSnapshot, keys: KeysNow, *, plot_rows: int = LEAST_ROWS, width: int = 100
) -> RenderableType:
    """Draw a session; without the plot when ``plot_rows`` is 0."""
    parts: list[RenderableType] = [_headline(now)]
    reading = reading_of(now)
    if reading is not None:
        figures = figures_of(now, reading, width)
        if plot_rows:
            table = Table.grid(padding=(0, GAP))
            table.add_row(figures, plot(now, plot_rows))
            parts += [table, legend(now)]
        else:
            parts.append(figures)
    asked = keys.asks and now.step not in ENDED
    if asked:
        parts.append(styled(f" {translated(keys.prompt)} ", style="bold reverse"))
    elif now.advice is not None:
        parts.append(styled(now.advice.sentence, style="bold"))
        parts += [
            styled(say("! {caution}", caution=caution), style="yellow")
            for caution in now.advice.cautions
        ]
    if keys.hint:
        parts.append(styled(f" {translated(keys.hint)} ", style="bold reverse"))
    parts.append(_progress(now))
    note = now.noted
    if note is not None and now.utc_s - note.utc_s <= (WARNING_S if note.warning else NOTE_S):
        said = say("Note: {notes}", notes=note.text)
        parts.append(styled(said, style="yellow" if note.warning else "dim"))
    if now.step not in ENDED:  # afterwards no key does anything
        if keys.alert:
            parts.append(styled(f" {translated(keys.alert)} ", style="bold reverse yellow"))
        parts.append(styled(keys.help_line, style="dim"))
        told = "" if asked else keys.prompt
        parts.append(styled(told, style="reverse" if told else ""))
    return Group(*parts)


def _headline(now: SessionSnapshot) -> Text:
    waits = now.step is Step.ADJUSTING and now.advice is None and not now.motors
    text = styled(FIRST_READING if waits else STEP_TITLES[now.step], style="bold reverse")
    if now.paused:
        text.append(translated(say(" PAUSED ")), style="bold yellow")
    if now.step is Step.ADJUSTING and now.pass_kind is not None and now.goal_arcmin is not None:
        coarse = now.pass_kind == "coarse"  # noqa: S105 - a pass, not a password
        kind = say("first, coarse pass") if coarse else say("last pass")
        goal = say("  {kind}: goal {goal}", kind=kind, goal=arcmin_text(now.goal_arcmin))
        text.append(translated(goal), style="not reverse")
    if now.step in ENDED:
        counts = say_count("{count} sweep measured", "{count} sweeps measured", now.sweeps)
    else:
        counts = say("sweep {sweeps}", sweeps=max(1, now.sweeps + (now.step is Step.SWEEPING)))
    counts = say("  {counts}, mount {motion}", counts=counts, motion=now.motion)
    text.append(translated(counts), style="not reverse dim")
    return text


def reading_of(now: SessionSnapshot) -> ErrorNow | None:
    """Return what to show: a glance while the axis turns, else the last full frame or sweep."""
    return now.moving if now.moving is not None and now.moving.turning else now.error


def is_old(now: SessionSnapshot, error: ErrorNow) -> bool:
    """Whether a reading is too old to turn by: stars were lost since, or no frame came."""
    if now.step is not Step.ADJUSTING or error.state == "measured":
        return False
    exposure_s = OLD_EXPOSURE_S if now.frame is None else now.frame.exposure_s
    late = now.utc_s - error.utc_s > OLD_S + OLD_FRAMES * exposure_s
    return error.state == "lost" or late


def figures_of(now: SessionSnapshot, error: ErrorNow, width: int) -> Group:
    """Draw the way left, large, and the figures behind it, for a terminal so many columns wide."""
    age_s = max(0.0, now.utc_s - error.utc_s)
    old = is_old(now, error)
    counts = error.state in ("settled", "bumped", "measured") and not old
    advice = None if old else now.advice
    heading = advice.heading if advice is not None and advice.axis is not None else None
    in_hand = advice is not None and heading is not None and advice.amount_arcmin > 0.0
    size = advice.amount_arcmin if advice is not None and in_hand else error.total_arcmin
    number, unit = angle_parts(size * ARCMIN)
    tall = width >= 78
    blocks = [big(number), big(unit)] if tall else [big(number), f"\n\n{translated(unit)}"]
    what = say("total error")
    if advice is not None and heading is not None and in_hand:
        blocks.insert(0, "\n".join(_ARROWS[arrow(heading, now.southern)]))
        what = {
            "raise": say("still to go: raise the axis"),
            "lower": say("still to go: lower the axis"),
            "east": say("still to go: axis to the east"),
            "west": say("still to go: axis to the west"),
        }[heading]
        if advice.turns_text:
            what = say("{what}, {turns}", what=what, turns=advice.turns_text)
        if advice.passed and not now.motors:
            what = say("{what}  PAST THE MARK: LET GO", what=what)
    if old:  # nothing to turn by
        blocks = [big("-")]
        what = say("no fresh reading")
        if now.unread:
            what = say_count("no stars in {count} frame", "no stars in {count} frames", now.unread)
    number_style = "bold" if counts else "dim"
    lines: list[RenderableType] = [
        styled(what, "bold"),
        # An arcsecond is a sixtieth: its figure looks another at a glance.
        styled(
            beside(*blocks), style=number_style + (" cyan" if unit == "arcsec" and not old else "")
        ),
        styled(""),
    ]
    dim = "dim" if old else ""
    lines.append(
        styled(
            say(
                "total    {total}, {state}",
                total=arcmin_text(error.total_arcmin, error.sigma_total_arcmin),
                state=error.state,
            )
            + (say(", {age_s:.0f} s old", age_s=age_s) if old or age_s >= 10.0 else ""),
            dim,
        )
    )
    for key, axis, value, words in (
        ("altitude", say("altitude"), error.d_alt_arcmin, (say("too high"), say("too low"))),
        (
            "azimuth",
            say("azimuth"),
            error.d_az_sky_arcmin,
            (say("too far east"), say("too far west")),
        ),
    ):
        turned = advice is not None and advice.axis == key
        lines.append(
            styled(f"{translated(axis):<8} " + compass(value, *words), "bold" if turned else dim)
        )
    inside = error.upper95_arcmin <= now.tolerance_arcmin
    lines.append(
        styled(
            say(
                "under {upper95_arcmin} (95 %), tolerance {tolerance_arcmin}",
                upper95_arcmin=arcmin_text(error.upper95_arcmin),
                tolerance_arcmin=arcmin_text(now.tolerance_arcmin),
            ),
            style="green" if inside and counts else dim,
        )
    )
    return Group(*lines)


def _progress(now: SessionSnapshot) -> RenderableType:
    at = now.progress
    if at is None:
        return styled("")
    words = STEP_WORDS.get(at.step, at.step)
    where = say("point {point} of {points}, ", point=at.point, points=at.points) if at.point else ""
    table = Table.grid(padding=(0, 1))
    if at.text:
        table.add_row(
            say("{where}{words}: {at}", where=where, words=words, at=at.text),
            say("{done_s:.0f} s", done_s=at.done_s),
        )
    elif at.total_s and at.done_s <= at.total_s + 1.0:
        bar = ProgressBar(total=at.total_s, completed=min(at.done_s, at.total_s), width=24)
        table.add_row(
            say("{where}{words}", where=where, words=words),
            bar,
            say("{done_s:.0f} of {total_s:.0f} s", done_s=at.done_s, total_s=at.total_s),
        )
    else:
        table.add_row(
            say("{where}{words}", where=where, words=words), say("{done_s:.0f} s", done_s=at.done_s)
        )
    return table


def reach_arcmin(now: SessionSnapshot) -> float:
    """Half the plot's height: as near as the last reading allows, the tolerance always inside."""
    here = reading_of(now)
    far = 0.0 if here is None else max(abs(here.d_az_sky_arcmin), abs(here.d_alt_arcmin))
    least = max(1.15 * far, now.tolerance_arcmin)
    return next(
        (zoom * now.tolerance_arcmin for zoom in ZOOMS if zoom * now.tolerance_arcmin >= least),
        least,
    )


def legend(now: SessionSnapshot) -> Text:
    """Say what the signs of the plot are, and how far it reaches."""
    return styled(
        say(
            "@ axis   + pole   · tolerance   o before   ░ 95 % sure   edge: {reach}",
            reach=arcmin_text(reach_arcmin(now)),
        ),
        style="dim",
    )


def plot(now: SessionSnapshot, rows: int) -> Text:
    """Draw the way so far in so many rows (odd): pole in the middle, as seen facing it.

    ``+`` the pole, ``·`` the tolerance's edge, ``o`` past readings, ``░`` where the axis is with
    95 % probability, ``@`` the last reading.
    """
    way = [(point.d_az_sky_arcmin, point.d_alt_arcmin) for point in now.trail]
    error = reading_of(now)
    here = None if error is None else (error.d_az_sky_arcmin, error.d_alt_arcmin)
    reach = reach_arcmin(now)
    mirror = -1.0 if now.southern else 1.0
    columns = 2 * rows + 1
    middle_row, middle_column = rows // 2, columns // 2
    unit = reach / middle_row
    grid = [[" "] * columns for _ in range(rows)]

    def mark(east: float, up: float, sign: str) -> None:
        row = middle_row - round(up / unit)
        column = middle_column + round(mirror * east / unit * ASPECT)
        if 0 <= row < rows and 0 <= column < columns:
            grid[row][column] = sign

    if error is not None:
        for row in range(rows):
            for column in range(columns):
                east = mirror * (column - middle_column) * unit / ASPECT
                if _inside(error, east, (middle_row - row) * unit):
                    grid[row][column] = "░"
    for degrees in range(0, 360, 2):
        angle = math.radians(degrees)
        radius = now.tolerance_arcmin
        mark(radius * math.cos(angle), radius * math.sin(angle), "·")
    mark(0.0, 0.0, "+")
    for east, up in way[:-1]:
        mark(east, up, "o")
    if here is not None:
        mark(*here, "@")
    sides = (say("east"), say("west")) if now.southern else (say("west"), say("east"))
    left, right = (translated(side) for side in sides)
    high, low = translated(say("too high")), translated(say("too low"))
    text = styled(f"{high:^{columns}}\n", style="dim")
    text.append("\n".join("".join(row) for row in grid), style="not dim")
    text.append(f"\n{left}{low:^{columns - len(left) - len(right)}}{right}")
    return text


def _inside(error: ErrorNow, east: float, up: float) -> bool:
    """Whether a place lies in the 95 % region of the last reading."""
    if error.sigma_alt_arcmin <= 0.0 or error.sigma_az_sky_arcmin <= 0.0:
        return False
    a = (east - error.d_az_sky_arcmin) / error.sigma_az_sky_arcmin
    b = (up - error.d_alt_arcmin) / error.sigma_alt_arcmin
    rho = max(-0.999, min(0.999, error.correlation))
    return (a * a - 2.0 * rho * a * b + b * b) / (1.0 - rho * rho) <= TWO_D_95**2
