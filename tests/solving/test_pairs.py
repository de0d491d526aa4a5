"""Which catalogue stars the pair search looks at."""

from __future__ import annotations

import math

import numpy as np
from synthetic import EPOCH, direction, off_by

from polewright.solving.catalogue import bundled_catalogue
from polewright.solving.hypotheses import evenly


def test_poor_parts_of_a_cone_keep_their_share_of_stars() -> None:
    """Around the north celestial pole, beside the Milky Way: frames of 2.6 x 2 degrees hold alike.

    The brightest stars of the whole cone leave some frames a third of the 25 asked for.
    """
    rng = np.random.default_rng(4)
    pole, reach = direction(0.0, math.pi / 2), math.radians(6.8)
    frame_area = math.radians(2.6) * math.radians(2.0)
    area = 2.0 * math.pi * (1.0 - math.cos(reach))
    cone = bundled_catalogue().cone(pole, reach, EPOCH)

    even = evenly(cone, area, 25.0, frame_area)
    brightest = cone.take(slice(0, math.ceil(25.0 * area / frame_area)))
    within = math.cos(math.sqrt(frame_area / math.pi))
    places = [off_by(rng, pole, rng.uniform(0.0, math.radians(5.0))) for _ in range(60)]
    held = np.array([[np.sum(s.vectors @ p > within) for s in (even, brightest)] for p in places])

    assert np.all(np.diff(even.magnitude) >= 0.0)  # brightest first, as the search expects
    assert held[:, 0].min() >= 15
    assert held[:, 1].min() <= 12
    assert held[:, 0].std() < held[:, 1].std()
