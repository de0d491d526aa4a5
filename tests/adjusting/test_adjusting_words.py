"""Profile, sentences, tone, spoken words and trail."""

from __future__ import annotations

import itertools
import math
import pickle
import re
from dataclasses import replace

import numpy as np
import pytest
import tomlkit
from adjusting.hand import random_hand
from hypothesis import given
from hypothesis import strategies as st

from polewright.calculation.adjusting import instructions as phrases
from polewright.calculation.adjusting.advice import Advice
from polewright.calculation.adjusting.axis_at_rest import State
from polewright.calculation.adjusting.errors import (
    FramesOutOfOrder,
    TurnsNotUsable,
)
from polewright.calculation.adjusting.instructions import Action, turns_phrase
from polewright.calculation.adjusting.tone import (
    FAR_HZ,
    NEAR_HZ,
    PAST_BEAT_S,
    PAST_HZ,
    Tone,
    spoken,
    tone_for,
)
from polewright.calculation.adjusting.trail import Trail
from polewright.foundation.adjuster_profile import AdjusterProfile, Axis
from polewright.foundation.angles import ARCMIN, ARCSEC
from polewright.foundation.config import BadConfig, config_from_text
from polewright.foundation.errors import PolewrightError


@pytest.mark.parametrize(
    ("turns", "sigma", "text"),
    [
        (0.02, None, "less than 1/8 turn"),
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
def test_nearer_never_sounds_lower_or_slower(a: float, b: float, zone: float) -> None:
    """Pitch and beat are monotonic in the way left; on the mark the tone is steady."""
    near, far = tone_for(min(a, b), zone), tone_for(max(a, b), zone)

    assert FAR_HZ - 1e-9 <= far.frequency_hz <= near.frequency_hz <= NEAR_HZ
    if near.beat_period_s is not None:
        assert far.beat_period_s is not None
        assert far.beat_period_s >= near.beat_period_s
    assert (near.beat_period_s is None) == (min(a, b) <= zone)


@given(st.floats(0.0, 0.1), st.floats(1e-5, 1e-3))
def test_past_the_mark_sounds_like_nothing_before_it(left: float, zone: float) -> None:
    """A hand that went too far hears so, unless it is still as good as on the mark."""
    past = tone_for(left, zone, passed=True)

    assert past == (tone_for(0.0, zone) if left <= zone else Tone(PAST_HZ, PAST_BEAT_S))
    assert PAST_HZ < FAR_HZ


@pytest.mark.parametrize("way", [-1e-3, math.nan, math.inf])
def test_no_tone_for_what_is_no_way(way: float) -> None:
    """Silence would be mistaken for something; an error is raised."""
    with pytest.raises(ValueError, match="no tone"):
        tone_for(way, 1e-4)


WAYS = {Action.RAISE: "up", Action.LOWER: "down", Action.EAST: "east", Action.WEST: "west"}


def test_speech_never_names_a_way_that_is_not_to_be_turned_now() -> None:
    """Whoever closes his eyes and hears "up" raises the axis: so only that may be meant.

    Nor is the button's word used for anything but the button.
    """
    for action, heading, arcmin, passed, state in itertools.product(
        Action, [None, *WAYS], [0.1, 4.2], [False, True], State
    ):
        shown = action if action in WAYS else heading
        advice = Advice(action, "", Axis.ALTITUDE, shown, arcmin, passed=passed, zone_arcmin=0.4)

        words = re.findall("[a-z]+", spoken(advice, state))

        turn_on = action is Action.WAIT and state is State.MOVING and not passed and arcmin > 0.4
        meant = shown if action in WAYS or turn_on else None
        assert [word for word in words if word in WAYS.values()] == ([WAYS[meant]] if meant else [])
        assert "stop" not in words


def test_few_words_are_spoken() -> None:
    """Direction first, then turns or the amount; on the mark and past it: let go."""
    turning = Advice(Action.RAISE, "", Axis.ALTITUDE, Action.RAISE, 4.2, zone_arcmin=0.4)
    moving = replace(turning, action=Action.WAIT, amount_arcmin=0.5)

    assert spoken(turning) == "up, 4.2 minutes"
    assert spoken(replace(turning, turns=1.25, turns_sigma=0.05)) == "up, about 1 1/4 turns"
    assert spoken(moving, State.MOVING) == "up, 30 seconds"
    assert spoken(replace(moving, amount_arcmin=0.3), State.MOVING) == "let go"
    assert spoken(replace(moving, passed=True), State.MOVING) == "let go"
    assert spoken(moving, State.SETTLING) == "wait"
    assert spoken(Advice(Action.WAIT, ""), State.LOST) == "wait"


def test_sentences_never_say_left_or_right() -> None:
    """Where left is depends on where one stands; compass words do not."""
    hand = random_hand(np.random.default_rng(12), error_deg=1.5)
    hand.align()
    said = [r.advice.sentence for r in hand.readings]
    said += [n.sentence for r in hand.readings for n in r.notices]

    assert len(said) > 20
    assert all(s.endswith(".") for s in said)
    assert not any("press" in s.lower() for s in said)  # page and terminal have other buttons
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
