"""The report's own pictures: where the axis points, how it got there, what the fit leaves over."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCMIN, ARCSEC
from polewright.foundation.language import say
from polewright.interfaces.report import svg
from polewright.records.result import AxisResult, MeasurementResult

SIZE = 460.0
MIDDLE = SIZE / 2.0
REACH = 178.0
#: 95 % of a Gaussian in the plane lies within this many sigmas.
SIGMAS_95 = math.sqrt(-2.0 * math.log(0.05))

Way = Sequence[tuple[float, float]]
"""(azimuth, altitude) errors in arcmin, in order of time."""


def axis_picture(
    axis: AxisResult, tolerance_arcmin: float, *, southern: bool, way: Way = (), zoom: bool = False
) -> str:
    """Draw the axis about the pole as seen facing it: up is up, east on the side it is.

    Args:
        axis: where it points in the end, with its uncertainty.
        tolerance_arcmin: drawn as a filled circle about the pole.
        southern: facing south, east is to the left.
        way: earlier positions, first to last.
        zoom: leave the way's far part out, and show the end of it.
    """
    east = -1.0 if southern else 1.0
    sigma_az, sigma_alt = axis.sigma_az_sky_arcmin, axis.sigma_alt_arcmin
    cross = axis.correlation * sigma_az * sigma_alt
    root = np.linalg.cholesky(
        np.array([[sigma_az**2, cross], [cross, sigma_alt**2]]) + 1e-12 * np.eye(2)
    )
    here = np.array([axis.d_az_sky_arcmin, axis.d_alt_arcmin])
    turn = np.linspace(0.0, 2.0 * math.pi, 73)
    ellipse = here + SIGMAS_95 * np.stack([np.cos(turn), np.sin(turn)], axis=-1) @ root.T
    reach = max(1.35 * tolerance_arcmin, 1.12 * float(np.max(np.linalg.norm(ellipse, axis=1))))
    if way and not zoom:
        reach = max(reach, 1.12 * max(math.hypot(*place) for place in way))
    step = svg.round_step(reach, 3)
    scale = REACH / reach

    def at(place: Sequence[float]) -> tuple[float, float]:
        return MIDDLE + east * place[0] * scale, MIDDLE - place[1] * scale

    parts = [
        '<defs><clipPath id="disc{0}"><circle cx="{1}" cy="{1}" r="{2}"/></clipPath></defs>'.format(
            "-zoom" if zoom else "", svg.num(MIDDLE), svg.num(REACH)
        ),
        svg.circle(MIDDLE, MIDDLE, REACH, "sky"),
        svg.circle(MIDDLE, MIDDLE, tolerance_arcmin * scale, "good"),
    ]
    # The rings are labelled in the quarter where least is drawn.
    drawn_at = [at(place) for place in (*way, tuple(here))]
    right, below = min(
        ((1, 1), (-1, 1), (1, -1), (-1, -1)),
        key=lambda way_: sum(
            (x - MIDDLE) * way_[0] > 0.0 and (y - MIDDLE) * way_[1] > 0.0 for x, y in drawn_at
        ),
    )
    for k in range(1, int(reach / step) + 1):
        parts.append(svg.circle(MIDDLE, MIDDLE, k * step * scale, "ring"))
        parts.append(
            svg.text(
                MIDDLE + right * (0.71 * k * step * scale + 3.0),
                MIDDLE + below * (0.71 * k * step * scale + 4.0) + (8.0 if below > 0 else 0.0),
                angle_text(k * step * ARCMIN),
                "small",
                "start" if right > 0 else "end",
            )
        )
    parts += [
        svg.line(MIDDLE - REACH, MIDDLE, MIDDLE + REACH, MIDDLE, "ring"),
        svg.line(MIDDLE, MIDDLE - REACH, MIDDLE, MIDDLE + REACH, "ring"),
        svg.text(MIDDLE, 36.0, say("too high"), "label"),
        svg.text(MIDDLE, SIZE - 26.0, say("too low"), "label"),
        svg.text(
            MIDDLE + REACH + 8.0,
            MIDDLE + 4.0,
            say("east") if east > 0 else say("west"),
            "label",
            "start",
        ),
        svg.text(
            MIDDLE - REACH - 8.0,
            MIDDLE + 4.0,
            say("west") if east > 0 else say("east"),
            "label",
            "end",
        ),
    ]
    if way:
        track = [at(place) for place in (*way, tuple(here))]
        drawn = svg.path(track, "way") + "".join(
            svg.rect(x - 2.4, y - 2.4, 4.8, 4.8, "stop") for x, y in track
        )
        if not zoom:
            aside = 1.0 if track[0][0] < MIDDLE else -1.0
            anchor = "start" if aside > 0 else "end"
            parts.append(
                svg.text(
                    track[0][0] + 8.0 * aside, track[0][1] - 7.0, say("start"), "small", anchor
                )
            )
        parts.append(f'<g clip-path="url(#disc{"-zoom" if zoom else ""})">{drawn}</g>')
    parts.append(svg.path([at(place) for place in ellipse], "doubt", closed=True))
    x, y = at(tuple(here))
    parts += [
        svg.line(MIDDLE - 7, MIDDLE, MIDDLE + 7, MIDDLE, "pole"),
        svg.line(MIDDLE, MIDDLE - 7, MIDDLE, MIDDLE + 7, "pole"),
        svg.circle(x, y, 5.0, "axis"),
    ]
    return svg.picture(SIZE, SIZE, say("The polar axis seen about the pole"), parts, "dial")


def residual_picture(result: MeasurementResult, floor_arcsec: float) -> str:
    """Draw what the fit leaves over at each point, in units of that point's own uncertainty."""
    rows, names = [], (say("across"), say("down"), say("roll"))
    for point in result.points:
        sigmas = (
            point.sigma_pointing_arcsec,
            point.sigma_pointing_arcsec,
            point.sigma_roll_arcsec,
        )
        rows.append(
            [
                (value, value / math.hypot(sigma, floor_arcsec) if sigma or floor_arcsec else 0.0)
                for value, sigma in zip(point.residual_arcsec, sigmas, strict=True)
            ]
        )
    most = max(3.0, *(abs(ratio) for row in rows for _value, ratio in row))
    width, left, right, top, each = 560.0, 96.0, 104.0, 34.0, 17.0
    block = 3 * each + 14.0
    height = top + block * len(rows) + 26.0
    middle = left + (width - left - right) / 2.0
    scale = (width - left - right) / 2.0 / most
    bottom = height - 26.0
    parts = [svg.rect(middle - 2 * scale, top - 6, 4 * scale, bottom - top + 6, "good")]
    step = svg.round_step(most, 3)
    for k in range(-int(most / step), int(most / step) + 1):
        x = middle + k * step * scale
        parts.append(svg.line(x, top - 6, x, bottom, "pole" if k == 0 else "ring"))
        parts.append(svg.text(x, bottom + 16, f"{k * step:g}σ", "small"))
    parts.append(svg.text(left - 8, 18, say("point"), "label", "end"))
    parts.append(svg.text(middle, 18, say("residual, in sigmas of the point"), "label"))
    for i, row in enumerate(rows):
        y = top + i * block
        parts.append(svg.text(20.0, y + 1.5 * each + 4.0, str(result.points[i].number), "number"))
        for j, (value, ratio) in enumerate(row):
            yy = y + j * each
            x = min(0.0, ratio) * scale
            parts.append(svg.text(left - 8, yy + 12, names[j], "small", "end"))
            parts.append(
                svg.rect(middle + x, yy + 3, max(1.0, abs(ratio) * scale), each - 5, "bar")
            )
            parts.append(
                svg.text(
                    width - right + 8,
                    yy + 12,
                    angle_text(value * ARCSEC, signed=True),
                    "small",
                    "start",
                )
            )
    return svg.picture(width, height, say("Residuals of the axis fit"), parts)
