"""A picture of a pier's axis over months, as SVG or PNG."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import matplotlib.dates
import matplotlib.ticker
import numpy as np
from matplotlib.figure import Figure

from polewright.calculation.figures import (
    Labels,
    Palette,
    Picture,
    dress,
    new_figure,
    palette_of,
    shrunk_to_fit,
    written,
)
from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.language import say
from polewright.records.history.trend import AxisSeries, Trend

_mpl_dates: Any = matplotlib.dates  # has no types
_mpl_ticker: Any = matplotlib.ticker
#: From this ratio of the largest to the smallest value on, a scale is logarithmic (own choice).
DECADE = 10.0
#: Of a signed scale without a tolerance: within this it stays linear, arcmin (own choice).
LINEAR_ARCMIN = 1.0
#: What was measured within so long is drawn in a whole day.
ONE_TIME_S = 600.0


@dataclass(frozen=True)
class Lines:
    """Limits that are drawn beside the total, arcmin."""

    tolerance_arcmin: float | None = None
    alarm_arcmin: float | None = None


def drift_picture(
    pier: str,
    series: AxisSeries,
    earlier: Sequence[AxisSeries] = (),
    trend: Trend | None = None,
    lines: Lines | None = None,
    *,
    night: bool = False,
    picture: Picture = "svg",
) -> bytes:
    """Draw altitude and azimuth error, and the total, over time.

    Args:
        pier: its name.
        series: since the adjusters were last turned; drawn boldly, with the trend.
        earlier: what was before, drawn hollow and faintly.
        trend: of ``series``.
        lines: what the total is compared with.
        night: red on black.
        picture: file format of the bytes returned.
    """
    return written(drift_figure(pier, series, earlier, trend, lines, night=night), picture)


def drift_figure(
    pier: str,
    series: AxisSeries,
    earlier: Sequence[AxisSeries] = (),
    trend: Trend | None = None,
    lines: Lines | None = None,
    *,
    night: bool = False,
) -> Figure:
    """Return the figure of `drift_picture`, not yet written."""
    palette = palette_of(night=night)
    lines = lines or Lines()
    figure = new_figure(9.0, 6.6, palette)
    labels = Labels(figure)
    upper = figure.add_axes((0.1, 0.42, 0.87, 0.44))
    lower = figure.add_axes((0.1, 0.1, 0.87, 0.25), sharex=upper)
    for axes in (upper, lower):
        dress(axes, palette)
    for old in earlier:
        _points(upper, old, 0, palette, bold=False)
        _points(upper, old, 1, palette, bold=False)
        _total(lower, old, palette, bold=False)
    _points(upper, series, 0, palette, bold=True)
    _points(upper, series, 1, palette, bold=True)
    _total(lower, series, palette, bold=True)
    if trend is not None:
        t = np.linspace(series.utc_s[0], series.utc_s[-1], 400)
        model = trend.predict(t)
        upper.plot(_dates(t), model[:, 0], color=palette.second, lw=1.6, ls="--")
        upper.plot(_dates(t), model[:, 1], color=palette.first, lw=1.6)
        lower.plot(_dates(t), np.linalg.norm(model, axis=1), color=palette.ink, lw=1.6)
    upper.axhline(0.0, color=palette.faint, lw=0.8)
    _scales(upper, lower, [series, *earlier], lines)
    for one in (series, *earlier):
        totals = np.linalg.norm(one.error.reshape(-1, 2), axis=1)
        for x, y in lower.transData.transform(np.column_stack([_dates(one.utc_s), totals])):
            labels.keep_free(float(x), float(y), 6.0)
    for value, name, colour, style in (
        (lines.tolerance_arcmin, "tolerance", palette.ink, (0, (6, 3))),
        (lines.alarm_arcmin, "alarm", palette.warning, (0, (1, 1.5))),
    ):
        if value is not None:
            words = (
                say("alarm {limit_arcmin}", limit_arcmin=arcmin_text(value))
                if name == "alarm"
                else say("tolerance {tolerance}", tolerance=arcmin_text(value))
            )
            _limit(lower, value, words, colour, style, labels)
    upper.set_ylabel(say("axis minus pole, arcmin"), fontsize=11)
    upper.legend(frameon=False, fontsize=11, loc="best", labelcolor=palette.ink)
    upper.tick_params(labelbottom=False)
    lower.set_ylabel(say("total, arcmin"), fontsize=11)
    locator = _mpl_dates.AutoDateLocator(minticks=4, maxticks=8)
    lower.xaxis.set_major_locator(locator)
    lower.xaxis.set_major_formatter(_mpl_dates.ConciseDateFormatter(locator))
    lower.xaxis.get_offset_text().set_color(palette.ink)
    for axes in (upper, lower):
        axes.spines[["top", "right"]].set_visible(False)
    head = figure.text(
        0.1, 0.945, say("Polar axis of {pier}", pier=pier), fontsize=15, fontweight="bold",
        color=palette.ink, va="center",
    )  # fmt: skip
    words = (
        trend.sentence
        if trend is not None
        else say("Hollow: before the adjusters were last turned.")
    )
    told = figure.text(0.1, 0.9, words, fontsize=11, color=palette.ink, va="center")
    shrunk_to_fit(figure, (head, told), 0.88)
    labels.settle()
    return figure


def _scales(upper: Any, lower: Any, all_series: Sequence[AxisSeries], lines: Lines) -> None:
    """Choose logarithmic scales where a first night's degrees would hide the rest."""
    errors = np.concatenate([one.error.reshape(-1, 2) for one in all_series])
    totals = np.linalg.norm(errors, axis=1)
    beside = [x for x in (lines.tolerance_arcmin, lines.alarm_arcmin) if x is not None]
    most = max([float(totals.max(initial=0.0)), *beside])
    seen = totals[totals > 0.0]
    if seen.size and seen.max() > DECADE * seen.min():
        linear = lines.tolerance_arcmin or LINEAR_ARCMIN
        lower.set_yscale("log")
        lower.set_ylim(0.6 * min(float(seen.min()), *beside, linear), 2.0 * most)
        upper.set_yscale("symlog", linthresh=linear)
        reach = float(np.abs(errors).max())
        upper.set_ylim(
            *(
                sign * 2.0 * max(linear, sign * float(x))
                for sign, x in ((-1.0, errors.min()), (1.0, errors.max()))
            )
        )
        first, last = math.ceil(math.log10(linear)), math.ceil(math.log10(max(reach, linear)))
        decades = 10.0 ** np.arange(first, last + 1)
        upper.yaxis.set_major_locator(_mpl_ticker.FixedLocator([*-decades[::-1], 0.0, *decades]))
    elif most > 0.0:
        lower.set_ylim(0.0, 1.2 * most)
    times = np.concatenate([one.utc_s for one in all_series])
    if times.size and times.max() - times.min() < ONE_TIME_S:
        middle = _dates([0.5 * (times.max() + times.min())])[0]
        lower.set_xlim(middle - 0.5, middle + 0.5)
    for axes in (upper, lower):
        if axes.get_yscale() != "linear":
            axes.yaxis.set_major_formatter(_mpl_ticker.FuncFormatter(lambda v, _at: f"{v:g}"))
            axes.yaxis.set_minor_formatter(_mpl_ticker.NullFormatter())


