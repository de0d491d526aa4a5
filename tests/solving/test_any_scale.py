"""Frames whose scale and direction are known, wrong or unknown: see tests/bench/any_scale.py."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from solving.synthetic import SCALES, any_frame, any_hint, attitude_of, observe, random_list

from polewright.calculation.geometry.rotation import rotation_matrix
from polewright.foundation.angles import DEG, separation
from polewright.solving.base import SolveHint
from polewright.solving.embedded import quads
from polewright.solving.embedded import solver as embedded
from polewright.solving.embedded.solver import EmbeddedSolver
from polewright.solving.errors import NoMatch


@pytest.fixture(scope="module")
def solver() -> EmbeddedSolver:
    made = embedded.create({"catalogue": "none", "blind": True})
    assert isinstance(made, EmbeddedSolver)
    return made


def test_frames_of_any_scale_and_direction_are_solved(solver: EmbeddedSolver) -> None:
    """8 of 8 frames of 1.3 to 30 degrees, each kind of scale hint among them. The scales twice
    off were not found while the scale was a gate."""
    kinds = set()
    for seed in range(8):
        rng = np.random.default_rng([83, seed])
        stars, truth = any_frame(rng)
        hint, scale, _direction = any_hint(rng, truth)
        kinds.add(scale)
        found = solver.solve(stars, hint, timeout_s=120.0)

        assert separation(found.centre_icrs, truth.attitude[:, 2]) < 10.0 * truth.scale, seed
        assert found.scale == pytest.approx(truth.scale, rel=5e-3)

    assert kinds == set(SCALES)


@pytest.mark.parametrize("width_deg", [1.35, 1.82])
def test_narrow_fields_of_unknown_scale_are_found_anywhere(
    solver: EmbeddedSolver, width_deg: float
) -> None:
    """Nothing is known: README promises 1.3 degrees, and not from two on."""
    rng = np.random.default_rng([5, round(100 * width_deg)])
    stars, truth = observe(rng, width_deg, 5.4, 0.35, sky_limit=11.0)
    found = solver.solve(stars, SolveHint(), timeout_s=120.0)

    assert separation(found.centre_icrs, truth.attitude[:, 2]) < 5.0 * truth.scale


def test_a_full_frame_at_the_pole_is_found_from_the_other_side_of_the_sky(
    solver: EmbeddedSolver,
) -> None:
    """50 mm at the celestial pole, 500 stars, 2 frames: a search of four-star patterns by another
    library missed some of them."""
    for seed in range(2):
        rng = np.random.default_rng([50, seed])
        stars, truth = observe(rng, 10.5, float(rng.uniform(0, 6)), 1.57, sky_limit=8.5)
        hint = SolveHint(-truth.attitude[:, 2], 10.0 * DEG, 1.02 * truth.scale)

        assert (
            separation(solver.solve(stars, hint).centre_icrs, truth.attitude[:, 2])
            < 5.0 * truth.scale
        )


@pytest.mark.parametrize("count", [6, 150])
def test_no_stars_are_no_place_whatever_the_scale(solver: EmbeddedSolver, count: int) -> None:
    """Detections that are no stars: all scales, the whole sky, and no solution."""
    rng = np.random.default_rng([7, count])
    with pytest.raises(NoMatch):
        solver.solve(random_list(rng, count), SolveHint(), timeout_s=120.0)


@pytest.mark.parametrize("k1", [0.0146, -0.0146])
def test_a_lens_is_followed_with_fifty_stars(solver: EmbeddedSolver, k1: float) -> None:
    """24 to 59 stars carry a quadratic map, which cannot bend as a lens does: the right place was
    refused with 7 to 12 pixels of residuals."""
    rng = np.random.default_rng(12)
    stars, truth = observe(rng, 8.4, 1.1, 0.2, sky_limit=7.9, k1=k1)
    found = solver.solve(stars, SolveHint(scale=truth.scale))

    assert 40 <= truth.real < 60
    assert separation(found.centre_icrs, truth.attitude[:, 2]) < 3.0 * truth.scale
    assert found.distortion.k1 == pytest.approx(k1, abs=3e-3)


@given(
    places=st.lists(
        st.tuples(st.floats(-1, 1), st.floats(-1, 1)), min_size=4, max_size=4, unique=True
    ),
    size=st.floats(0.002, 0.2),
    roll=st.floats(0, 6.28),
    order=st.permutations(range(4)),
)
def test_a_shape_keeps_its_code(
    places: list[tuple[float, float]], size: float, roll: float, order: list[int]
) -> None:
    """Whatever the direction, the roll and the order of its corners; mirrored it changes sides."""
    plane = np.array(places)
    v = np.column_stack([plane * size, np.ones(4)])
    v /= np.linalg.norm(v, axis=1, keepdims=True)
    apart = sorted(math.dist(a, b) for k, a in enumerate(v) for b in v[:k])
    if apart[0] < 0.05 * size or apart[-1] - apart[-2] < 1e-6:
        return  # two in one place, or two sides that are the longest
    turned = v @ rotation_matrix(np.array([0.3, -2.0, roll])).T
    four = np.arange(4)[None, :]
    _, code, longest = quads.coded(v, four)
    corners, again, same = quads.coded(turned[list(order)], four)
    _, mirrored, _ = quads.coded(v * [1.0, -1.0, 1.0], four)

    sums = code[0, :2].sum()
    if abs(sums - 1.0) < 1e-6 or abs(code[0, 0] - code[0, 1]) < 1e-6:
        return  # as good the one way round as the other
    assert again == pytest.approx(code, abs=1e-6)
    assert same == pytest.approx(longest)
    assert sorted(corners[0]) == [0, 1, 2, 3]
    assert mirrored == pytest.approx(code * [1.0, 1.0, -1.0, -1.0], abs=1e-6)


def test_a_level_has_its_share_of_stars_everywhere() -> None:
    """Frames of its width hold a dozen of its stars, in the Milky Way and far from it."""
    catalogue = embedded.bundled_catalogue()
    every = catalogue.cone(np.array([0.0, 0.0, 1.0]), math.pi, 2026.0).vectors
    level = quads.level_of(every, 4.0 * math.pi, 8.0 * DEG)
    assert level is not None
    cap = math.sqrt(8.0 * 8.0 / 1.5 / math.pi) * DEG
    for ra, dec in ((4.65, -0.5), (3.36, 0.47), (1.0, 1.5), (0.2, -0.47)):
        middle = attitude_of(ra, dec, 0.0)[:, 2]
        inside = np.count_nonzero(level.field.vectors @ middle > math.cos(cap))

        assert 7 <= inside <= 22
    assert level.corners.max() < len(level.field.vectors)
