"""A picture of a pier's axis over months, as SVG or PNG."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Literal

import matplotlib.dates
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from polewright.foundation.angle_text import arcmin_text
from polewright.foundation.language import say, translate_figure
from polewright.records.history.trend import AxisSeries, Trend

_mpl_dates: Any = matplotlib.dates  # has no types
INK, FAINT, ALT, AZ, LIMIT = "#1c2430", "#8a94a3", "#b3123a", "#1f4e9c", "#c77700"


def drift_picture(
    pier: str,
    series: AxisSeries,
    earlier: Sequence[AxisSeries] = (),
    trend: Trend | None = None,
    limit_arcmin: float | None = None,
    *,
    picture: Literal["svg", "png"] = "svg",
) -> bytes:
    """Draw altitude and azimuth error, and the total, over time.

    Args:
        pier: its name.
        series: since the adjusters were last turned; drawn boldly, with the trend.
        earlier: what was before, drawn faintly.
        trend: of ``series``.
        limit_arcmin: alarm limit of the total.
        picture: file format of the bytes returned.
    """
    figure = Figure(figsize=(9.0, 6.6), facecolor="#ffffff")
    FigureCanvasAgg(figure)
    upper = figure.add_axes((0.09, 0.42, 0.88, 0.44))
    lower = figure.add_axes((0.09, 0.1, 0.88, 0.25), sharex=upper)
    for old in earlier:
        _points(upper, old, 0, FAINT, 0.6, None)
        _points(upper, old, 1, FAINT, 0.6, None)
        _total(lower, old, FAINT)
    _points(upper, series, 0, AZ, 1.0, say("azimuth on the sky (+ east)"))
    _points(upper, series, 1, ALT, 1.0, say("altitude (+ high)"))
    _total(lower, series, INK)
    if trend is not None:
        t = np.linspace(series.utc_s[0], series.utc_s[-1], 400)
        model = trend.predict(t)
        upper.plot(_dates(t), model[:, 0], color=AZ, lw=1.6)
        upper.plot(_dates(t), model[:, 1], color=ALT, lw=1.6)
        lower.plot(_dates(t), np.linalg.norm(model, axis=1), color=INK, lw=1.6)
    if limit_arcmin is not None:
        lower.axhline(limit_arcmin, color=LIMIT, lw=1.8, ls="--")
        lower.annotate(
            say("alarm {limit_arcmin}", limit_arcmin=arcmin_text(limit_arcmin)),
            (0.99, limit_arcmin),
            xytext=(0, 3),
            ha="right",
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            color=LIMIT,
            fontsize=11,
        )
    upper.axhline(0.0, color=FAINT, lw=0.8)
    upper.set_ylabel(say("axis minus pole, arcmin"), fontsize=11)
    upper.legend(frameon=False, fontsize=11, loc="best")
    upper.tick_params(labelbottom=False)
    lower.set_ylim(bottom=0.0)
    lower.set_ylabel(say("total, arcmin"), fontsize=11)
    locator = _mpl_dates.AutoDateLocator(minticks=4, maxticks=9)
    lower.xaxis.set_major_locator(locator)
    lower.xaxis.set_major_formatter(_mpl_dates.ConciseDateFormatter(locator))
    for axes in (upper, lower):
        axes.spines[["top", "right"]].set_visible(False)
    figure.text(
        0.09,
        0.945,
        say("Polar axis of {pier}", pier=pier),
        fontsize=15,
        fontweight="bold",
        color=INK,
        va="center",
    )
    words = (
        trend.sentence if trend is not None else say("Grey: before the adjusters were last turned.")
    )
    figure.text(0.09, 0.9, words, fontsize=11, color=INK, va="center")
    out = io.BytesIO()
    metadata = {"Date": None} if picture == "svg" else None
    translate_figure(figure)
    figure.savefig(out, format=picture, dpi=110, metadata=metadata)
    return out.getvalue()


def _dates(utc_s: Any) -> Any:
    return _mpl_dates.date2num([datetime.fromtimestamp(float(t), UTC) for t in utc_s])


def _points(
    axes: Any, series: AxisSeries, which: int, colour: str, alpha: float, label: str | None
) -> None:
    if not len(series.utc_s):
        return
    axes.errorbar(
        _dates(series.utc_s), series.error[:, which], alpha=alpha, color=colour, fmt="o", ms=5,
        yerr=np.sqrt(series.covariance[:, which, which]), capsize=3, label=label,
    )  # fmt: skip


def _total(axes: Any, series: AxisSeries, colour: str) -> None:
    if len(series.utc_s):
        axes.plot(
            _dates(series.utc_s), np.linalg.norm(series.error, axis=1), "o", ms=5, color=colour
        )
