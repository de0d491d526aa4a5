"""A picture of trail length over the sky for one axis error, as SVG or PNG."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.figure import Figure

from polewright.calculation.figures import (
    Picture,
    dress,
    new_figure,
    palette_of,
    shrunk_to_fit,
    written,
)
from polewright.calculation.tolerance.imaging import LOWEST, MOST_DECLINATION_DEG, Imaging, SkyOver
from polewright.calculation.tolerance.tolerance import trail_map
from polewright.foundation.angle_text import angle_text, arcmin_text
from polewright.foundation.angles import ARCMIN, DEG, HOUR
from polewright.foundation.language import say

#: What is drawn beside a round limit, in parts of it.
_LEVELS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)


def trail_picture(
    imaging: Imaging,
    east: float,
    up: float,
    sky: SkyOver,
    limit_px: float,
    *,
    night: bool = False,
    picture: Picture = "svg",
) -> bytes:
    """Draw the longest trail of an exposure over hour angle and declination.

    Args:
        imaging: the exposure.
        east: axis error on the sky, rad, east positive.
        up: axis error in altitude, rad.
        sky: latitude and air; what stands under `LOWEST` is left blank.
        limit_px: the trail that may be; drawn as a bold line.
        night: red on black.
        picture: file format of the bytes returned.
    """
    return written(trail_figure(imaging, east, up, sky, limit_px, night=night), picture)


def trail_figure(
    imaging: Imaging, east: float, up: float, sky: SkyOver, limit_px: float, *, night: bool = False
) -> Figure:
    """Return the figure of `trail_picture`, not yet written."""
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

    palette = palette_of(night=night)
    figure = new_figure(9.0, 6.0, palette)
    axes = figure.add_axes((0.09, 0.12, 0.76, 0.74))
    dress(axes, palette)
    axes.patch.set(facecolor=palette.sky, edgecolor=palette.hatch, hatch="//", linewidth=0.0)
    levels = [level * limit_px for level in _LEVELS]
    drawn = axes.contourf(
        ha / HOUR, dec / DEG, seen, levels=[0.0, *levels], colors=palette.steps, extend="max"
    )
    if seen.count() and float(seen.min()) < limit_px < float(seen.max()):
        line = axes.contour(
            ha / HOUR, dec / DEG, seen, levels=[limit_px], colors=palette.ink, linewidths=2.4
        )
        axes.clabel(line, fmt=lambda _value: say("{limit_px:g} px", limit_px=limit_px), fontsize=12)
    bar = figure.colorbar(drawn, cax=figure.add_axes((0.875, 0.12, 0.025, 0.74)))
    dress(bar.ax, palette)
    bar.outline.set_edgecolor(palette.ink)
    bar.set_label(say("longest trail, pixels"), fontsize=12, color=palette.ink)
    axes.set_xlabel(say("hour angle, hours (east of the meridian left, west right)"), fontsize=12)
    axes.set_ylabel(say("declination, degrees"), fontsize=12)
    axes.set_xticks(range(-12, 13, 3))
    guiding = say("guided") if imaging.guided else say("not guided")
    total = math.hypot(east, up) / ARCMIN
    directions = say(
        "{up} {high}, {east} {far}",
        up=angle_text(up),
        high=say("too high") if up >= 0 else say("too low"),
        east=angle_text(east),
        far=say("too far east") if east >= 0 else say("too far west"),
    )
    head = figure.text(
        0.09,
        0.945,
        say(
            "Star trails with the axis {total} off ({directions})",
            total=arcmin_text(total),
            directions=directions,
        ),
        fontsize=14,
        fontweight="bold",
        va="center",
        color=palette.ink,
    )
    told = figure.text(
        0.09,
        0.895,
        say(
            "{exposure_s:g} s, {focal_length_mm:g} mm, {pixel_um:g} µm pixels, {guiding}; "
            "hatched: under {lowest_deg:.0f}°, or no guide star could be held",
            exposure_s=imaging.exposure_s,
            focal_length_mm=imaging.focal_length_mm,
            pixel_um=imaging.pixel_um,
            guiding=guiding,
            lowest_deg=LOWEST / DEG,
        ),
        fontsize=11,
        va="center",
        color=palette.ink,
    )
    shrunk_to_fit(figure, (head, told), 0.88)
    return figure
