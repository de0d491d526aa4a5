"""The compass's and the scale's own offsets, learned from past nights without trusting any one.

Only differences against the true pole are learned, so that a night at another site counts as well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from polewright.preset.nights import PresetNight

NO_NIGHT_COMPASS_DEG = 5.0
"""1 sigma assumed of a compass nobody has checked (common practice, no source)."""
NO_NIGHT_SCALE_DEG = 2.0
"""The same of an altitude scale."""
COMPASS_READING_DEG = 1.5
"""Scatter of one reading of a hand compass (common practice, no source)."""
SCALE_READING_DEG = 0.5
HUBER = 1.345
"""Tuning of the Huber estimate for 95 % efficiency (Huber 1964)."""
_ROUNDS = 30


@dataclass(frozen=True)
class Offset:
    """What an instrument reads beyond the truth, degrees."""

    value_deg: float
    sigma_deg: float
    nights: int
    left_out: int
    """Nights that disagree so much that they hardly count."""


def fold_180(angle_deg: float) -> float:
    """Fold degrees into [-180, 180)."""
    return (angle_deg + 180.0) % 360.0 - 180.0


def pole_bearing_deg(latitude_deg: float) -> float:
    """True azimuth of the visible pole: 0 in the north, 180 in the south."""
    return 180.0 if latitude_deg < 0.0 else 0.0


def eastward(latitude_deg: float) -> float:
    """+1 where a base that looks at the pole turns east with growing azimuth, -1 in the south."""
    return -1.0 if latitude_deg < 0.0 else 1.0


def compass_offset(nights: Sequence[PresetNight]) -> Offset:
    """Return by how much the compass, as read on this base, reads more than a perfect one.

    A night's reading is that of the centred base; the pole was a further ``base_turn_deg`` to the
    east of it.
    """
    found = [
        fold_180(
            night.bearing_deg
            + eastward(night.latitude_deg) * night.base_turn_deg
            - (pole_bearing_deg(night.latitude_deg) - night.magnetic_declination_deg)
        )
        for night in nights
        if night.bearing_deg is not None
    ]
    if not found:
        return Offset(0.0, NO_NIGHT_COMPASS_DEG, 0, 0)
    # On a circle: about the night whose neighbours are nearest, so that 179 and -179 are alike.
    centre = min(found, key=lambda a: sum(abs(fold_180(b - a)) for b in found))
    flat = robust_mean([fold_180(value - centre) for value in found], COMPASS_READING_DEG)
    return Offset(fold_180(centre + flat.value_deg), flat.sigma_deg, flat.nights, flat.left_out)


def scale_offset(nights: Sequence[PresetNight]) -> Offset:
    """Return by how much the altitude scale reads more than the axis is high."""
    found = [
        night.altitude_scale_deg - abs(night.latitude_deg)
        for night in nights
        if night.altitude_scale_deg is not None
    ]
    if not found:
        return Offset(0.0, NO_NIGHT_SCALE_DEG, 0, 0)
    return robust_mean(found, SCALE_READING_DEG)


def robust_mean(values: Sequence[float], floor: float) -> Offset:
    """Return the Huber mean of values, started at their median.

    Args:
        values: at least one.
        floor: scatter (1 sigma) of one reading below which agreement is luck.
    """
    x = np.asarray(values, dtype=np.float64)
    centre = float(np.median(x))
    spread = float(np.median(np.abs(x - centre))) * 1.4826
    scatter = max(floor, spread)
    weights = np.ones_like(x)
    for _ in range(_ROUNDS):
        weights = np.minimum(1.0, HUBER * scatter / np.maximum(np.abs(x - centre), 1e-12))
        centre = float(np.sum(weights * x) / np.sum(weights))
    return Offset(
        value_deg=centre,
        sigma_deg=scatter / math.sqrt(float(np.sum(weights))),
        nights=len(x),
        left_out=int(np.sum(np.abs(x - centre) > 3.0 * scatter)),
    )
