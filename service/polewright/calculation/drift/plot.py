"""The drift as a picture: measured points, the fit, and what the predicted axis gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from polewright.calculation.drift.model import SkyDrift
from polewright.calculation.figures import (
    Palette,
    Picture,
    box_of,
    dress,
    new_figure,
    palette_of,
    written,
)
from polewright.foundation.angles import ARCSEC
from polewright.foundation.language import say, translate_figure


@dataclass(frozen=True, eq=False)
class FieldCurves:
    """What is drawn of one field."""

    name: str
    measured: SkyDrift
    fitted: SkyDrift
    predicted: SkyDrift | None
    sigma_declination: NDArray[np.float64]
    """(n,) rad, of each frame."""


def drift_plot(
    fields: Sequence[FieldCurves],
    title: str,
    *,
    night: bool = False,
    picture: Picture = "svg",
) -> bytes:
    """Draw declination drift and roll against time, one column a field. No global state."""
    return written(drift_plot_figure(fields, title, night=night), picture)


def drift_plot_figure(fields: Sequence[FieldCurves], title: str, *, night: bool = False) -> Figure:
    """Return the figure of `drift_plot`, not yet written."""
    palette = palette_of(night=night)
    figure = new_figure(4.6 * max(1, len(fields)) + 1.0, 6.4, palette)
    axes = figure.subplots(2, max(1, len(fields)), squeeze=False, sharex="col")
    for column, field in enumerate(fields):
        _panel(axes[0][column], field, "declination", palette)
        _panel(axes[1][column], field, "roll", palette)
        axes[0][column].set_title(field.name, color=palette.ink, fontsize=11)
        axes[1][column].set_xlabel("minutes", color=palette.ink)
    axes[0][0].set_ylabel(say("declination drift (arcsec)"), color=palette.ink)
    axes[1][0].set_ylabel(say("roll (arcsec)"), color=palette.ink)
    axes[0][0].legend(facecolor=palette.paper, edgecolor=palette.faint, labelcolor=palette.ink)
    translate_figure(figure)
    head = figure.suptitle(title, color=palette.ink, fontsize=11, wrap=True)
    head.set_in_layout(False)
    below = box_of(head).y0 / figure.bbox.height
    figure.tight_layout(rect=(0.0, 0.0, 1.0, below - 0.01))
    for row in axes:
        name, most = row[0].yaxis.label, row[0].bbox.height
        if box_of(name).height > most:
            name.set_fontsize(0.95 * name.get_fontsize() * most / box_of(name).height)
    return figure


def _panel(axes: Any, field: FieldCurves, what: str, palette: Palette) -> None:
    minutes = field.measured.seconds / 60.0
    measured = getattr(field.measured, what) / ARCSEC
    fitted = getattr(field.fitted, what) / ARCSEC
    # Curves pass through the middle of the points, not through the noise of the first one.
    lift = float(np.median(measured - fitted))
    dress(axes, palette)
    if what == "declination":
        axes.errorbar(
            minutes, measured, yerr=field.sigma_declination / ARCSEC, fmt=".", ms=4, lw=0.7,
            color=palette.second, label="measured",
        )  # fmt: skip
    else:
        axes.plot(minutes, measured, ".", ms=4, color=palette.second, label="measured")
    axes.plot(minutes, fitted + lift, "-", lw=1.2, color=palette.ink, label=say("fitted axis"))
    if field.predicted is not None:
        curve = getattr(field.predicted, what) / ARCSEC
        middle = float(np.mean(fitted - curve)) + lift
        axes.plot(
            minutes, curve + middle, "--", lw=1.6, color=palette.first,
            label=say("predicted axis"),
        )  # fmt: skip
