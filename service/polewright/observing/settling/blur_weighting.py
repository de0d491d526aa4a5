"""What wind costs: a frame more smeared than the sharpest of its sweep points less surely.

A shaken frame's stars are long or fat, and their middles lie off where the camera looked at the
middle of the exposure, all by the same: no star tells by how much. For a swing of amplitude A and
period P over an exposure T the smear is A / sqrt 2 (root mean square along the swing) and the
middle is off by A P / (pi T) at most, so for T of a swing and a half by 0.3 of the smear.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.images.stillness import Rest

#: How far the middle is off, of the smear (root mean square along the swing); see above.
SHIFT_OF_SMEAR = 0.35
#: Stars that are so much larger than in the sharpest frame are smeared (own choice): what seeing,
#: altitude and noise do is less.
TELLING = 1.2
#: Half-flux diameter over root mean square width of a Gaussian star.
HFD_OF_SIGMA = 2.3548


def shift_px(hfd_px: float, sharpest_px: float) -> float:
    """Return 1 sigma of the unknown shift of a whole frame, pixels; 0 when it is not smeared.

    Args:
        hfd_px: half-flux diameter of the frame's stars.
        sharpest_px: that of the sharpest frame taken with the same optics and focus.
    """
    if sharpest_px <= 0.0 or hfd_px <= TELLING * sharpest_px:
        return 0.0
    # A swing along one coordinate adds to the width of that one only, hence the 2.
    smear = math.sqrt(2.0 * (hfd_px**2 - sharpest_px**2)) / HFD_OF_SIGMA
    return SHIFT_OF_SMEAR * smear


def swung_px(rest: Rest) -> float:
    """Return `shift_px` of a frame beside the looks after it."""
    return shift_px(rest.exposed_hfd_px, rest.look_hfd_px)


def with_smear(
    attitudes: Sequence[Attitude], hfds_px: Sequence[float | None], rests: Sequence[Rest | None]
) -> tuple[list[Attitude], int]:
    """Widen the covariances of smeared frames of one sweep; tell how many there were.

    Args:
        attitudes: of the frames, all with the same binning.
        hfds_px: half-flux diameter of each frame's stars; None counts as not smeared.
        rests: what looks after each exposure told; None where there were none. Stars wider than in
            the looks widen a covariance too, silently: a mount that rings out is usual, and looks
            of a part of a second do not tell it from wind. Longer looks tell by how much the frame
            is off, whatever it was.
    """
    known = [hfd for hfd in hfds_px if hfd is not None]
    sharpest = min(known, default=0.0)
    widened, smeared = [], 0
    for attitude, hfd, rest in zip(attitudes, hfds_px, rests, strict=True):
        if rest is not None and rest.sigma_px is not None:
            sigma = rest.sigma_px * attitude.scale
        else:
            sigma = 0.0 if hfd is None else shift_px(hfd, sharpest) * attitude.scale
            smeared += sigma > 0.0
            if rest is not None:
                sigma = max(sigma, swung_px(rest) * attitude.scale)
        covariance = attitude.covariance + sigma**2 * np.eye(3)
        widened.append(dataclasses.replace(attitude, covariance=covariance))
    return widened, smeared
