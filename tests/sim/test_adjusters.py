from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from polewright_sim.mount.adjusters import Adjusters, Knob
from polewright_sim.mount.motion import Track, trapezoid_s
from polewright_sim.spec import AdjustersSpec, KnobSpec

T0 = 1_790_000_000.0


def settled(knob: Knob, arcmin: float, utc_s: float) -> float:
    """Turn, wait, and return where the base stands."""
    return knob.axis_arcmin(knob.turn(arcmin, utc_s).done_s + 1.0)


def test_a_turn_takes_its_time() -> None:
    """Frames taken meanwhile see the base on its way."""
    knob = Knob("altitude", KnobSpec(rate_arcmin_per_s=2.0), T0)
    turn = knob.turn(10.0, T0)

    assert turn.done_s == pytest.approx(T0 + 5.0)
    assert knob.axis_arcmin(T0 + 2.5) == pytest.approx(5.0)
    assert knob.moving(T0 + 4.9)
    assert not knob.moving(T0 + 5.1)
    assert not knob.quiet_since(T0 + 4.0)
    assert knob.quiet_since(T0 + 6.0)


def test_a_second_turn_waits_for_the_first() -> None:
    """Nothing is lost when turns are asked for in quick succession."""
    knob = Knob("azimuth", KnobSpec(), T0)
    knob.turn(3.0, T0)
    last = knob.turn(4.0, T0 + 0.1)

    assert knob.axis_arcmin(last.done_s) == pytest.approx(7.0)


def test_backlash_is_lost_at_each_change_of_direction() -> None:
    """Half of the play at first (it stands in the middle), all of it when turning back."""
    knob = Knob("azimuth", KnobSpec(backlash_arcmin=6.0), T0)
    up = settled(knob, 10.0, T0)
    further = settled(knob, 5.0, T0 + 100.0)
    down = settled(knob, -10.0, T0 + 200.0)

    assert up == pytest.approx(7.0)
    assert further == pytest.approx(12.0)
    assert down == pytest.approx(8.0)


def test_lowering_in_jumps() -> None:
    """The weight sticks and drops by whole jumps; raising is smooth."""
    knob = Knob("altitude", KnobSpec(lowering_jump_arcmin=4.0), T0)
    raised = settled(knob, 1.5, T0)
    stuck = settled(knob, -3.0, T0 + 100.0)
    dropped = settled(knob, -1.5, T0 + 200.0)

    assert raised == pytest.approx(1.5)
    assert stuck == pytest.approx(1.5)
    assert dropped == pytest.approx(-2.5)


def test_travel_ends() -> None:
    """A turn into the stop does what it can and says how much that was."""
    knob = Knob("altitude", KnobSpec(travel_arcmin=20.0), T0)
    turn = knob.turn(50.0, T0)

    assert turn.asked_arcmin == 50.0
    assert turn.done_arcmin == pytest.approx(20.0)
    assert knob.turn(1.0, T0 + 100.0).done_arcmin == pytest.approx(0.0, abs=1e-5)
    assert settled(knob, -5.0, T0 + 200.0) == pytest.approx(15.0)


def test_a_motor_with_a_wrong_sign() -> None:
    """Gain is what the base does over what the motor is told."""
    knob = Knob("azimuth", KnobSpec(gain=-2.0), T0)

    assert settled(knob, 3.0, T0) == pytest.approx(-6.0)


def test_history_keeps_every_turn() -> None:
    """Both knobs, in order, with what was asked and done."""
    adjusters = Adjusters(AdjustersSpec(), T0)
    adjusters.turn(T0, altitude_arcmin=1.0, azimuth_arcmin=-2.0)
    adjusters.turn(T0 + 10.0)

    assert [turn.knob for turn in adjusters.history] == ["altitude", "azimuth"]
    assert [turn.done_arcmin for turn in adjusters.history] == pytest.approx([1.0, -2.0])


@given(
    st.lists(st.floats(-50.0, 50.0), min_size=1, max_size=12),
    st.floats(0.0, 10.0),
    st.floats(0.0, 5.0),
)
def test_the_base_is_never_further_from_the_knob_than_play_and_jump(
    turns: list[float], play: float, jump: float
) -> None:
    """Whatever is turned: the output lags by half the play at most, plus one jump."""
    knob = Knob("altitude", KnobSpec(backlash_arcmin=play, lowering_jump_arcmin=jump), T0)
    now = T0
    for amount in turns:
        end = knob.turn(amount, now).done_s
        for utc_s in np.linspace(now, end + 1.0, 7):
            lag = knob.axis_arcmin(float(utc_s)) - knob.position_arcmin(float(utc_s))
            assert -0.5 * play - 1e-6 <= lag <= 0.5 * play + jump + 1e-6
        now = end + 1.0


@given(st.floats(-200.0, 200.0), st.floats(0.1, 10.0), st.floats(0.1, 10.0))
@example(5e-324, 1.0, 2.0)
def test_a_trapezoid_ends_at_its_goal(goal: float, rate: float, acceleration: float) -> None:
    """Never faster than allowed, at rest at the end, after the predicted time."""
    track = Track(0.0, 0.0)
    end = track.go_to(0.0, goal, rate, acceleration)
    times = np.linspace(0.0, end, 50)
    speeds = [abs(track.at(float(t))[1]) for t in times]

    assert end == pytest.approx(trapezoid_s(goal, rate, acceleration))
    assert track.at(end + 1.0)[0] == pytest.approx(goal, abs=1e-9 * (1.0 + abs(goal)))
    assert max(speeds) <= rate * (1.0 + 1e-9)
    assert track.at(end + 1.0)[1] == 0.0


def test_a_ramp_through_zero_takes_up_the_play() -> None:
    """Reversing smoothly within one ramp is a change of direction like any other."""
    track = Track(0.0, 0.0, play=2.0)
    track.add(0.0, 4.0)
    track.change_rate(5.0, -4.0, 2.0)

    # input: 20 at 5 s, 24 at 7 s where it turns, back to 20 at 9 s; output 1 behind
    assert track.at(7.0) == (24.0, 0.0)
    assert track.output(7.0) == pytest.approx(23.0)
    assert track.output(8.0) == pytest.approx(23.0)
    assert track.output(9.0) == pytest.approx(21.0)
