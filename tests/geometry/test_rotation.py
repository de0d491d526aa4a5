from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from polewright.calculation.geometry.errors import TooFewDirections
from polewright.calculation.geometry.rotation import (
    cross_matrix,
    rotation_about,
    rotation_matrix,
    rotation_vector,
    tangent_basis,
    turn_about,
    wahba,
)

COMPONENT = st.floats(-1, 1)
DIRECTION = (
    st.tuples(COMPONENT, COMPONENT, COMPONENT)
    .filter(lambda v: np.linalg.norm(v) > 0.01)
    .map(lambda v: np.array(v) / np.linalg.norm(v))
)
ANGLE = st.one_of(
    st.floats(0.0, math.pi),
    st.floats(1e-12, 1e-6),
    st.floats(0.0, 1e-6).map(lambda d: math.pi - d),
)


@given(axis=DIRECTION, angle=ANGLE)
def test_rotation_vectors_come_back(axis: np.ndarray, angle: float) -> None:
    """For tiny turns, near half a turn and between; scipy makes the matrix."""
    vector = axis * angle
    matrix = Rotation.from_rotvec(vector).as_matrix()

    assert np.allclose(rotation_matrix(vector), matrix, atol=1e-14)
    assert np.allclose(rotation_matrix(rotation_vector(matrix)), matrix, atol=2e-14)
    if angle < 3.14:
        assert np.allclose(rotation_vector(matrix), vector, rtol=1e-10, atol=1e-14)


def test_the_zero_turn_has_the_zero_vector() -> None:
    """No division by the angle."""
    assert np.array_equal(rotation_vector(np.eye(3)), np.zeros(3))
    assert np.array_equal(rotation_matrix(np.zeros(3)), np.eye(3))


@given(axis=DIRECTION, other=DIRECTION)
def test_the_cross_matrix_multiplies_like_the_cross_product(
    axis: np.ndarray, other: np.ndarray
) -> None:
    """By definition."""
    assert np.allclose(cross_matrix(axis) @ other, np.cross(axis, other), atol=1e-15)


def test_rotations_broadcast_over_angles() -> None:
    """A vector of angles gives a stack of matrices."""
    stack = rotation_about(np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.5, -2.0]))

    assert stack.shape == (3, 3, 3)
    assert np.allclose(stack[2], Rotation.from_rotvec([0.0, 0.0, -2.0]).as_matrix())


@given(axis=DIRECTION, angle=st.floats(-3.14, 3.14), swing=st.floats(0, 1.0))
def test_the_turn_about_an_axis_is_signed_and_ignores_a_swing(
    axis: np.ndarray, angle: float, swing: float
) -> None:
    """The twist of a swing-twist decomposition."""
    twist = Rotation.from_rotvec(axis * angle)
    side = tangent_basis(axis)[:, 0]

    assert turn_about(twist.as_matrix(), axis) == pytest.approx(angle, abs=1e-12)
    both = (Rotation.from_rotvec(side * swing) * twist).as_matrix()
    assert turn_about(both, axis) == pytest.approx(angle, abs=1e-10)


@given(axis=DIRECTION)
def test_a_tangent_basis_is_right_handed(axis: np.ndarray) -> None:
    """First cross second is the direction itself."""
    basis = tangent_basis(axis)

    assert np.allclose(np.cross(basis[:, 0], basis[:, 1]), axis, atol=1e-12)
    assert np.allclose(basis.T @ basis, np.eye(2), atol=1e-12)


@given(axis=DIRECTION, angle=ANGLE, n=st.integers(2, 8), seed=st.integers(0, 1000))
def test_wahba_recovers_a_rotation(axis: np.ndarray, angle: float, n: int, seed: int) -> None:
    """From two directions up, exactly when there is no noise; never a mirror."""
    rng = np.random.default_rng(seed)
    camera = rng.normal(size=(n, 3))
    camera /= np.linalg.norm(camera, axis=1, keepdims=True)
    truth = Rotation.from_rotvec(axis * angle).as_matrix()

    found = wahba(camera, camera @ truth.T, rng.uniform(0.5, 2.0, n))

    assert np.allclose(found, truth, atol=1e-7)
    assert np.linalg.det(found) == pytest.approx(1.0)


@pytest.mark.parametrize("directions", [np.eye(3)[:1], np.eye(3)[[2, 2, 2]]])
def test_one_direction_fixes_no_rotation(directions: np.ndarray) -> None:
    """A single star, or the same one several times, is refused."""
    with pytest.raises(TooFewDirections):
        wahba(directions, directions, np.ones(len(directions)))


def test_a_rotation_vector_turns_by_its_length() -> None:
    """A quarter turn about z carries x to y."""
    assert rotation_matrix(np.array([0.0, 0.0, math.pi / 2])) @ [1.0, 0.0, 0.0] == pytest.approx(
        [0.0, 1.0, 0.0], abs=1e-15
    )
