"""Triangles of stars: how they are told apart, and what they find."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from solving.synthetic import EPOCH, Truth, direction, observe, off_by

from polewright.calculation.geometry.rotation import rotation_matrix
from polewright.calculation.images.frame import StarList
from polewright.solving.catalogue.catalogue import Catalogue, StarColumns
from polewright.solving.embedded.evidence import Approximation, Prior
from polewright.solving.embedded.hypotheses import Sought, brighter_around, evenly, field_of
from polewright.solving.embedded.refit import refit
from polewright.solving.embedded.triangles import (
    LONGEST,
    ordered,
    search,
    stars_a_frame,
    triangles_of,
)

RADIUS = math.radians(10.0)


def invented_sky(rng: np.random.Generator, a_square_degree: float) -> Catalogue:
    """Stars spread evenly within 13 degrees of RA 5 h, Dec +20 degrees; magnitudes 6 to 12.5."""
    cap = math.radians(13.0)
    count = int(a_square_degree * 2.0 * math.pi * (1.0 - math.cos(cap)) * math.degrees(1.0) ** 2)
    z = rng.uniform(math.cos(cap), 1.0, count)
    turn = rng.uniform(0.0, 2.0 * math.pi, count)
    flat = np.sqrt(1.0 - z * z)
    centre = direction(math.radians(75.0), math.radians(20.0))
    east = np.cross([0.0, 0.0, 1.0], centre)
    east /= np.linalg.norm(east)
    north = np.cross(centre, east)
    v = flat * np.cos(turn) * east[:, None] + flat * np.sin(turn) * north[:, None]
    v = (v + z * centre[:, None]).T
    magnitude = np.minimum(12.5 + np.log10(rng.random(count)) / 0.45, 12.5)
    return Catalogue.from_columns(
        "invented",
        StarColumns(
            np.arctan2(v[:, 1], v[:, 0]) % (2.0 * math.pi),
            np.arcsin(v[:, 2]),
            magnitude.astype(np.float32),
        ),
    )


def found_in(
    stars: StarList,
    sky: Catalogue,
    centre: np.ndarray,
    truth: Truth,
    *,
    scale_off: float,
    parity: int | None,
) -> list[Approximation]:
    """The hypotheses about a frame with a hint ten degrees wide."""
    prior = Prior(2.0 * math.pi * (1.0 - math.cos(RADIUS)), 0.05, 1 if parity else 2)
    scale = truth.scale * (1.0 + scale_off)
    sought = Sought(centre, RADIUS, scale, 0.05, parity, prior, stars.width, stars.height)
    cone = sky.cone(centre, sought.reach, EPOCH)
    chosen = evenly(cone, sought.area, 25.0, sought.frame_area)
    making = stars_a_frame(sought.area, scale * stars.width, scale * stars.height)
    rows = np.flatnonzero(brighter_around(chosen.vectors, sought.frame_area) < making)
    return list(search(stars, field_of(chosen, sought.area), rows, sought))


@pytest.mark.parametrize("parity", [1, -1])
@pytest.mark.parametrize("told", [False, True])
def test_half_a_degree_is_found_in_a_cone_of_ten(parity: int, told: bool) -> None:
    """Of half-degree frames, hints up to 10 degrees and 3 % off, all are among few hypotheses."""
    rng = np.random.default_rng([5, parity + 1, told])
    sky = invented_sky(rng, 70.0)
    for _ in range(2):
        v = off_by(rng, direction(math.radians(75.0), math.radians(20.0)), math.radians(2.0))
        ra, dec = math.atan2(v[1], v[0]) % (2.0 * math.pi), math.asin(v[2])
        stars, truth = observe(rng, 0.5, ra, dec, parity=parity, sky_limit=12.8, hot=2, source=sky)
        centre = off_by(rng, v, rng.uniform(0.0, RADIUS))

        found = found_in(
            stars,
            sky,
            centre,
            truth,
            scale_off=float(rng.uniform(-0.03, 0.03)),
            parity=parity if told else None,
        )

        fits = [refit(stars, item, sky, EPOCH) for item in found]
        good = [fit for fit in fits if fit is not None and not fit.objection]
        assert truth.real >= 6
        assert good
        assert good[0].parity == truth.parity
        assert np.abs(good[0].attitude[:, 2] - truth.attitude[:, 2]).max() < 5.0 * truth.scale
        assert len(found) < 40


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    turn=st.lists(st.floats(-3.0, 3.0), min_size=3, max_size=3),
    order=st.permutations([0, 1, 2]),
)
def test_a_triangle_stays_itself_turned_and_renamed(
    seed: int, turn: list[float], order: list[int]
) -> None:
    """Sides and sense of rotation do not change with pointing, roll or the order of the stars."""
    rng = np.random.default_rng(seed)
    three = np.array([off_by(rng, direction(1.0, 0.4), rng.uniform(0.0, 0.01)) for _ in range(3)])
    mirrored = three * np.array([1.0, 1.0, -1.0])

    plain = ordered(three, np.array([[0, 1, 2]]))
    turned = ordered((three @ rotation_matrix(np.array(turn)).T)[order], np.array([[0, 1, 2]]))
    other = ordered(mirrored, np.array([[0, 1, 2]]))

    assert np.all(np.diff(plain.sides) <= 0.0)
    assert turned.sides == pytest.approx(plain.sides, abs=1e-9)
    if (
        np.min(-np.diff(plain.sides)) > 1e-6
        and plain.sides[0, 0] < 0.999 * plain.sides[0, 1:].sum()
    ):
        assert np.array(order)[turned.corners[0]].tolist() == plain.corners[0].tolist()
        assert turned.handed[0] == plain.handed[0]
        assert other.handed[0] != plain.handed[0]


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**31), count=st.integers(0, 40))
def test_every_triangle_is_listed_once(seed: int, count: int) -> None:
    """The list is that of trying all triples."""
    rng = np.random.default_rng(seed)
    v = np.array([off_by(rng, direction(2.0, -0.3), rng.uniform(0.0, 0.02)) for _ in range(count)])
    v = v.reshape(-1, 3)
    longest, least = 0.015, (0.004, 0.001)

    found = triangles_of(v, longest, least)

    triples = {
        frozenset((i, j, k))
        for i in range(count)
        for j in range(i)
        for k in range(j)
        for sides in [sorted(np.arccos(np.clip([v[i] @ v[j], v[i] @ v[k], v[j] @ v[k]], -1, 1)))]
        if sides[2] < longest and sides[2] > least[0] and sides[0] > least[1]
    }
    listed = [frozenset(row) for row in found.corners.tolist()]
    assert len(listed) == len(set(listed))
    assert set(listed) == triples


@pytest.mark.parametrize("height_deg", [0.25, 2.0 / 3.0, 1.0, 2.5])
def test_so_many_stars_are_taken_as_make_a_bounded_list(height_deg: float) -> None:
    """What `stars_a_frame` allows makes no more triangles than promised, whatever the shape of the
    frame; where even few stars a frame make too many, none."""
    rng = np.random.default_rng(3)
    width, height = math.radians(1.0), math.radians(height_deg)
    cap = math.radians(6.0)
    area = 2.0 * math.pi * (1.0 - math.cos(cap))
    each = stars_a_frame(area, width, height)
    sky = invented_sky(rng, 80.0)
    cone = sky.cone(direction(math.radians(75.0), math.radians(20.0)), cap, EPOCH)
    rows = brighter_around(cone.vectors, width * height) < each
    longest = LONGEST * math.hypot(width, height)

    made = triangles_of(cone.vectors[rows], longest, (0.0, 0.0))

    frames = area / (width * height)
    expected = frames * each**3 * (math.pi * longest**2 / (width * height)) ** 2 / 6.0
    assert 7.0 <= each <= 16.0
    assert expected <= 3.0e6 * 1.001
    assert 0.2 * expected < len(made.corners) < expected
    assert stars_a_frame(100.0 * area, width, height) < each
    assert stars_a_frame(2.0 * math.pi, math.radians(0.1), math.radians(0.07)) == 0.0
