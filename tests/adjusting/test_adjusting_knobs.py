"""What the user's own moves teach."""

from __future__ import annotations

import math

import numpy as np
import pytest

from polewright.calculation.adjusting.errors import TurnsNotUsable
from polewright.calculation.adjusting.knobs import KnobLearner
from polewright.foundation.adjuster_profile import AltitudeAdjuster, AzimuthAdjuster
from polewright.foundation.angles import ARCMIN, ARCSEC

NOISE = 3.0 * ARCSEC


def move(knob: KnobLearner, arcmin: float, turns: float, other_arcmin: float = 0.0) -> None:
    knob.moved(arcmin * ARCMIN, NOISE, other_arcmin * ARCMIN, NOISE)
    knob.note_turns(turns)


def test_the_rate_is_learned_within_its_stated_uncertainty() -> None:
    """Turns told to an eighth: after six moves the true rate lies within two sigmas in at least
    85 of 100 trials, and the sigma is below 15 %."""
    good, sigmas = 0, []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        rate = float(rng.uniform(15.0, 90.0))
        knob = KnobLearner(AzimuthAdjuster())
        for _ in range(6):
            turns = float(rng.uniform(0.3, 2.0))
            told = max(0.125, round(turns * 8.0) / 8.0)
            move(knob, turns * rate + float(rng.normal()) * NOISE / ARCMIN, told)
        found = knob.rate
        assert found is not None
        good += abs(found.arcmin_per_turn - rate) < 2.0 * found.sigma
        sigmas.append(found.sigma / found.arcmin_per_turn)

    assert good >= 85
    assert max(sigmas) < 0.15


def test_one_wrongly_told_move_does_not_spoil_the_rate() -> None:
    """Five honest moves of 40 arcmin a turn and one told as a tenth of what it was."""
    knob = KnobLearner(AltitudeAdjuster())
    for turns in (1.0, 0.5, 2.0, 1.5, 0.75):
        move(knob, 40.0 * turns, turns)
    move(knob, 40.0, 0.1)

    assert knob.rate is not None
    assert knob.rate.arcmin_per_turn == pytest.approx(40.0, rel=0.12)


def test_one_sample_is_believed_little() -> None:
    """A quarter of the rate is its 1-sigma after one move."""
    knob = KnobLearner(AzimuthAdjuster())
    move(knob, 30.0, 1.0)

    assert knob.rate is not None
    assert knob.rate.samples == 1
    assert knob.rate.sigma == pytest.approx(7.5, rel=0.01)


def test_backlash_is_learned_from_reversals_and_added_to_the_turns() -> None:
    """4 arcmin lost after each reversal, rate 40."""
    knob = KnobLearner(AzimuthAdjuster())
    direction = 1.0
    for _ in range(6):
        move(knob, direction * 40.0, direction * (1.0 if knob.rate is None else 1.1))
        move(knob, direction * 60.0, direction * 1.5)
        direction = -direction
    told = knob.turns_for(-20.0 * ARCMIN * knob.last_direction)
    plain = knob.turns_for(20.0 * ARCMIN * knob.last_direction)

    assert knob.backlash is not None
    size, sigma = knob.backlash
    assert abs(size / ARCMIN - 4.0) < 2.0 * sigma / ARCMIN
    assert told is not None
    assert plain is not None
    assert plain == pytest.approx(0.5, rel=0.05)
    assert told > plain + 0.02


def test_turns_that_moved_nothing_count_towards_the_next_move() -> None:
    """Half a turn of slack, then half a turn that bites: one turn for 20 arcmin, not half."""
    knob = KnobLearner(AzimuthAdjuster())
    move(knob, 40.0, 1.0)
    move(knob, 40.0, 1.0)
    knob.note_turns(-0.5)  # no move was seen
    move(knob, -20.0, -0.5)

    assert knob.backlash is not None
    assert knob.backlash[0] > 5.0 * ARCMIN


def test_told_figures_of_the_profile_are_used() -> None:
    """Rate and backlash from the profile, no learning needed."""
    knob = KnobLearner(AltitudeAdjuster(arcmin_per_turn=30.0, backlash_arcmin=5.0))
    knob.moved(10.0 * ARCMIN, NOISE, 0.0, NOISE)

    assert knob.turns_for(15.0 * ARCMIN) == pytest.approx(0.5)
    assert knob.turns_for(-15.0 * ARCMIN) == pytest.approx((15.0 + 4.5) / 30.0)


def test_cross_talk_is_the_median_of_the_moves() -> None:
    """Azimuth moves that raise by 5 % of themselves, one bump among them."""
    knob = KnobLearner(AzimuthAdjuster())
    for arcmin, other in ((20.0, 1.0), (-30.0, -1.5), (10.0, 0.5), (12.0, 9.0)):
        knob.moved(arcmin * ARCMIN, NOISE, other * ARCMIN, NOISE)

    assert knob.cross_talk is not None
    assert knob.cross_talk[0] == pytest.approx(0.05, abs=0.005)


def test_travel_that_is_left_shrinks_and_grows_with_the_moves() -> None:
    """50 arcmin to the east at first; 20 used; 10 given back."""
    knob = KnobLearner(AzimuthAdjuster(travel_plus_arcmin=50.0))
    knob.moved(20.0 * ARCMIN, NOISE, 0.0, NOISE)
    knob.moved(-10.0 * ARCMIN, NOISE, 0.0, NOISE)

    assert knob.travel_left(plus=True) == pytest.approx(40.0 * ARCMIN)
    assert knob.travel_left(plus=False) is None


@pytest.mark.parametrize("turns", [0.0, math.nan, math.inf, 1e4])
def test_turns_that_cannot_be_are_refused(turns: float) -> None:
    """Nothing, not a number, without end, or ten thousand turns."""
    with pytest.raises(TurnsNotUsable, match="no usable number of turns"):
        KnobLearner(AltitudeAdjuster()).note_turns(turns)


def test_turns_that_moved_nothing_make_the_next_advice_longer() -> None:
    """Slack of 8 arcmin in the profile, but more in truth: once it should have been taken up, the
    advice does not fall back to the bare way but grows with every turn that moved nothing."""
    knob = KnobLearner(AzimuthAdjuster(arcmin_per_turn=30.0, backlash_arcmin=8.0))
    move(knob, 10.0, 1.0 / 3.0)
    back = -4.0 * ARCMIN
    advised = [knob.turns_for(back)]
    for _ in range(2):
        knob.note_turns(-0.25)  # 7.5 arcmin, and nothing moved
        advised.append(knob.turns_for(back))

    # 8 - 0.8 arcmin of slack at first; then half and one and a quarter of the way on top
    assert advised == pytest.approx([(4.0 + 7.2) / 30.0, (4.0 + 2.0) / 30.0, (4.0 + 5.0) / 30.0])
