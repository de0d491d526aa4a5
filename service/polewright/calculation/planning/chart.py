"""An all-sky chart of a plan: north up and EAST TO THE LEFT, as when lying on the back looking up.

Distance from the middle is distance from the zenith. Drawn without any global state, so it is
safe in threads.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Literal

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from polewright.calculation.figures import (
    Labels,
    Palette,
    around,
    new_figure,
    palette_of,
    shrunk_to_fit,
    written,
)
from polewright.calculation.planning.feasibility import Outlook
from polewright.calculation.planning.limits import Use, shortfalls
from polewright.calculation.planning.request import PlanRequest, SweepPlan
from polewright.calculation.planning.violations import Reason
from polewright.calculation.sky.frame import enu_from_hour_angle_dec, hour_angle_dec
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import DEG, Vector, azalt_from_enu, enu_from_azalt
from polewright.foundation.language import say, translate_figure

HALF_PI = 0.5 * math.pi
LETTERS = "ABCDFGHIJK"  # no E: it would be read, and translated, as east
#: What tells areas apart where their colours do not: blocked, forbidden.
HATCH_BLOCKED, HATCH_WINDOW, HATCH_MERIDIAN = "//", "xx", ".."


def sky_chart(
    request: PlanRequest,
    plans: Sequence[SweepPlan] = (),
    *,
    night: bool = False,
    picture: Literal["svg", "png"] = "svg",
    width_px: int = 1000,
) -> bytes:
    """Draw skyline, usable sky, meridian band, Sun, Moon, and sweeps (the first one boldly).

    Args:
        request: what was asked; gives the sky.
        plans: best first; none draws the sky alone.
        night: red on black.
        picture: file format of the bytes returned.
        width_px: of a PNG; an SVG scales by itself.
    """
    figure = sky_figure(request, plans, night=night, width_px=width_px)
    return written(figure, picture)


def sky_figure(
    request: PlanRequest,
    plans: Sequence[SweepPlan] = (),
    *,
    night: bool = False,
    width_px: int = 1000,
) -> Figure:
    """Return the chart of `sky_chart`, not yet written."""
    palette = palette_of(night=night)
    outlook = Outlook(request)
    figure = new_figure(8.0, 10.0, palette, width_px / 8.0)
    axes = figure.add_axes((0.06, 0.2, 0.88, 0.704), projection="polar")
    labels = Labels(figure)
    _prepare(axes, palette)
    _areas(axes, outlook, palette)
    for number, plan in reversed(list(enumerate(plans[: len(LETTERS)]))):
        _sweep(axes, request, plan, number, palette)
    _tags(axes, plans[: len(LETTERS)], palette, labels)
    _bodies(axes, outlook, palette, labels)
    _rings(axes, request, palette, labels)
    _words(figure, outlook, plans, palette)
    _legend(figure, outlook, palette)
    labels.settle()
    return figure


def _prepare(axes: Any, palette: Palette) -> None:
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(1)  # azimuth runs counterclockwise: east is left
    axes.set_ylim(0.0, HALF_PI)
    axes.set_facecolor(palette.sky)
    axes.grid(visible=False)
    axes.set_yticks([])
    axes.set_xticks(np.arange(8) * 45.0 * DEG, ["N", "NE", "E", "SE", "S", "SW", "W", "NW"])
    for label in axes.get_xticklabels():
        label.set_fontsize(20 if len(label.get_text()) == 1 else 13)
        label.set_fontweight("bold" if len(label.get_text()) == 1 else "normal")
        label.set_color(palette.ink)
    axes.tick_params(axis="x", pad=3)
    axes.spines["polar"].set_color(palette.ink)
    axes.spines["polar"].set_linewidth(1.6)


def _areas(axes: Any, outlook: Outlook, palette: Palette) -> None:
    """Usable sky, what is blocked, and the meridian band."""
    request = outlook.request
    azimuth = np.asarray(np.linspace(0.0, 360.0, 361) * DEG, dtype=np.float64)
    altitude = np.asarray(np.linspace(0.0, 89.9, 181) * DEG, dtype=np.float64)
    az, alt = np.meshgrid(azimuth, altitude)
    enu = enu_from_azalt(az, alt)
    ha, dec = hour_angle_dec(request.site, enu)
    amounts = dict(
        shortfalls(request.rules, outlook.states[1], ha, dec, Use.EXPOSE, reach=2.0 * DEG)
    )
    band = amounts.pop(Reason.MERIDIAN, None)
    worst = np.clip(np.max(list(amounts.values()), axis=0), -DEG, DEG)
    if band is not None:
        worst = np.maximum(worst, np.clip(band, -DEG, DEG))
    axes.contourf(az, HALF_PI - alt, worst, levels=[-2.0 * DEG, 0.0], colors=[palette.usable])
    if band is not None:
        flat = HALF_PI - alt
        area = axes.contourf(
            az, flat, band, levels=[0.0, 10.0], colors=[palette.meridian], alpha=0.3,
            hatches=[HATCH_MERIDIAN],
        )  # fmt: skip
        area.set_edgecolor(palette.meridian)
        area.set_linewidth(0.0)
        axes.contour(az, flat, band, levels=[0.0], colors=[palette.meridian], linewidths=1.0)
    horizon = request.horizon
    fine = np.asarray(np.linspace(0.0, 360.0, 1441) * DEG, dtype=np.float64)
    skyline = np.clip(horizon.skyline(fine), 0.0, HALF_PI)
    axes.fill_between(
        fine, HALF_PI - skyline, HALF_PI, facecolor=palette.blocked, linewidth=0.0, zorder=2,
        hatch=HATCH_BLOCKED, edgecolor=palette.hatch,
    )  # fmt: skip
    axes.plot(fine, HALF_PI - skyline, color=palette.ink, linewidth=1.4, zorder=3)
    if horizon.upper_deg is not None:
        top = np.clip(horizon.overhang(fine), 0.0, HALF_PI)
        axes.fill_between(
            fine, 0.0, HALF_PI - top, facecolor=palette.overhang, linewidth=0.0, zorder=2,
            hatch=HATCH_BLOCKED, edgecolor=palette.hatch,
        )  # fmt: skip
        shown = np.where(top < HALF_PI - 1e-9, HALF_PI - top, np.nan)
        axes.plot(fine, shown, color=palette.ink, linewidth=1.4, zorder=3)
    for window in horizon.windows:
        a = window.azimuth_from_deg * DEG
        side = np.linspace(a, a + window.width_deg * DEG, 60)
        low, high = max(0.0, window.altitude_from_deg * DEG), window.altitude_to_deg * DEG
        axes.fill_between(
            side, HALF_PI - low, HALF_PI - high, facecolor=palette.window, alpha=0.75,
            edgecolor=palette.ink, linewidth=1.0, zorder=2.5, hatch=HATCH_WINDOW,
        )  # fmt: skip


def _rings(axes: Any, request: PlanRequest, palette: Palette, labels: Labels) -> None:
    """Circles of altitude, labelled where nothing is in the way."""
    turn = np.linspace(0.0, 2.0 * math.pi, 361)
    low = request.sky.altitude_min_deg
    first_deg = 225.0 if not request.site.southern else 315.0
    box = {"facecolor": palette.paper, "alpha": 0.72, "edgecolor": "none", "pad": 1.2}
    heights = [(h, f"{h:.0f}°", False) for h in (30.0, 60.0) if abs(h - low) > 7.0]
    for height, name, least in [(low, say("min {low:.0f}°", low=low), True), *heights]:
        radius = (90.0 - height) * DEG
        axes.plot(
            turn, np.full(361, radius), color=palette.ink if least else palette.faint,
            lw=1.1 if least else 0.8, ls=(0, (5, 4)) if least else "-", zorder=4,
        )  # fmt: skip
        start = first_deg + (14.0 if least else 0.0)
        places = [
            ((start + 6.0 * ((k + 1) // 2) * (1 if k % 2 else -1)) * DEG, radius) for k in range(60)
        ]
        label = axes.text(
            *places[0], name, fontsize=13, color=palette.ink, ha="center", va="center",
            bbox=box, zorder=6,
        )  # fmt: skip
        labels.add(label, places)
    pole_az = math.pi if request.site.southern else 0.0
    pole_r = HALF_PI - abs(request.site.latitude)
    axes.plot([pole_az], [pole_r], marker="+", ms=13, mew=2.0, color=palette.ink, zorder=6)
    pole = axes.annotate(
        say("pole"), (pole_az, pole_r), xytext=(-26, 12), textcoords="offset points",
        fontsize=13, ha="center", va="center", color=palette.ink, zorder=6,
    )  # fmt: skip
    _keep_free(axes, labels, pole_az, pole_r, 7.0)
    labels.add(pole, around((-26.0, 12.0)))


def _bodies(axes: Any, outlook: Outlook, palette: Palette, labels: Labels) -> None:
    state = outlook.states[1]
    rules = outlook.request.rules
    if outlook.sun_counts:
        reach = (rules.sky.sun_avoid_deg + rules.pointing_margin_deg) * DEG
        round_az, round_alt = azalt_from_enu(_circle(state.sun_enu, reach))
        axes.plot(
            round_az, np.where(round_alt > 0.0, HALF_PI - round_alt, np.nan), color=palette.warning,
            lw=2.0, ls="--", zorder=5,
        )  # fmt: skip
    for name, enu, colour, marker in (
        (say("Sun"), state.sun_enu, palette.warning, "o"),
        (
            say("Moon {moon_fraction:.0f} %", moon_fraction=100.0 * state.moon_fraction),
            state.moon_enu,
            palette.moon,
            "D",
        ),
    ):
        azimuth, altitude = (float(x) for x in azalt_from_enu(enu))
        if altitude <= 0.0:
            continue
        axes.plot(
            [azimuth], [HALF_PI - altitude], marker=marker, ms=15, color=colour,
            mec=palette.ink, mew=1.2, zorder=7,
        )  # fmt: skip
        label = axes.annotate(
            name, (azimuth, HALF_PI - altitude), xytext=(0, -22), textcoords="offset points",
            fontsize=14, ha="center", va="center", color=palette.ink, zorder=7,
            bbox={"facecolor": palette.paper, "alpha": 0.7, "edgecolor": "none", "pad": 1.0},
        )  # fmt: skip
        _keep_free(axes, labels, azimuth, HALF_PI - altitude, 9.0)
        labels.add(label, around((0.0, -22.0), (1.0, 1.6, 2.2, 3.0, 4.0)))


def _keep_free(axes: Any, labels: Labels, theta: float, radius: float, size_pt: float) -> None:
    x, y = axes.transData.transform((theta, radius))
    labels.keep_free(float(x), float(y), size_pt * axes.figure.dpi / 72.0)


def _circle(centre: Vector, radius: float) -> Vector:
    helper = np.array([0.0, 0.0, 1.0]) if abs(centre[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    a = np.cross(centre, helper)
    a /= np.linalg.norm(a)
    b = np.cross(centre, a)
    t = np.linspace(0.0, 2.0 * math.pi, 361)[:, None]
    ring = math.cos(radius) * centre + math.sin(radius) * (np.cos(t) * a + np.sin(t) * b)
    return np.asarray(ring, dtype=np.float64)


def _sweep(
    axes: Any,
    request: PlanRequest,
    plan: SweepPlan,
    number: int,
    palette: Palette,
) -> None:
    first, last = plan.points[0].hour_angle, plan.points[-1].hour_angle
    arc = np.linspace(first, last, 120)
    azimuth, altitude = azalt_from_enu(enu_from_hour_angle_dec(request.site, arc, plan.declination))
    azimuth = np.unwrap(azimuth)
    best = number == 0
    colour = palette.first if best else palette.second
    axes.plot(
        azimuth, HALF_PI - altitude, color=colour, lw=4.0 if best else 2.0,
        alpha=1.0 if best else 0.85, zorder=9 if best else 8, solid_capstyle="round",
    )  # fmt: skip
    dots = np.array([[p.azimuth, HALF_PI - p.altitude] for p in plan.points])
    axes.plot(
        dots[:, 0], dots[:, 1], "o", ms=9 if best else 6, color=colour, mec=palette.paper, mew=1.0,
        zorder=10 if best else 8,
    )  # fmt: skip


def _tags(axes: Any, plans: Sequence[SweepPlan], palette: Palette, labels: Labels) -> None:
    """Number the best sweep's points, and give every other sweep its letter."""
    for number, plan in enumerate(plans):
        dots = np.array([[p.azimuth, HALF_PI - p.altitude] for p in plan.points])
        for dot in dots:
            _keep_free(axes, labels, float(dot[0]), float(dot[1]), 4.5 if number == 0 else 3.0)
        offsets = _label_places(axes, dots, 34.0)
        if number == 0:
            for i, (dot, offset) in enumerate(zip(dots, offsets, strict=True)):
                _tag(axes, str(i + 1), dot, offset, labels, palette.first, palette.on_first)
        else:
            middle = len(dots) // 2
            _tag(
                axes, LETTERS[number], dots[middle], offsets[middle], labels, palette.paper,
                palette.second,
            )  # fmt: skip


