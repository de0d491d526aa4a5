"""Every chart beside the sky's: labels apart by the renderer's boxes, and red alone at night."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread

from polewright.calculation.drift.model import SkyDrift
from polewright.calculation.drift.plot import FieldCurves, drift_plot_figure
from polewright.calculation.figures import (
    DAY,
    NIGHT,
    night_variables,
    overlapping,
    with_themes,
    written,
)
from polewright.calculation.sky.site import Atmosphere
from polewright.calculation.tolerance.imaging import Imaging, SkyOver
from polewright.calculation.tolerance.picture import trail_figure
from polewright.foundation import language
from polewright.foundation.angles import ARCMIN, ARCSEC
from polewright.records.history.errors import TooFewRuns
from polewright.records.history.plot import Lines, drift_figure
from polewright.records.history.trend import AxisSeries, fit_trend

Made = Callable[[bool], Figure]


def series(start_s: float, runs: int, first: tuple[float, float], each: float, days: float) -> Any:
    at: Any = np.arange(runs)
    dice = np.random.default_rng(runs)
    error = np.array(first) + at[:, None] * each + dice.normal(0.0, 0.1, (runs, 2))
    return AxisSeries(
        start_s + at * days * 86400.0, error, np.tile(np.diag([2.5e-3, 2.5e-3]), (runs, 1, 1))
    )


def history(name: str) -> Made:
    now = series(1.79e9, 1 if name == "one run" else 12, (0.2, -0.1), 0.04, 9.0)
    before = [series(1.78e9, 5, (60.0, -40.0), -2.0, 9.0)] if name == "decades" else []
    lines = Lines(1.0, 1.05 if name == "two lines" else None)
    try:
        trend = fit_trend(now)
    except TooFewRuns:
        trend = None
    return lambda night: drift_figure("Ropewalk 7", now, before, trend, lines, night=night)


def drift(fields: int) -> Made:
    seconds = np.arange(0.0, 600.0, 20.0)

    def way(slope: float) -> SkyDrift:
        return SkyDrift(
            seconds, slope * seconds * ARCSEC, 0.0 * seconds, 0.3 * slope * seconds * ARCSEC
        )

    curves = [
        FieldCurves(
            f"field {number}: altitude 45 deg, azimuth 180 deg",
            way(0.01), way(0.011), way(0.02), np.full(len(seconds), 0.5 * ARCSEC),
        )
        for number in range(fields)
    ]  # fmt: skip
    title = "The drift agrees with the sweep: the axis is 1.2 arcmin off, within 0.4 arcmin. " * 3
    return lambda night: drift_plot_figure(curves, title, night=night)


def trails(exposure_s: float) -> Made:
    return lambda night: trail_figure(
        Imaging(500.0, 4.0, exposure_s), 3.0 * ARCMIN, -4.0 * ARCMIN,
        SkyOver(44.6, Atmosphere.standard(420.0)), 1.0, night=night,
    )  # fmt: skip


CHARTS = {
    "months of one scale": history("months"),
    "from degrees to seconds": history("decades"),
    "two lines side by side": history("two lines"),
    "one run": history("one run"),
    "drift of one field": drift(1),
    "drift of two fields": drift(2),
    "trails": trails(60.0),
    "long trails": trails(600.0),
}


@pytest.mark.parametrize("name", list(CHARTS))
def test_labels_stand_apart_and_the_night_is_red(name) -> None:
    """In both languages; at night green and blue are 0 in every pixel."""
    for code in ("en", "de"):
        with language.speaking(code):
            assert overlapping(CHARTS[name](False)) == [], code
    image = imread(io.BytesIO(written(CHARTS[name](True), "png")))
    assert np.all(image[..., 1:3] == 0.0)
    assert image[..., 0].max() > 0.9


def test_a_night_of_degrees_does_not_hide_the_rest() -> None:
    """Where the errors span more than a factor of ten the scales are logarithmic; else not."""
    far, near = CHARTS["from degrees to seconds"](False), CHARTS["months of one scale"](False)

    assert [axes.get_yscale() for axes in far.axes] == ["symlog", "log"]
    assert [axes.get_yscale() for axes in near.axes] == ["linear", "linear"]
    for figure in (far, near):
        low, high = figure.axes[1].get_ylim()
        assert low < 1.0 < high  # the tolerance is seen


def test_a_pages_style_sheet_turns_a_days_chart_into_the_nights() -> None:
    """Each colour of the day has a variable of its own, and the night's holds red alone."""
    day = [x for x in vars(DAY).values() if isinstance(x, str)] + list(DAY.steps)
    night = [x for x in vars(NIGHT).values() if isinstance(x, str)] + list(NIGHT.steps)
    svg = with_themes(written(CHARTS["trails"](False), "svg").decode())

    assert len(set(day)) == len(day)
    assert all(colour[3:] == "0000" for colour in night)
    assert f"var(--chart-ink,{DAY.ink})" in svg
    assert f"--chart-ink:{NIGHT.ink};" in night_variables()
    assert not any(f": {colour}" in svg for colour in day)
