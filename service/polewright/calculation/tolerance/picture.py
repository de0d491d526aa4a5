"""A picture of trail length over the sky for one axis error, as SVG or PNG."""

from __future__ import annotations

import io
import math
from typing import Literal

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from polewright.calculation.tolerance.imaging import LOWEST, MOST_DECLINATION_DEG, Imaging, SkyOver
from polewright.calculation.tolerance.tolerance import trail_map
from polewright.foundation.angle_text import angle_text, arcmin_text
from polewright.foundation.angles import ARCMIN, DEG, HOUR
from polewright.foundation.language import say, translate_figure

#: What is drawn beside a round limit, in parts of it.
_LEVELS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
#: Cool where the trail is within the limit, warm beyond; light to dark also without colour.
_COLOURS = ("#eef6f8", "#cfe6ee", "#a6d0df", "#fbd9a0", "#f2a65a", "#d9622b", "#8c2a1c")


def trail_picture(
    imaging: Imaging,
    east: float,
    up: float,
    sky: SkyOver,
    limit_px: float,
    *,
    picture: Literal["svg", "png"] = "svg",
) -> bytes:
    """Draw the longest trail of an exposure over hour angle and declination.

    Args:
        imaging: the exposure.
        east: axis error on the sky, rad, east positive.
        up: axis error in altitude, rad.
        sky: latitude and air; what stands under `LOWEST` is left blank.
        limit_px: the trail that may be; drawn as a bold line.
        picture: file format of the bytes returned.
    """
    latitude = sky.latitude_deg * DEG
    pole_side = -1.0 if sky.southern else 1.0
    lowest = abs(latitude) - 0.5 * math.pi
    top = MOST_DECLINATION_DEG * DEG
    declinations = np.linspace(max(-top, lowest), top, 73) * pole_side
    hour_angles = np.linspace(-12.0, 12.0, 97) * HOUR
    trails = trail_map(imaging, declinations, hour_angles, east, up, sky)
    ha, dec = np.meshgrid(hour_angles, declinations)
    altitude = np.arcsin(
        np.sin(dec) * math.sin(latitude) + np.cos(dec) * math.cos(latitude) * np.cos(ha)
    )
    finite = np.where(np.isfinite(trails), trails, np.nan)
    seen = np.ma.masked_invalid(np.where(altitude > LOWEST, finite, np.nan))

    figure = Figure(figsize=(9.0, 6.0), facecolor="#ffffff")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.09, 0.12, 0.76, 0.74))
    axes.set_facecolor("#e4e6ea")
    levels = [level * limit_px for level in _LEVELS]
    drawn = axes.contourf(
        ha / HOUR, dec / DEG, seen, levels=[0.0, *levels], colors=_COLOURS, extend="max"
    )
    if seen.count() and float(seen.min()) < limit_px < float(seen.max()):
        line = axes.contour(
            ha / HOUR, dec / DEG, seen, levels=[limit_px], colors="#10203a", linewidths=2.4
        )
        axes.clabel(line, fmt=lambda _value: say("{limit_px:g} px", limit_px=limit_px), fontsize=12)
    bar = figure.colorbar(drawn, cax=figure.add_axes((0.875, 0.12, 0.025, 0.74)))
    bar.set_label(say("longest trail, pixels"), fontsize=12)
    axes.set_xlabel(say("hour angle, hours (east of the meridian left, west right)"), fontsize=12)
    axes.set_ylabel(say("declination, degrees"), fontsize=12)
    axes.set_xticks(range(-12, 13, 3))
    guiding = say("guided") if imaging.guided else say("not guided")
    total = math.hypot(east, up) / ARCMIN
    ways = say(
        "{up} {high}, {east} {far}",
        up=angle_text(up),
        high=say("too high") if up >= 0 else say("too low"),
        east=angle_text(east),
        far=say("too far east") if east >= 0 else say("too far west"),
    )
    figure.text(
        0.09,
        0.945,
        say("Star trails with the axis {total} off ({ways})", total=arcmin_text(total), ways=ways),
        fontsize=14,
        fontweight="bold",
        va="center",
    )
    figure.text(
        0.09,
        0.895,
        say(
            "{exposure_s:g} s, {focal_length_mm:g} mm, {pixel_um:g} µm pixels, {guiding}; "
            "grey: under {value:.0f}°, or no guide star could be held",
            exposure_s=imaging.exposure_s,
            focal_length_mm=imaging.focal_length_mm,
            pixel_um=imaging.pixel_um,
            guiding=guiding,
            value=LOWEST / DEG,
        ),
        fontsize=11,
        va="center",
    )
    out = io.BytesIO()
    metadata = {"Date": None} if picture == "svg" else None
    translate_figure(figure)
    figure.savefig(out, format=picture, dpi=110, metadata=metadata)
    return out.getvalue()