def _tag(
    axes: Any, text: str, dot: Vector, offset: Vector, labels: Labels, face: str, ink: str
) -> None:
    edge = face if text.isdigit() else ink
    label = axes.annotate(
        text, (dot[0], dot[1]), xytext=(offset[0], offset[1]), textcoords="offset points",
        ha="center", va="center", fontsize=15, fontweight="bold", color=ink, zorder=12,
        bbox={"boxstyle": "circle,pad=0.22", "facecolor": face, "edgecolor": edge, "lw": 1.4},
        arrowprops={"arrowstyle": "-", "color": edge, "lw": 1.2, "shrinkA": 0, "shrinkB": 3},
    )  # fmt: skip
    labels.add(label, around((float(offset[0]), float(offset[1]))))


def _label_places(axes: Any, dots: Vector, spacing_pt: float) -> Vector:
    """Offsets (n, 2) in points that put labels beside an arc, none on another.

    Labels stand on the outer side of the arc and are spread along it where points crowd.
    """
    per_point = 72.0 / axes.figure.dpi
    xy = axes.transData.transform(dots) * per_point
    along = xy[-1] - xy[0]
    length = float(np.hypot(*along)) or 1.0
    along = along / length
    across = np.array([-along[1], along[0]])
    middle = xy[len(xy) // 2]
    chord = 0.5 * (xy[0] + xy[-1])
    centre = axes.transData.transform((0.0, 0.0)) * per_point
    bend = float((middle - chord) @ across)
    outward = bend if abs(bend) > 2.0 else float((middle - centre) @ across)
    across = across if outward >= 0.0 else -across
    s = (xy - chord) @ along
    spread = max(spacing_pt * (len(xy) - 1), float(s[-1] - s[0]))
    wanted = np.linspace(-0.5 * spread, 0.5 * spread, len(xy))
    # Beyond the most bent point, so that a leader never crosses the arc.
    height = max(float(np.max((xy - chord) @ across)), 0.0) + 28.0
    if spread > spacing_pt * (len(xy) - 1):
        return np.asarray(np.tile(across * 24.0, (len(xy), 1)), dtype=np.float64)
    target = chord + wanted[:, None] * along + height * across
    return np.asarray(target - xy, dtype=np.float64)


def _words(figure: Figure, outlook: Outlook, plans: Sequence[SweepPlan], palette: Palette) -> None:
    """Say above the sky what is drawn, and below it what each sweep is."""
    request = outlook.request
    when = datetime.fromtimestamp(request.utc_s, tz=UTC).strftime("%Y-%m-%d %H:%M UTC")
    if plans:
        best = plans[0]
        title = say(
            "{points} points, {step:g}° steps {way}, {side} side: ±{sigma}",
            points=len(best.points),
            step=best.step / DEG,
            way=best.way,
            side=best.side,
            sigma=angle_text(best.sigma),
        )
    else:
        title = say("Usable sky")
    lines = [_line(number, plan) for number, plan in enumerate(plans[:5])]
    if not lines:
        sun_alt = float(azalt_from_enu(outlook.states[0].sun_enu)[1]) / DEG
        lines = [say("Sun at altitude {sun_alt:+.0f}°", sun_alt=sun_alt)]
    under = say("{when}   lying on your back: north up, east left", when=when)
    written_lines = [(0.979, title, 16, True, palette.ink), (0.953, under, 13, False, palette.ink)]
    for i, line in enumerate(lines):
        bold = i == 0 and bool(plans)
        colour = palette.first if bold else palette.ink
        written_lines.append((0.121 - 0.0265 * i, line, 13, bold, colour))
    texts = [
        figure.text(
            0.5, y, text, ha="center", va="center", fontsize=size, color=colour,
            fontweight="bold" if bold else "normal",
        )
        for y, text, size, bold, colour in written_lines
    ]  # fmt: skip
    shrunk_to_fit(figure, texts)


def _legend(figure: Figure, outlook: Outlook, palette: Palette) -> None:
    """Name the areas and lines that are drawn, in one row as wide as the figure at most."""
    request = outlook.request
    handles: list[Any] = [
        Patch(facecolor=palette.usable, edgecolor=palette.ink, label=say("usable")),
        Patch(facecolor=palette.sky, edgecolor=palette.ink, label=say("too near a limit")),
        Patch(
            facecolor=palette.blocked, edgecolor=palette.hatch, hatch=2 * HATCH_BLOCKED,
            label=say("blocked"),
        ),
    ]  # fmt: skip
    if request.mount.meridian_buffer_deg is not None:
        handles.append(
            Patch(
                facecolor=(palette.meridian, 0.3), edgecolor=palette.meridian,
                hatch=2 * HATCH_MERIDIAN, label=say("meridian"),
            )
        )  # fmt: skip
    if request.horizon.windows:
        handles.append(
            Patch(
                facecolor=palette.window, edgecolor=palette.ink, hatch=2 * HATCH_WINDOW,
                label=say("forbidden"),
            )
        )  # fmt: skip
    if outlook.sun_counts:
        handles.append(
            Line2D([], [], color=palette.warning, ls="--", lw=2.0, label=say("Sun limit"))
        )
    legend = figure.legend(
        handles=handles, loc="upper center", bbox_to_anchor=(0.5, 0.172), ncols=len(handles),
        fontsize=12, frameon=False, handlelength=1.4, columnspacing=0.9, handletextpad=0.4,
    )  # fmt: skip
    for text in legend.get_texts():
        text.set_color(palette.ink)
    translate_figure(figure)
    figure.draw_without_rendering()
    wide = legend.get_window_extent().width / (0.98 * figure.bbox.width)
    if wide > 1.0:  # a little more, for the coloured fields keep their size
        for text in legend.get_texts():
            text.set_fontsize(12.0 / (1.2 * wide))


def _line(number: int, plan: SweepPlan) -> str:
    name = "best" if number == 0 else LETTERS[number]
    start = plan.points[0]
    return say(
        "{name}: az {azimuth:.0f}° alt {altitude:.0f}°, {points} points {step:g}° apart "
        "{way}, ±{sigma}, {duration_s:.1f} min",
        name=name,
        azimuth=start.azimuth / DEG,
        altitude=start.altitude / DEG,
        points=len(plan.points),
        step=plan.step / DEG,
        way=plan.way,
        sigma=angle_text(plan.sigma),
        duration_s=plan.duration_s / 60.0,
    )
