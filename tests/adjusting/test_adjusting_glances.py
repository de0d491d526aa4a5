"""Which part of the frame a glance shows, and what a row of glances comes to."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from adjusting.hand import Z, turn
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.calculation.adjusting.base_turn import BaseTurn, Picture
from polewright.calculation.adjusting.glance_choice import (
    LEAST_STARS,
    STEP_PX,
    Ability,
    Bright,
    Glance,
    Pace,
    choose_glance,
)
from polewright.calculation.adjusting.glance_follow import FULL_EVERY_S, GlanceFollower
from polewright.calculation.geometry.attitude import camera_vectors
from polewright.foundation.angles import ARCSEC, DEG, Matrix, Vector, enu_from_azalt

AXIS = enu_from_azalt(0.0, 44.0 * DEG)


class Sky:
    """A frame full of stars: many faint ones, few bright ones."""

    def __init__(self, seed: int, width: int = 4000, height: int = 2600, stars: int = 250) -> None:
        rng = np.random.default_rng(seed)
        self.picture = Picture(width, height, 1, 2.0 * ARCSEC)
        self.places = rng.uniform([0, 0], [width, height], (stars, 2))
        flux = np.sort(3e3 * rng.pareto(1.2, stars) + 3e3)[::-1]
        self.bright = Bright(flux, flux / 8.0, 2.6, 8.0, 1.0, 60_000.0)
        boresight = enu_from_azalt(150.0 * DEG, 50.0 * DEG)
        right = np.cross(boresight, Z) / np.linalg.norm(np.cross(boresight, Z))
        self.camera: Matrix = np.column_stack([right, np.cross(boresight, right), boresight])
        vectors = camera_vectors(self.places, width, height, 1, self.picture.scale)
        self.directions: Vector = vectors @ self.camera.T

    def choose(self, pace: Pace, ability: Ability | None = None) -> Glance | None:
        return choose_glance(
            self.bright, self.places, self.directions, self.camera, AXIS, self.picture, pace,
            ability or Ability(0.001, 1),
        )  # fmt: skip


@settings(deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 10_000),
    per_pixel_s=st.floats(1e-8, 1e-6),
    least_s=st.floats(0.0, 1.0),
    binning=st.integers(1, 4),
)
def test_a_glance_lies_in_the_frame_and_shows_stars(
    seed: int, per_pixel_s: float, least_s: float, binning: int
) -> None:
    sky = Sky(seed)
    glance = sky.choose(Pace(0.05, per_pixel_s), Ability(least_s, binning))
    if glance is None:
        return
    assert min(glance.left, glance.top) >= 0
    assert glance.left + glance.width <= sky.picture.width
    assert glance.top + glance.height <= sky.picture.height
    step = STEP_PX * glance.binning
    assert all(v % step == 0 for v in (glance.left, glance.top, glance.width, glance.height))
    assert 1 <= glance.binning <= binning
    assert glance.exposure_s >= least_s
    seen = np.isfinite(sky.bright.sigma_px(glance.exposure_s, glance.binning))
    assert int((seen & glance.holds(sky.places)).sum()) >= LEAST_STARS
    moved = glance.moved_to(np.array([1e5, -1e5]), sky.picture)
    assert moved.left + moved.width <= sky.picture.width
    assert moved.top == 0


def test_a_quick_camera_takes_less_than_a_fifth_of_a_second_and_a_slow_one_less_of_the_frame() -> (
    None
):
    quick, slow = Sky(1).choose(Pace(0.06, 3e-8)), Sky(1).choose(Pace(0.06, 1e-6))
    assert quick is not None
    assert slow is not None
    assert quick.expected_s < 0.2
    assert slow.pixels < quick.pixels
    assert quick.sigma < slow.sigma


def test_wide_stars_are_binned() -> None:
    sky = Sky(2)
    wide = replace(sky.bright, fwhm_px=6.0)
    sky.bright = wide
    binned = sky.choose(Pace(0.05, 3e-7), Ability(0.001, 4))
    whole = sky.choose(Pace(0.05, 3e-7), Ability(0.001, 1))
    assert binned is not None
    assert whole is not None
    assert binned.binning > 1
    assert binned.sigma <= whole.sigma or binned.expected_s < whole.expected_s


@pytest.mark.parametrize("seed", range(6))
def test_where_stars_are_faint_a_glance_counts_on_more_of_them_than_it_needs(seed: int) -> None:
    """A faint star is not seen in every glance, and one too few shows nothing."""
    sky = Sky(seed)
    sky.bright = replace(sky.bright, flux_per_s=0.1 * sky.bright.flux_per_s)
    glance = sky.choose(Pace(0.05, 3e-8))
    assert glance is not None
    seen = np.isfinite(sky.bright.sigma_px(glance.exposure_s, glance.binning))
    assert int((seen & glance.holds(sky.places)).sum()) >= LEAST_STARS + 2


def test_without_bright_stars_there_is_no_glance() -> None:
    sky = Sky(3)
    sky.bright = replace(sky.bright, flux_per_s=sky.bright.flux_per_s * 1e-4)
    assert sky.choose(Pace(0.05, 3e-8)) is None


def test_places_of_a_binned_glance_are_those_of_the_frame() -> None:
    glance = Glance(64, 32, 320, 320, 2, 0.1, 0.0, 0.1)
    assert glance.to_frame(np.array([0.0]), np.array([3.0])).tolist() == [[64.5, 38.5]]


# -- a row of glances ------------------------------------------------------------------------


class Row:
    """Glances ten times a second, each with an error of 2 arcsec, and full frames between."""

    def __init__(self) -> None:
        self.follower = GlanceFollower()
        self.rng = np.random.default_rng(11)
        self.now_s = 100.0
        self.up = 0.0
        self.offset = 0.0

    def axis(self, off: float) -> Vector:
        return np.asarray(turn(np.array([1.0, 0.0, 0.0]), off) @ AXIS)

    def full(self, *, settled: bool = True) -> bool:
        self.follower.full_begun(self.now_s)
        self.now_s += 1.5
        return self.follower.full(self.axis(self.up), 1.5, settled=settled)

    def glance(self, count: int = 1, rate: float = 0.0, odd: float = 0.0) -> None:
        for _ in range(count):
            self.now_s += 0.1
            self.up += 0.1 * rate
            sigma = 2.0 * ARCSEC
            axis = self.axis(self.up + self.offset + sigma * self.rng.normal())
            plane = np.eye(3) - np.outer(axis, axis)
            found = BaseTurn(
                np.eye(3), 0.0, 0.0, np.eye(2) * sigma**2, axis, plane * sigma**2,
                odd * sigma, sigma, np.ones(5, dtype=bool), 0.1,
            )  # fmt: skip
            self.follower.seen(found, self.now_s)

    @property
    def due(self) -> bool:
        return self.follower.full_due(self.now_s)


def test_a_turn_is_seen_within_two_glances_and_full_frames_wait_for_its_end() -> None:
    row = Row()
    assert row.due  # nothing is known yet
    row.full(settled=False)
    row.full()
    row.glance(8)
    assert not row.follower.turning
    assert not row.due

    row.glance(2, rate=150.0 * ARCSEC)
    assert row.follower.turning
    for _ in range(100):  # ten seconds of turning: a full frame would be smeared
        row.glance(1, rate=150.0 * ARCSEC)
        assert not row.due
    row.glance(12)
    assert row.follower.resting
    assert row.due

    row.full(settled=False)
    assert not row.follower.turning
    row.glance(8)
    assert row.due  # one more frame, that agrees
    row.full()
    row.glance(8)
    assert not row.due
    row.glance(math.ceil(10 * FULL_EVERY_S))
    assert row.due


@pytest.mark.parametrize("there", [True, False])
def test_a_hand_that_pauses_short_of_the_mark_is_not_taken_to_have_let_go(there: bool) -> None:
    """Else it goes on into the full frame, which tells nothing then, and hides the glances."""
    row = Row()
    row.full()
    row.glance(20, rate=300.0 * ARCSEC)
    row.follower.told(there=there)
    row.glance(10)
    assert row.follower.resting
    assert row.due is there
    row.glance(12)
    assert row.due


@pytest.mark.parametrize("shake_arcsec", [6.0, 16.0])
@pytest.mark.parametrize("seed", range(5))
def test_wind_that_shakes_the_tube_does_not_keep_full_frames_away(
    shake_arcsec: float, seed: int
) -> None:
    """A turn has ended, and glances scatter by more than their own errors for as long as it blows.

    With a turn going on, no full frame is due however it shakes.
    """
    row = Row()
    row.rng = np.random.default_rng(seed)
    row.full()
    row.follower.told(there=False)

    def shaken(rate: float) -> None:
        row.offset = shake_arcsec * ARCSEC * row.rng.normal()
        row.glance(1, rate=rate)

    for _ in range(40):
        shaken(60.0 * ARCSEC)
        assert not (row.follower.turning and row.due)
    waited = 0
    while not row.due:
        waited += 1
        assert waited < 150, "no full frame in 15 s of rest"
        shaken(0.0)


def test_after_a_smeared_frame_the_hand_is_waited_for() -> None:
    row = Row()
    row.full()
    row.glance(8)
    row.follower.full_begun(row.now_s)
    row.now_s += 1.5
    row.up += 200.0 * ARCSEC
    row.follower.nothing(smeared=True)
    row.follower.told(there=False)
    row.glance(10)
    assert row.follower.resting
    assert not row.due
    row.glance(20)
    assert row.due


def test_a_turn_that_has_ended_is_settled_by_two_full_frames_in_a_row() -> None:
    row = Row()
    row.full()
    row.glance(20, rate=300.0 * ARCSEC)
    row.glance(10)
    assert row.due
    row.follower.full_begun(row.now_s)
    assert row.due  # the second is begun before the first is read
    row.full(settled=False)
    row.glance()
    row.full()
    row.glance(8)
    assert not row.due


def test_what_was_settled_before_the_locks_were_tightened_is_settled_anew() -> None:
    row = Row()
    row.full()
    row.glance(8)
    assert not row.due
    row.follower.unsettled()
    assert row.due


def test_a_steady_axis_does_not_turn_in_a_thousand_glances() -> None:
    row = Row()
    row.full()
    turned = 0
    for _ in range(1000):
        row.glance()
        turned += row.follower.turning
        if row.follower.turning:
            row.full()
    assert turned <= 5


@pytest.mark.parametrize("lost", [True, False])
def test_lost_stars_and_odd_ones_ask_for_a_full_frame(lost: bool) -> None:
    row = Row()
    row.full()
    row.glance(3)
    for _ in range(3):
        assert not row.due
        if lost:
            row.follower.unseen()
        else:
            row.glance(odd=20.0)
    assert row.due
    assert row.follower.odd is not lost


def test_glances_that_contradict_the_full_frames_around_them_are_told() -> None:
    row = Row()
    row.full()
    row.glance(6)
    assert not row.full()
    row.offset = 30.0 * ARCSEC  # a driver that rounds the subframe's corner
    row.glance(12)
    assert row.full()
    row.offset = 0.0
    row.glance(3, rate=100.0 * ARCSEC)
    row.glance(10)
    assert not row.full(settled=False)  # that was a turn
    row.glance(10)
    assert not row.full()


def test_one_full_frame_is_asked_for_at_a_time() -> None:
    row = Row()
    row.full()
    row.glance(70)
    assert row.due
    row.follower.full_begun(row.now_s)
    assert not row.due
    row.glance(5, rate=100.0 * ARCSEC)
    assert row.follower.turning
    assert not row.due