def _limit(axes: Any, value: float, words: str, colour: str, style: Any, labels: Labels) -> None:
    axes.axhline(value, color=colour, lw=1.6, ls=style)
    label = axes.annotate(
        words, (0.995, value), xytext=(0.0, 9.0), ha="right", va="center", color=colour,
        fontsize=11, xycoords=("axes fraction", "data"), textcoords="offset points",
        bbox={"facecolor": axes.get_facecolor(), "alpha": 0.8, "edgecolor": "none", "pad": 0.5},
    )  # fmt: skip
    places = [(-150.0 * k, side) for k in range(4) for side in (9.0, -9.0)]
    labels.add(label, places)


def _dates(utc_s: Any) -> Any:
    return _mpl_dates.date2num([datetime.fromtimestamp(float(t), UTC) for t in utc_s])


def _points(axes: Any, series: AxisSeries, which: int, palette: Palette, *, bold: bool) -> None:
    """Azimuth as squares, altitude as triangles; what was before is hollow."""
    if not len(series.utc_s):
        return
    marker, colour, label = (
        ("s", palette.second, say("azimuth on the sky (+ east)")),
        ("^", palette.first, say("altitude (+ high)")),
    )[which]
    axes.errorbar(
        _dates(series.utc_s), series.error[:, which], color=colour if bold else palette.faint,
        fmt=marker, ms=6, mfc=colour if bold else "none",
        yerr=np.sqrt(series.covariance[:, which, which]), capsize=3, label=label if bold else None,
    )  # fmt: skip


def _total(axes: Any, series: AxisSeries, palette: Palette, *, bold: bool) -> None:
    if len(series.utc_s):
        colour = palette.ink if bold else palette.faint
        axes.plot(
            _dates(series.utc_s), np.linalg.norm(series.error, axis=1), "o", ms=5, color=colour,
            mfc=colour if bold else "none",
        )  # fmt: skip
