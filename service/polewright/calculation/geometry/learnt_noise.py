"""What a rig's past sweeps teach about the noise of its frames.

Their residuals tell the variance of a frame's own error, of which the stars' share is known and
the rest is the floor that the fit assumes. The floor's variance has a scaled inverse chi-square
distribution, which is conjugate: degrees of freedom add up, and variances are averaged with them
as weights (Gelman et al., Bayesian Data Analysis, normal data of known mean; from memory). That a
sweep tells only of its floor's share, and how slips are kept small, is an own derivation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import chdtri

from polewright.foundation.angles import ARCSEC

MOST_SWEEPS = 50
"""So many of the newest count: rigs change."""
LEAST_FLOOR = 0.7 * ARCSEC
"""No rig's floor is taken to be smaller (1 sigma, rad). And a floor learnt to be smaller than that
of any rig is known no better than that one: otherwise the sweeps of a windy night would be refused
(own choice)."""
MOST_DOF = 9.0
"""However many sweeps there were, tonight's air and wind are their own (own choice; tested with
nights that differ by 25 %)."""
RARE = 0.02
"""A chi-square that chance exceeds less often than this is cut down to the one that it exceeds just
so often: a clutch that slipped a little says nothing of the frames (own choice; it lowers the noise
by 1 %)."""
_ROUNDS = 30


@dataclass(frozen=True)
class PastSweep:
    """What a sweep that was not refused left over."""

    chi2: float
    dof: int
    floor: float
    """Error (1 sigma, rad) of a frame beside its stars' that was assumed."""
    share: float = 1.0
    """Part of the frames' variance that the floor was, in (0, 1] (`floor_share`)."""


@dataclass(frozen=True)
class FrameNoise:
    """The error of a frame that its stars do not show, and how well it is known."""

    floor: float
    """1 sigma, rad."""
    dof: float
    """Known as from the residuals of so many degrees of freedom."""
    sweeps: int = 0
    """Past sweeps it was learnt from."""


def floor_share(floor: float, pointing: float, roll: float, declination: float) -> float:
    """Return which part of the variance left over by a sweep is the floor's, in [0, 1].

    Two directions across the axis leave residuals. One is an error of pointing alone; of the other
    sin(declination) is of pointing and cos(declination) of roll (own derivation).

    Args:
        floor: 1 sigma, rad, of each of a frame's angles.
        pointing: 1 sigma, rad, that the stars leave of the boresight.
        roll: the same of the turn about the boresight.
        declination: of the sweep, rad.
    """
    if floor <= 0.0:
        return 0.0
    tilted = math.hypot(pointing * math.sin(declination), roll * math.cos(declination))
    return sum(floor**2 / (floor**2 + stars**2) for stars in (pointing, tilted)) / 2.0


def learnt_noise(prior: FrameNoise, past: Sequence[PastSweep]) -> FrameNoise:
    """Return the prior noise of a frame, changed by what past sweeps of the rig left over.

    With a share w of the floor, chi-square over degrees of freedom is expected as
    ``1 + w (v / floor^2 - 1)`` for a floor's variance v, so that v is known from it as from
    ``w^2 dof`` degrees (own derivation).

    Args:
        prior: what holds for any rig.
        past: sweeps of this rig, newest last; refused ones left out.
    """
    told = [sweep for sweep in past if sweep.dof > 0 and sweep.floor > 0.0 and sweep.share > 0.0]
    told = told[-MOST_SWEEPS:]
    rare = [float(chdtri(sweep.dof, RARE)) for sweep in told]
    weights = [sweep.share**2 * sweep.dof for sweep in told]
    total = prior.dof + sum(weights)
    variance = prior.floor**2
    for _ in range(_ROUNDS if told else 0):
        summed = prior.dof * prior.floor**2
        for sweep, weight, limit in zip(told, weights, rare, strict=True):
            expected = 1.0 + sweep.share * (variance / sweep.floor**2 - 1.0)
            chi2 = min(sweep.chi2, expected * limit)
            found = 1.0 + (chi2 / sweep.dof - 1.0) / sweep.share
            summed += weight * found * sweep.floor**2
        variance = max(summed / total, min(LEAST_FLOOR, prior.floor) ** 2)
    most = MOST_DOF if variance > prior.floor**2 else prior.dof
    return FrameNoise(math.sqrt(variance), max(prior.dof, min(total, most)), len(told))
