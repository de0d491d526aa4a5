"""Past sweeps and drift checks of the rig at hand, from its history."""

from __future__ import annotations

from dataclasses import dataclass

from polewright.calculation.geometry.learnt_noise import PastSweep
from polewright.calculation.geometry.learnt_sag import SagPair


@dataclass(frozen=True)
class RigSweep:
    """A past sweep of this mount and camera."""

    left: PastSweep
    scale: float
    """Rad per pixel."""


@dataclass(frozen=True)
class RigCheck:
    """A past drift check of this mount and camera against its sweep."""

    pair: SagPair
    scale: float
    """Rad per pixel."""
