"""The mean axis while nothing moves: steadier numbers, and an end that does not waver."""

from __future__ import annotations

import numpy as np

from polewright.foundation.angles import Matrix, Vector

#: So many frames at most, so that the mean still follows slow creep (own choice).
MOST_FRAMES = 8


class StillMean:
    """Mean of the last settled frames. ``floor`` (rad) is noise that averaging does not reduce."""

    def __init__(self, floor: float) -> None:
        self._floor = floor
        self._frames: list[tuple[Vector, Matrix]] = []

    def restart(self) -> None:
        """Something moved: forget the frames."""
        self._frames.clear()

    def add(self, axis: Vector, covariance: Matrix) -> tuple[Vector, Matrix]:
        """Return the mean axis (3,) and its own noise (3, 3) with this frame taken in.

        Weights go with the inverse of each frame's total variance.
        """
        self._frames = [*self._frames[1 - MOST_FRAMES :], (axis, covariance)]
        weights = np.array([1.0 / float(np.trace(cov)) for _, cov in self._frames])
        weights /= np.sum(weights)
        mean = np.einsum("i,ij->j", weights, np.array([a for a, _ in self._frames]))
        mean /= np.linalg.norm(mean)
        noise = np.einsum("i,ijk->jk", weights**2, np.array([cov for _, cov in self._frames]))
        kept = self._floor**2 * (1.0 - float(np.sum(weights**2)))
        return mean, noise + kept * (np.eye(3) - np.outer(mean, mean))
