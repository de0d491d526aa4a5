"""The drift as a picture: measured points, the fit, and what the predicted axis gives."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from polewright.calculation.drift.model import SkyDrift
from polewright.foundation.angles import ARCSEC
from polewright.foundation.language import say, translate_figure

DAY = {"paper": "#ffffff", "ink": "#1c2430", "faint": "#8a94a3", "measured": "#1f4e9c",
       "fit": "#1c2430", "predicted": "#b3123a"}  # fmt: skip
NIGHT = {"paper": "#000000", "ink": "#ff4a3d", "faint": "#93291f", "measured": "#ff6a55",
         "fit": "#d0382c", "predicted": "#ffb0a8"}  # fmt: skip


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
    picture: Literal["svg", "png"] = "svg",
) -> bytes:
    """Draw declination drift and roll against time, one column a field. No global state."""
    colours = NIGHT if night else DAY
    figure = Figure(figsize=(4.6 * max(1, len(fields)) + 1.0, 6.4), facecolor=colours["paper"])
    FigureCanvasAgg(figure)
    axes = figure.subplots(2, max(1, len(fields)), squeeze=False, sharex="col")
    for column, field in enumerate(fields):
        _panel(axes[0][column], field, "declination", colours)
        _panel(axes[1][column], field, "roll", colours)
        axes[0][column].set_title(field.name, color=colours["ink"], fontsize=11)
        axes[1][column].set_xlabel("minutes", color=colours["ink"])
    axes[0][0].set_ylabel(say("declination drift (arcsec)"), color=colours["ink"])
    axes[1][0].set_ylabel(say("roll (arcsec)"), color=colours["ink"])
    axes[0][0].legend(
        facecolor=colours["paper"], edgecolor=colours["faint"], labelcolor=colours["ink"]
    )
    figure.suptitle(title, color=colours["ink"], fontsize=11, wrap=True)
    figure.tight_layout(rect=(0.0, 0.0, 1.0, 0.93))
    out = io.BytesIO()
    translate_figure(figure)
    figure.savefig(out, format=picture, dpi=110, facecolor=colours["paper"])
    return out.getvalue()


def _panel(axes: Any, field: FieldCurves, what: str, colours: dict[str, str]) -> None:
    minutes = field.measured.seconds / 60.0
    measured = getattr(field.measured, what) / ARCSEC
    fitted = getattr(field.fitted, what) / ARCSEC
    # Curves pass through the middle of the points, not through the noise of the first one.
    lift = float(np.median(measured - fitted))
    axes.set_facecolor(colours["paper"])
    if what == "declination":
        axes.errorbar(
            minutes, measured, yerr=field.sigma_declination / ARCSEC, fmt=".", ms=4, lw=0.7,
            color=colours["measured"], label="measured",
        )  # fmt: skip
    else:
        axes.plot(minutes, measured, ".", ms=4, color=colours["measured"], label="measured")
    axes.plot(minutes, fitted + lift, "-", lw=1.2, color=colours["fit"], label=say("fitted axis"))
    if field.predicted is not None:
        curve = getattr(field.predicted, what) / ARCSEC
        middle = float(np.mean(fitted - curve)) + lift
        axes.plot(
            minutes, curve + middle, "--", lw=1.6, color=colours["predicted"],
            label=say("predicted axis"),
        )  # fmt: skip
    axes.tick_params(colors=colours["ink"])
    for spine in axes.spines.values():
        spine.set_color(colours["faint"])
