"""A session's snapshot as a terminal picture. Pure: a snapshot goes in, text comes out."""

from __future__ import annotations

import math

from rich.console import Group, RenderableType
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from polewright.foundation.angle_text import angle_parts, arcmin_text
from polewright.foundation.angles import ARCMIN
from polewright.foundation.language import say, translated
from polewright.interfaces.cli.console import STEP_WORDS, compass
from polewright.interfaces.cli.terminal import styled
from polewright.session.snapshot import ErrorNow, SessionSnapshot
from polewright.session.states import ENDED, Step

#: Rows of the plot, the largest first; terminals with few lines get a smaller one, or none.
PLOT_ROWS = (13, 11, 9, 7, 0)
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
    Step.ADJUSTING: say("adjusting: turn the adjusters as told"),
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


def big(text: str) -> str:
    """Draw digits three lines high."""
    glyphs = [_DIGITS[character] for character in text]
    return "\n".join(" ".join(glyph[row] for glyph in glyphs) for row in range(3))


def arrow(heading: str | None, southern: bool | None) -> str:
    """The way to move the axis, as seen by somebody who faces the pole."""
    east, west = ("◀", "▶") if southern else ("▶", "◀")
    return {"raise": "▲", "lower": "▼", "east": east, "west": west}.get(heading or "", " ")


def view(
    now: SessionSnapshot, help_line: str, prompt: str, plot_rows: int = PLOT_ROWS[0]
) -> RenderableType:
    """Draw a session; without the plot when ``plot_rows`` is 0."""
    parts: list[RenderableType] = [_headline(now)]
    if now.error is not None:
        table = Table.grid(padding=(0, 4))
        figures = _figures(now, now.error)
        if plot_rows:
            table.add_row(figures, plot(now, plot_rows))
        else:
            table.add_row(figures)
        parts.append(table)
    if now.advice is not None:
        parts.append(styled(now.advice.sentence, style="bold"))
        parts += [
            styled(say("! {caution}", caution=caution), style="yellow")
            for caution in now.advice.cautions
        ]
    parts.append(_progress(now))
    if now.notes:
        parts.append(styled(say("Note: {notes}", notes=now.notes[-1]), style="dim"))
    if now.failure is not None:
        parts.append(
            styled(
                say("{message}. {advice}", message=now.failure.message, advice=now.failure.advice),
                style="bold red",
            )
        )
    if now.step not in ENDED:  # afterwards no key does anything
        parts.append(styled(help_line, style="dim"))
        parts.append(styled(prompt, style="reverse" if prompt else ""))
    return Group(*parts)


def _headline(now: SessionSnapshot) -> Text:
    waits = now.step is Step.ADJUSTING and now.advice is None
    text = styled(FIRST_READING if waits else STEP_TITLES[now.step], style="bold reverse")
    if now.paused:
        text.append(translated(say(" PAUSED ")), style="bold yellow")
    if now.step is Step.ADJUSTING and now.pass_kind is not None and now.goal_arcmin is not None:
        near = now.pass_kind == "coarse"  # noqa: S105 - a pass, not a password
        kind = say("first, coarse pass") if near else say("last pass")
        goal = say("  {kind}: goal {goal}", kind=kind, goal=arcmin_text(now.goal_arcmin))
        text.append(translated(goal), style="not reverse")
    counts = say(
        "  sweeps {sweeps}, moves {moves}, mount {motion}",
        sweeps=now.sweeps,
        moves=now.moves,
        motion=now.motion,
    )
    text.append(translated(counts), style="not reverse dim")
    return text


def _figures(now: SessionSnapshot, error: ErrorNow) -> Group:
    lines: list[RenderableType] = []
    counts = error.state in ("settled", "bumped", "measured")
    style = "bold" if counts else "dim"
    number, unit = angle_parts(error.total_arcmin * ARCMIN)
    lines.append(styled(big(number) + f" {translated(unit)}", style=style))
    age_s = max(0.0, now.utc_s - error.utc_s)
    lines.append(
        styled(
            say(
                "± {sigma_total_arcmin} (1 sigma), {state}",
                sigma_total_arcmin=arcmin_text(error.sigma_total_arcmin),
                state=error.state,
            )
            + (say(", {age_s:.0f} s old", age_s=age_s) if age_s >= 10.0 else "")
        )
    )
    inside = error.upper95_arcmin <= now.tolerance_arcmin
    lines.append(
        styled(
            say(
                "under {upper95_arcmin} (95 %), tolerance {tolerance_arcmin}",
                upper95_arcmin=arcmin_text(error.upper95_arcmin),
                tolerance_arcmin=arcmin_text(now.tolerance_arcmin),
            ),
            style="green" if inside and counts else "",
        )
    )
    lines.append(styled(""))
    advice = now.advice
    if advice is not None and advice.axis is not None and advice.heading is not None:
        amount = advice.amount_arcmin
        told = say(
            "{arrow} {heading} {amount}",
            arrow=arrow(advice.heading, now.southern),
            heading=advice.heading,
            amount=arcmin_text(amount),
        )
        if advice.turns is not None:
            told += say(", {turns:.2f} turns", turns=advice.turns)
        if advice.passed:
            told += say("  PAST THE MARK")
        lines.append(styled(told, style="bold reverse"))
    for key, axis, value, words in (
        ("altitude", say("altitude"), error.d_alt_arcmin, (say("too high"), say("too low"))),
        (
            "azimuth",
            say("azimuth"),
            error.d_az_sky_arcmin,
            (say("too far east"), say("too far west")),
        ),
    ):
        in_hand = advice is not None and advice.axis == key
        mark = "→" if in_hand else " "
        lines.append(
            styled(
                mark + f" {translated(axis):<9}" + compass(value, *words), "bold" if in_hand else ""
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


def plot(now: SessionSnapshot, rows: int = PLOT_ROWS[0]) -> Text:
    """Draw the way so far in so many rows (odd): pole in the middle, as seen facing it.

    ``+`` the pole, ``·`` the tolerance's edge, ``o`` past readings, ``░`` where the axis is with
    95 % probability, ``@`` the last reading.
    """
    way = [(point.d_az_sky_arcmin, point.d_alt_arcmin) for point in now.trail]
    error = now.error
    here = None if error is None else (error.d_az_sky_arcmin, error.d_alt_arcmin)
    reach = max(
        [1.5 * now.tolerance_arcmin]
        + [1.15 * max(abs(east), abs(up)) for east, up in [*way, *([here] if here else [])]]
    )
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
    for step in range(72):
        angle = math.radians(5.0 * step)
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
    edge = translated(say("edge {reach} from +", reach=arcmin_text(reach)))
    text = styled(f"{high:^{columns}}\n", style="dim")
    text.append("\n".join("".join(row) for row in grid), style="not dim")
    text.append(f"\n{left}{low:^{columns - len(left) - len(right)}}{right}\n{edge:^{columns}}")
    return text


def _inside(error: ErrorNow, east: float, up: float) -> bool:
    """Whether a place lies in the 95 % region of the last reading."""
    if error.sigma_alt_arcmin <= 0.0 or error.sigma_az_sky_arcmin <= 0.0:
        return False
    a = (east - error.d_az_sky_arcmin) / error.sigma_az_sky_arcmin
    b = (up - error.d_alt_arcmin) / error.sigma_alt_arcmin
    rho = max(-0.999, min(0.999, error.correlation))
    return (a * a - 2.0 * rho * a * b + b * b) / (1.0 - rho * rho) <= TWO_D_95**2
