"""Past sweeps of the rig at hand, from its history."""

from __future__ import annotations

from dataclasses import dataclass

from polewright.calculation.geometry.learnt_noise import PastSweep


@dataclass(frozen=True)
class RigSweep:
    """A past sweep of this mount and camera."""

    left: PastSweep
    scale: float
    """Rad per pixel."""
