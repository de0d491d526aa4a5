"""A plate solution: how a frame lies on the sky, with the stars that tell it.

Camera frame used everywhere: **x** along image columns times ``parity``, **y** down the rows,
**z** out along the boresight. For a camera that does not mirror the sky parity is +1 and x, y, z
are right-handed as they stand (x right, y down, z forward); for a mirrored image parity is -1 and
x points to the *left* of the image, so the frame is right-handed again. Attitude matrices hold
these three axes as columns and always have determinant +1.

Pinhole model: a pixel (px, py) looks along ``(parity * (px - cx), py - cy, 1 / scale)``, with
(cx, cy) = ((width - 1) / 2, (height - 1) / 2) and ``scale`` the radians per pixel at the centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import Matrix, Vector


@dataclass(frozen=True)
class Distortion:
    """Radial distortion: true radius = r * (1 + k1 r^2), r in pixels over half the frame width."""

    k1: float = 0.0


@dataclass(frozen=True)
class Solution:
    """An attitude-grade plate solution. Vectors are ICRS (astrometric: no aberration applied)."""

    solver: str
    attitude_icrs: Matrix
    """Camera x, y, boresight as columns (3, 3), determinant +1 (see module docstring)."""
    parity: int
    scale: float
    """Radians per pixel at the centre."""
    pixels: NDArray[np.float64]
    """(N, 2) x, y of the matched points in the frame."""
    icrs: NDArray[np.float64]
    """(N, 3) their catalogue unit vectors, proper motion applied."""
    sigma_px: NDArray[np.float64]
    """(N,) 1-sigma centroid error of each matched point along one coordinate."""
    covariance: Matrix
    """(3, 3) rad^2 of a small rotation about the camera's x, y, z."""
    rms_px: float
    """Root mean square distance of matched stars from the model."""
    width: int
    height: int
    matched: int
    """Number of real stars matched; 0 when the solver returned only a WCS and ``pixels`` is a
    grid laid over the frame."""
    false_probability: float | None = None
    """Chance that the match is accidental, where the solver estimates it."""
    distortion: Distortion = Distortion()
    catalogue_sigma_rad: NDArray[np.floating] | float = 0.0
    """1-sigma error of the stars' places along one coordinate, rad, of each (N,) or of all: proper
    motions that the catalogue lacks."""

    @property
    def from_grid(self) -> bool:
        """Whether ``pixels`` are points of a grid and not measured stars."""
        return self.matched == 0

    @property
    def centre_icrs(self) -> Vector:
        """Unit vector (3,) of the frame's centre."""
        return self.attitude_icrs[:, 2]
