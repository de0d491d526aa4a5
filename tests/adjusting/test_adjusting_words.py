"""Profile, sentences, tone, spoken words and trail."""

from __future__ import annotations

import itertools
import math
import pickle
from dataclasses import replace

import numpy as np
import pytest
import tomlkit
from adjusting.hand import random_hand
from hypothesis import given
from hypothesis import strategies as st

from polewright.calculation.adjusting import instructions as phrases
from polewright.calculation.adjusting.advice import Advice
from polewright.calculation.adjusting.errors import (
    FramesOutOfOrder,
    TurnsNotUsable,
)
from polewright.calculation.adjusting.instructions import Action, turns_phrase
from polewright.calculation.adjusting.tone import FAR_HZ, NEAR_HZ, spoken, tone_for
from polewright.calculation.adjusting.trail import Trail
from polewright.foundation.adjuster_profile import AdjusterProfile, Axis
from polewright.foundation.angles import ARCMIN, ARCSEC
from polewright.foundation.config import BadConfig, config_from_text
from polewright.foundation.errors import PolewrightError


@pytest.mark.parametrize(
    ("turns", "sigma", "text"),
    [
        (0.02, None, "less than an eighth of a turn"),
        (0.25, 0.01, "about 1/4 turn"),
        (1.0, 0.5, "roughly 1 turn"),
        (1.26, 0.05, "about 1 1/4 turns"),
        (3.42, 0.1, "about 3.4 turns"),
        (12.3, 0.1, "about 12 turns"),
    ],
)
def test_turns_are_said_in_eighths(turns: float, sigma: float | None, text: str) -> None:
    """No finer than a hand can do, and "roughly" where the rate is badly known."""
    assert turns_phrase(turns, sigma) == text


@given(st.floats(0.0, 0.1), st.floats(0.0, 0.1), st.floats(1e-5, 1e-3))
def test_nearer_never_sounds_lower_or_slower(a: float, b: float, goal: float) -> None:
    """Pitch and beat are monotonic in the distance; on the mark the tone is steady."""
    near, far = tone_for(min(a, b), goal), tone_for(max(a, b), goal)

    assert FAR_HZ - 1e-9 <= far.frequency_hz <= near.frequency_hz <= NEAR_HZ
    if near.beat_period_s is not None:
        assert far.beat_period_s is not None
        assert far.beat_period_s >= near.beat_period_s
    assert (near.beat_period_s is None) == (min(a, b) <= goal)


@pytest.mark.parametrize("distance", [-1e-3, math.nan, math.inf])
def test_no_tone_for_what_is_no_distance(distance: float) -> None:
    """Silence would be mistaken for something; an error is raised."""
    with pytest.raises(ValueError, match="no tone"):
        tone_for(distance, 1e-4)


def test_few_words_are_spoken() -> None:
    """Direction first, then the amount; stop before all else."""
    turning = Advice(Action.RAISE, "", Axis.ALTITUDE, Action.RAISE, 4.2)
    waiting = Advice(Action.WAIT, "", Axis.ALTITUDE, Action.RAISE, 0.5)

    assert spoken(turning) == "up, 4.2 minutes"
    assert spoken(waiting) == "up, 30 seconds"
    assert spoken(replace(waiting, passed=True, heading=Action.LOWER)) == "stop, too far, down"
    assert spoken(Advice(Action.WAIT, "")) == "wait"
    assert {spoken(Advice(a, "", amount_arcmin=1.0)) for a in Action} >= {"done", "wait"}


def test_sentences_never_say_left_or_right() -> None:
    """Where left is depends on where one stands; compass words do not."""
    hand = random_hand(np.random.default_rng(12), error_deg=1.5)
    hand.align()
    said = [r.advice.sentence for r in hand.readings]
    said += [n.sentence for r in hand.readings for n in r.notices]

    assert len(said) > 20
    assert all(s.endswith((".", "press Snugged.")) for s in said)
    for sentence in said:
        words = sentence.lower().replace(",", " ").split()
        assert "right" not in words
        # "left" may only be what is left of the travel
        assert "left" not in words


def test_travel_sentence_says_what_is_missing() -> None:
    """Altitude travel short: a leg or the coarse setting, then a new sweep."""
    goal = phrases.Goal(Action.RAISE, 30.0 * ARCMIN, 30.0 * ARCMIN, 0.0)

    text = phrases.move_base(AdjusterProfile().altitude, goal, 12.0 * ARCMIN)

    assert "has only 12 arcmin of travel left" in text
    assert "tripod leg" in text
    assert "new sweep" in text


@pytest.mark.parametrize(
    ("table", "field"),
    [
        ({"altitude": {"arcmin_per_turn": -3}}, "altitude.arcmin_per_turn"),
        ({"azimuth": {"name": ""}}, "azimuth.name"),
        ({"azimut": {}}, "azimut"),
        ({"ra_slack_arcmin": "much"}, "ra_slack_arcmin"),
    ],
)
def test_a_wrong_profile_names_the_field(table: dict[str, object], field: str) -> None:
    """The user reads which entry to correct."""
    with pytest.raises(BadConfig, match=field.replace(".", r"\.")):
        config_from_text(tomlkit.dumps({"profile": table}))


@pytest.mark.parametrize(
    "error",
    [
        FramesOutOfOrder(10.0, 70.0),
        TurnsNotUsable(0.0),
    ],
)
def test_errors_survive_pickling_with_sentence_and_advice(error: PolewrightError) -> None:
    """They may cross a process."""
    again = pickle.loads(pickle.dumps(error))

    assert str(again) == str(error)
    assert again.advice
    assert again.code != PolewrightError.code


def test_the_trail_keeps_the_way_and_not_the_standing_still() -> None:
    """A whole alignment leaves about a point a move, in the order of time, ending near the pole."""
    hand = random_hand(np.random.default_rng(21), error_deg=0.4)
    hand.align()
    trail = Trail()
    fresh = sum(trail.add(r) for r in hand.readings)
    points = trail.points

    assert fresh == len(points)
    assert 2 <= len(points) < sum(r.settled for r in hand.readings)
    assert all(a.utc_s < b.utc_s for a, b in itertools.pairwise(points))
    assert points[-1].total < 30.0 * ARCSEC
    assert points[0].total > 10.0 * ARCMIN


def test_the_trail_forgets_its_oldest_points() -> None:
    """Two points at most: the last two."""
    hand = random_hand(np.random.default_rng(21), error_deg=0.4)
    hand.align()
    trail = Trail(most=2)
    for reading in hand.readings:
        trail.add(reading)

    assert len(trail.points) == 2
    with pytest.raises(ValueError, match="at least 1"):
        Trail(most=0)
