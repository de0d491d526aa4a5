"""Camera geometry: pixels from the centre, and stars on the plane of the picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import Matrix, Vector

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def centred(stars: StarList, parity: int) -> Floats:
    """Pixels (N, 2) from the centre of the frame in the camera's handedness."""
    return np.stack(
        [parity * (stars.x - (stars.width - 1) / 2), stars.y - (stars.height - 1) / 2], axis=1
    )


def gnomonic(vectors: Vector, attitude: Matrix) -> tuple[Floats, Floats]:
    """Tangent-plane coordinates (N, 2) about the boresight, and the third component (N,)."""
    camera = vectors @ attitude
    z = camera[:, 2]
    return np.asarray(camera[:, :2] / np.where(z > 0.05, z, np.nan)[:, None]), z
