"""Which catalogue stars the pair search looks at."""

from __future__ import annotations

import math

import numpy as np
from solving.synthetic import EPOCH, direction, observe, off_by

from polewright.solving.catalogue.catalogue import bundled_catalogue
from polewright.solving.embedded.evidence import Prior
from polewright.solving.embedded.hypotheses import Sought, evenly, field_of
from polewright.solving.embedded.pairs import search


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


def test_a_pair_off_the_centre_is_laid_at_its_own_scale() -> None:
    """With the scale 3 % off, a pair that is off the centre by r at the hint's scale would put the
    boresight off by 3 % of r, here 40 pixels and more; the right hypotheses are good to a few."""
    rng = np.random.default_rng(21)
    ra, dec = 2.1, 0.3
    centre, radius = direction(ra, dec), math.radians(1.0)
    stars, truth = observe(rng, 2.0, ra, dec, squeeze=0.0)
    scale = 1.03 * truth.scale
    prior = Prior(2.0 * math.pi * (1.0 - math.cos(radius)), 0.05, 1)
    sought = Sought(centre, radius, scale, 0.05, truth.parity, prior, stars.width, stars.height)
    cone = bundled_catalogue().cone(centre, sought.reach, EPOCH)
    chosen = evenly(cone, sought.area, 25.0, sought.frame_area)

    found = list(search(stars, field_of(chosen, sought.area), sought))

    off_px = [np.linalg.norm(f.attitude[:, 2] - truth.attitude[:, 2]) / truth.scale for f in found]
    near = [f for f, off in zip(found, off_px, strict=True) if off < 100.0]
    assert near
    assert min(off_px) < 6.0
    assert abs(near[0].scale / truth.scale - 1.0) < 0.002
