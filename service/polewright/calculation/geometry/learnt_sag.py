"""What a rig's drift checks teach about the droop of its tube.

A level tube that droops by s moves the axis that a sweep finds by one response times s, and the
axis that a tracked field's drift tells by another (`shared_errors` has both). So where nothing was
turned in between, sweep minus drift is s times the difference of both, and noise: a linear model,
whose posterior is Gaussian (textbook). Two things do not average out over checks. Flexure that
follows no cosine is partly the same each time, in every check alike; and a camera is taken off and
put on again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC, Matrix, Vector

MOST_CHECKS = 50
"""So many of the newest count: rigs change."""
REPEATS = 0.5
"""A drift check allows for flexure; this part of its variance is the same in all checks of a rig
(own choice: the tube is the same, the fields and the load are not)."""
LEAST_SIGMA = 2.0 * ARCSEC
"""No rig's droop is taken to be known better (1 sigma, rad; own choice)."""
HUBER = 1.5
"""Pairs farther out than this many sigmas count less (usual tuning, from memory)."""
LEAST_NOISE = 0.5 * ARCSEC
"""What is left of a pair's own noise, at least, where all of it seems to repeat (rad)."""
DROOP_TRIED = 1.0 * ARCSEC
"""The droop (rad) that is taken out to see what the axis does."""
_ROUNDS = 30


@dataclass(frozen=True, eq=False)
class SagPair:
    """A sweep and a drift check of the same axis. East and up on the sky."""

    apart: Vector
    """(2,) rad: the sweep's axis minus the drift's, as both are without taking a droop out."""
    response: Vector
    """(2,) rad per rad of droop: how much more a droop moves the sweep's axis than the drift's."""
    covariance: Matrix
    """(2, 2) rad^2 of ``apart``, the droop left out."""
    flexure: float = 0.0
    """1 sigma (rad, each way) that is in ``covariance`` for flexure of the tracked tube."""


@dataclass(frozen=True)
class LearntSag:
    """The droop of a level tube, rad."""

    mean: float
    """Positive: the tube sinks. 0 where nothing was learnt."""
    sigma: float
    checks: int = 0
    """Drift checks it was learnt from."""


def droop_response(site: Site, axis: Vector, without: Vector, droop: float) -> NDArray[np.float64]:
    """Return how far a measured axis moves east and up on the sky per rad of droop, (2,).

    Args:
        site: the place.
        axis: as it was measured, ENU (3,).
        without: the same when ``droop`` more is taken out of the frames.
        droop: rad, small.
    """
    airless = Atmosphere.none()
    seen, freed = (
        axis_error(found, np.zeros((3, 3)), site, PoleTarget.TRUE, airless)
        for found in (axis, without)
    )
    return np.array([seen.d_az_sky - freed.d_az_sky, seen.d_alt - freed.d_alt]) / droop


def without_droop(covariance: Matrix, response: Vector, sigma: float) -> NDArray[np.float64]:
    """Return a covariance (2, 2) without the part that a droop's own uncertainty has in it.

    A droop leaves no residual, so that its part simply adds (own derivation).

    Args:
        covariance: rad^2.
        response: (2,) of the axis to the droop.
        sigma: of the droop as it is in the covariance, rad.
    """
    left = np.asarray(covariance) - sigma**2 * np.outer(response, response)
    values, vectors = np.linalg.eigh(left)
    return np.asarray((vectors * np.maximum(values, LEAST_NOISE**2)) @ vectors.T)


def learnt_sag(prior_sigma: float, pairs: Sequence[SagPair]) -> LearntSag:
    """Return the droop of a tube, learnt from its drift checks.

    Args:
        prior_sigma: 1 sigma (rad) of the droop of any tube like this one; the mean is 0.
        pairs: of this rig, newest last.
    """
    told = pairs[-MOST_CHECKS:]
    if not told or prior_sigma <= 0.0:
        return LearntSag(0.0, prior_sigma)
    # Unknowns: the droop, and the two parts of the flexure that repeats, in sigmas.
    prior = np.diag([1.0 / prior_sigma**2, 1.0, 1.0])
    designs, weights = [], []
    for pair in told:
        repeats = math.sqrt(REPEATS) * pair.flexure
        designs.append(np.column_stack([pair.response, repeats * np.eye(2)]))
        own = without_droop(pair.covariance - repeats**2 * np.eye(2), np.zeros(2), 0.0)
        weights.append(np.linalg.inv(own))
    counts = np.ones(len(told))
    found: NDArray[np.float64] = np.zeros(3)
    information = prior
    for _ in range(_ROUNDS):
        information, pull = prior.copy(), np.zeros(3)
        for pair, design, weight, count in zip(told, designs, weights, counts, strict=True):
            information += count * design.T @ weight @ design
            pull += count * design.T @ weight @ pair.apart
        before, found = found, np.asarray(np.linalg.solve(information, pull))
        left = [pair.apart - design @ found for pair, design in zip(told, designs, strict=True)]
        far = np.array(
            [math.sqrt(gap @ w @ gap / 2.0) for gap, w in zip(left, weights, strict=True)]
        )
        counts = np.minimum(1.0, HUBER / np.maximum(far, 1e-12))
        if abs(found[0] - before[0]) < 1e-4 * ARCSEC:
            break
    sigma = math.sqrt(float(np.linalg.inv(information)[0, 0]))
    return LearntSag(float(found[0]), max(sigma, min(LEAST_SIGMA, prior_sigma)), len(told))
