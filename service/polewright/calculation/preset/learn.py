"""The compass's and the scale's own offsets, learned from past nights without trusting any one.

Only differences against the true pole are learned, so that a night at another site counts as well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from polewright.calculation.preset.nights import PresetNight

NO_NIGHT_COMPASS_DEG = 5.0
"""1 sigma assumed of a compass nobody has checked (common practice, no source)."""
NO_NIGHT_SCALE_DEG = 2.0
"""The same of an altitude scale."""
COMPASS_SCATTER_DEG = 3.0
"""From night to night, 1 sigma, until nights tell: reading by hand 1.5, and whatever steel and
magnets are near (from memory)."""
SCALE_SCATTER_DEG = 1.0
"""The same of a scale: reading 0.5, and a base that is not quite level (from memory)."""
READING_SHARE = 0.5
"""Part of those scatters that is the reading itself: agreement beyond it is luck."""
GUESS_NIGHTS = 2.0
"""Nights that the guess of the scatter counts for beside those that were recorded (own choice)."""
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
    scatter_deg: float
    """1 sigma of one night's reading about it."""


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
        return Offset(0.0, NO_NIGHT_COMPASS_DEG, 0, 0, COMPASS_SCATTER_DEG)
    # On a circle: about the night whose neighbours are nearest, so that 179 and -179 are alike.
    centre = min(found, key=lambda a: sum(abs(fold_180(b - a)) for b in found))
    flat = robust_mean([fold_180(value - centre) for value in found], COMPASS_SCATTER_DEG)
    return replace(flat, value_deg=fold_180(centre + flat.value_deg))


def scale_offset(nights: Sequence[PresetNight]) -> Offset:
    """Return by how much the altitude scale reads more than the axis is high."""
    found = [
        night.altitude_scale_deg - abs(night.latitude_deg)
        for night in nights
        if night.altitude_scale_deg is not None
    ]
    if not found:
        return Offset(0.0, NO_NIGHT_SCALE_DEG, 0, 0, SCALE_SCATTER_DEG)
    return robust_mean(found, SCALE_SCATTER_DEG)


def robust_mean(values: Sequence[float], guess: float) -> Offset:
    """Return the Huber mean of values, started at their median.

    Their scatter is the guess at first and theirs later: one value tells nothing of it, two that
    happen to agree little.

    Args:
        values: at least one.
        guess: scatter (1 sigma) of a value where few are known.
    """
    x = np.asarray(values, dtype=np.float64)
    centre = float(np.median(x))
    spread = float(np.median(np.abs(x - centre))) * 1.4826
    told = len(x) - 1
    variance = (GUESS_NIGHTS * guess**2 + told * spread**2) / (GUESS_NIGHTS + told)
    scatter = max(READING_SHARE * guess, math.sqrt(variance))
    weights = np.ones_like(x)
    for _ in range(_ROUNDS):
        weights = np.minimum(1.0, HUBER * scatter / np.maximum(np.abs(x - centre), 1e-12))
        centre = float(np.sum(weights * x) / np.sum(weights))
    return Offset(
        value_deg=centre,
        sigma_deg=scatter / math.sqrt(float(np.sum(weights))),
        nights=len(x),
        left_out=int(np.sum(np.abs(x - centre) > 3.0 * scatter)),
        scatter_deg=scatter,
    )
