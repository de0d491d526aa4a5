"""What is said, and that it stays said."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from adjusting.hand import Hand, ToyKnob, ToyMount, still_frames, toy_mount

from polewright.calculation.adjusting.advice import PassKind, Verdict
from polewright.calculation.adjusting.engine import AdjustmentEngine, Reading, Settings
from polewright.calculation.adjusting.instructions import (
    HANDS_OFF_TUBE,
    HEAVY_LOWER,
    OPPOSING,
    SNUG_MOVES,
    Action,
)
from polewright.calculation.adjusting.notices import NoticeKind
from polewright.calculation.sky.site import Site
from polewright.foundation.adjuster_profile import AdjusterProfile, Axis
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG


def placed(
    east_arcmin: float, up_arcmin: float, latitude_deg: float = 45.0, seed: int = 1
) -> ToyMount:
    """A level mount whose axis is so far from the pole (on the sky, by compass)."""
    mount = toy_mount(
        np.random.default_rng(seed),
        latitude_deg=latitude_deg,
        error_deg=0.0,
        tilt_deg=0.0,
        tracking=True,
    )
    hand = hand_for(mount)
    hand.push(Axis.ALTITUDE, up_arcmin * ARCMIN)
    hand.push(Axis.AZIMUTH, east_arcmin * ARCMIN / math.cos(mount.latitude))
    return mount


def hand_for(mount: ToyMount) -> Hand:
    return Hand(mount, ToyKnob(60.0, 0.0), ToyKnob(60.0, 0.0), cross_talk=0.0)


def engine_for(
    mount: ToyMount,
    sigma: float = 2.0 * ARCSEC,
    profile: AdjusterProfile | None = None,
    **settings: Any,
) -> AdjustmentEngine:
    axis, covariance = mount.swept(sigma)
    return AdjustmentEngine(
        axis,
        covariance,
        mount.look(),
        Site(mount.latitude / DEG, 0.0),
        profile=profile,
        settings=Settings(**settings),
    )


def settle(engine: AdjustmentEngine, mount: ToyMount) -> Reading:
    for frame in still_frames(mount, 10):
        reading = engine.update(frame)
        if reading.settled:
            return reading
    raise AssertionError("ten still frames and not settled")


@pytest.mark.parametrize("latitude", [-70.0, -33.0, -10.0, 10.0, 45.0, 70.0])
@pytest.mark.parametrize(
    ("east", "up", "action"),
    [
        (8.0, 1.0, Action.WEST),
        (-8.0, 1.0, Action.EAST),
        (1.0, -8.0, Action.RAISE),
        (1.0, 8.0, Action.LOWER),
    ],
)
def test_the_larger_component_comes_first_in_compass_words(
    latitude: float, east: float, up: float, action: Action
) -> None:
    """East is the compass's east in both hemispheres; the amount is the component's."""
    mount = placed(east, up, latitude)

    advice = settle(engine_for(mount), mount).advice

    assert advice.action is action
    if action is not Action.LOWER:
        assert advice.amount_arcmin == pytest.approx(8.0, abs=0.2)
    if advice.axis is Axis.AZIMUTH:
        base = 8.0 / math.cos(latitude * DEG)
        assert advice.amount_base_arcmin == pytest.approx(base, rel=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_equal_components_do_not_make_the_advice_flicker(seed: int) -> None:
    """Both components alike, noise on top: 150 settled readings, one instruction."""
    mount = placed(6.0, -6.0, seed=seed)
    mount.boresight_sigma, mount.roll_sigma = 5.0 * ARCSEC, 10.0 * ARCSEC
    engine = engine_for(mount)

    said = [engine.update(f).advice.action for f in still_frames(mount, 200)]
    settled = [a for a in said if a is not Action.WAIT]

    assert len(settled) >= 150
    assert len(set(settled)) == 1


@pytest.mark.parametrize("total_arcsec", [35.0, 42.0, 47.0, 51.0, 56.0, 60.0])
def test_at_the_edge_of_the_tolerance_the_advice_changes_at_most_now_and_then(
    total_arcsec: float,
) -> None:
    """A still axis about as far off as the tolerance: 200 noisy readings, few changes of mind."""
    mount = placed(0.5 * total_arcsec / 60.0, -0.866 * total_arcsec / 60.0, seed=int(total_arcsec))
    engine = engine_for(mount, tolerance_arcmin=1.0)

    readings = [engine.update(f) for f in still_frames(mount, 220)]
    said = [r.advice.action for r in readings if r.settled]

    assert len(said) >= 180
    assert sum(a is not b for a, b in itertools.pairwise(said)) <= 6


def test_the_adjuster_in_hand_is_finished_before_the_other_takes_over() -> None:
    """Azimuth 20 arcmin, altitude 15: azimuth stays in hand while it shrinks below altitude."""
    mount = placed(20.0, -15.0)
    hand, engine = hand_for(mount), engine_for(mount)
    assert settle(engine, mount).advice.action is Action.WEST
    cos = math.cos(mount.latitude)

    hand.push(Axis.AZIMUTH, -12.0 * ARCMIN / cos)
    half = settle(engine, mount).advice
    hand.push(Axis.AZIMUTH, -7.9 * ARCMIN / cos)
    after = settle(engine, mount).advice

    assert half.action is Action.WEST
    assert half.amount_arcmin == pytest.approx(8.0, abs=0.2)
    assert after.action is Action.RAISE


def test_altitude_is_approached_from_below_when_the_profile_says_so() -> None:
    """Too high: lower past the pole, then raise. Without the flag: lower by what it is."""
    mount = placed(0.0, 6.0)
    plain = AdjusterProfile(approach_altitude_from_below=False)
    advice = settle(engine_for(mount), mount).advice
    direct = settle(engine_for(mount, profile=plain), mount).advice

    assert advice.amount_arcmin == pytest.approx(8.0, abs=0.2)
    assert "on purpose" in advice.sentence
    assert direct.amount_arcmin == pytest.approx(6.0, abs=0.2)

    hand, engine = hand_for(mount), engine_for(mount)
    settle(engine, mount)
    hand.push(Axis.ALTITUDE, -8.0 * ARCMIN)
    again = settle(engine, mount)

    assert again.advice.action is Action.RAISE
    assert not any(n.kind is NoticeKind.OVERSHOT for n in again.notices)


def test_far_off_the_first_pass_aims_near_and_asks_for_a_sweep() -> None:
    """From 80 arcmin the pass is COARSE, and 4 arcmin are enough for a new sweep."""
    mount = placed(80.0, 0.0)
    hand, engine = hand_for(mount), engine_for(mount)
    assert engine.pass_kind is PassKind.COARSE
    settle(engine, mount)

    hand.push(Axis.AZIMUTH, -76.0 * ARCMIN / math.cos(mount.latitude))
    reading = settle(engine, mount)

    assert reading.advice.action is Action.STOP_AND_SWEEP
    assert reading.verdict is Verdict.OUTSIDE


@pytest.mark.parametrize(
    ("snugging", "left_arcmin"), [(True, 0.0), (True, 1.3), (False, 0.0), (False, 1.3)]
)
def test_a_coarse_pass_that_ends_near_the_tolerance_is_snugged_before_its_sweep(
    *, snugging: bool, left_arcmin: float
) -> None:
    """That sweep may confirm the axis and end the session, with the locks as they are then."""
    mount = placed(80.0, 0.0)
    profile = AdjusterProfile(needs_snugging=snugging)
    hand, engine = hand_for(mount), engine_for(mount, profile=profile)
    settle(engine, mount)
    hand.push(Axis.AZIMUTH, -(80.0 - left_arcmin) * ARCMIN / math.cos(mount.latitude))
    there = settle(engine, mount)
    engine.note_snugged()
    after = settle(engine, mount)

    assert engine.pass_kind is PassKind.COARSE
    first = Action.SNUG_AND_RECHECK if snugging else Action.STOP_AND_SWEEP
    assert there.advice.action is first
    if snugging:
        said = "Near the mark" if left_arcmin else "On the mark"
        assert there.advice.sentence.startswith(said)
    assert after.advice.action is Action.STOP_AND_SWEEP


def test_what_one_pass_left_loose_is_snugged_before_the_next_says_done() -> None:
    """Turned in the pass before and never tightened; nothing is left to turn in this one."""
    mount = placed(80.0, 0.0)
    hand, engine = hand_for(mount), engine_for(mount)
    settle(engine, mount)
    hand.push(Axis.AZIMUTH, -76.0 * ARCMIN / math.cos(mount.latitude))
    assert settle(engine, mount).advice.action is Action.STOP_AND_SWEEP
    hand.push(Axis.AZIMUTH, -4.0 * ARCMIN / math.cos(mount.latitude))
    axis, covariance = mount.swept(2.0 * ARCSEC)
    place = Site(mount.latitude / DEG, 0.0)
    again = AdjustmentEngine(axis, covariance, mount.look(), place, learned_from=engine)

    assert settle(again, mount).advice.action is Action.SNUG_AND_RECHECK
    again.note_snugged()
    assert settle(again, mount).advice.action is Action.DONE


def test_a_long_way_since_the_sweep_forbids_done() -> None:
    """29 arcmin off (FINAL), one detour: over 30 arcmin moved, so the end is a sweep."""
    mount = placed(29.0, 0.0)
    hand, engine = hand_for(mount), engine_for(mount)
    cos = math.cos(mount.latitude)
    settle(engine, mount)

    hand.push(Axis.AZIMUTH, -33.0 * ARCMIN / cos)
    over = settle(engine, mount)
    hand.push(Axis.AZIMUTH, 4.0 * ARCMIN / cos)
    on_the_mark = settle(engine, mount)
    engine.note_snugged()
    end = settle(engine, mount)

    assert engine.pass_kind is PassKind.FINAL
    assert {n.kind for n in over.notices} >= {NoticeKind.LARGE_MOVE}
    assert on_the_mark.advice.action is Action.SNUG_AND_RECHECK
    assert end.advice.action is Action.STOP_AND_SWEEP
    assert end.verdict is Verdict.UNSURE


def test_snugging_comes_before_done_and_is_checked() -> None:
    """On the mark after a move: snug; told so, two fresh frames; then done, or back to turning."""
    mount = placed(5.0, 0.0)
    hand, engine = hand_for(mount), engine_for(mount)
    cos = math.cos(mount.latitude)
    settle(engine, mount)
    hand.push(Axis.AZIMUTH, -5.0 * ARCMIN / cos)
    snug = settle(engine, mount)

    hand.push(Axis.ALTITUDE, -3.0 * ARCMIN)
    engine.note_snugged()
    spoiled = settle(engine, mount)
    hand.push(Axis.ALTITUDE, 3.0 * ARCMIN)
    again = settle(engine, mount)
    engine.note_snugged()
    waiting = engine.update(mount.look())
    end = settle(engine, mount)

    assert snug.advice.action is Action.SNUG_AND_RECHECK
    assert SNUG_MOVES in snug.advice.cautions
    assert spoiled.advice.action is Action.RAISE
    assert again.advice.action is Action.SNUG_AND_RECHECK
    assert waiting.advice.action is Action.WAIT
    assert end.advice.action is Action.DONE
    assert end.verdict is Verdict.WITHIN


def test_noise_larger_than_the_tolerance_ends_in_a_sweep_not_in_done() -> None:
    """Exactly on the pole but only known to 40 arcsec: unsure, and said so."""
    mount = placed(0.0, 0.0)
    axis = mount.pole
    plane = np.eye(3) - np.outer(axis, axis)
    engine = AdjustmentEngine(
        axis, plane * (40.0 * ARCSEC) ** 2, mount.look(), Site(mount.latitude / DEG, 0.0)
    )

    reading = settle(engine, mount)

    assert reading.verdict is Verdict.UNSURE
    assert reading.advice.action is Action.STOP_AND_SWEEP
    assert reading.advice.sentence.startswith("Good but uncertain")


def test_sentences_name_the_adjuster_the_amount_and_the_turns() -> None:
    """The owner's own words come back, with turns when the profile knows the rate."""
    profile = AdjusterProfile.model_validate(
        {
            "altitude": {
                "name": "rear altitude bolt",
                "to_raise": "tighten the rear altitude bolt",
                "arcmin_per_turn": 40.0,
                "opposing_pair": True,
            },
            "heavy_load": True,
        }
    )
    mount = placed(0.0, -4.2)
    mount.boresight_sigma = mount.roll_sigma = 0.1 * ARCSEC

    advice = settle(engine_for(mount, 0.1 * ARCSEC, profile=profile), mount).advice

    assert advice.sentence.startswith("Raise the axis 4.2 arcmin: tighten the rear altitude bolt")
    assert advice.sentence.endswith("about 1/8 turn.")
    assert advice.turns == pytest.approx(4.2 / 40.0, rel=0.05)
    assert HANDS_OFF_TUBE in advice.cautions
    assert OPPOSING in advice.cautions


def test_lowering_a_heavy_load_is_warned_of() -> None:
    """Weight may sink with a jump."""
    mount = placed(0.0, 9.0)
    profile = AdjusterProfile(heavy_load=True)

    advice = settle(engine_for(mount, profile=profile), mount).advice

    assert advice.action is Action.LOWER
    assert HEAVY_LOWER in advice.cautions


def turned_back(profile: AdjusterProfile | None):
    """Advice before and after going 14 arcmin east on the sky where 10 were asked."""
    mount = placed(-10.0, 0.0)
    engine = engine_for(mount, profile=profile)
    there = settle(engine, mount).advice
    hand_for(mount).push(Axis.AZIMUTH, 14.0 * ARCMIN / math.cos(mount.latitude))
    return engine, mount, there, settle(engine, mount).advice


@pytest.mark.parametrize(
    ("backlash_arcmin", "said"),
    [(None, "takes up its slack first: if"), (3.0, "its slack (3.0 arcmin) first: if")],
)
def test_the_way_back_is_told_to_begin_with_slack(backlash_arcmin, said) -> None:
    """A hand that turns 15 arcsec into 3 arcmin of slack sees nothing move, again and again."""
    profile = AdjusterProfile.model_validate({"azimuth": {"backlash_arcmin": backlash_arcmin}})
    _engine, _mount, there, back = turned_back(profile)

    assert (there.action, back.action) == (Action.EAST, Action.WEST)
    assert not any("slack" in caution for caution in there.cautions)
    assert [said in caution for caution in back.cautions].count(True) == 1, back.cautions
    assert "turn on slowly until it follows" in "".join(back.cautions)


def test_a_turn_of_the_base_is_told_beside_the_way_on_the_sky() -> None:
    """At 60 degrees latitude the base turns twice as far; at the equator it makes no odds."""
    high, low = (placed(-10.0, 0.0, latitude_deg=latitude) for latitude in (60.0, 3.0))

    there, here = (settle(engine_for(mount), mount).advice for mount in (high, low))

    assert there.sentence.startswith("Move the axis 10 arcmin east: ")
    assert there.sentence.endswith("(on the sky; 20 arcmin as a turn of the base).")
    assert "base" not in here.sentence


def test_slack_that_the_turns_contain_is_told_so() -> None:
    """Else a person adds it once more."""
    profile = AdjusterProfile.model_validate(
        {"azimuth": {"backlash_arcmin": 3.0, "arcmin_per_turn": 30.0}}
    )
    _engine, _mount, _there, back = turned_back(profile)

    assert back.turns is not None
    assert "(3.0 arcmin, included in the turns)" in "".join(back.cautions)


def test_opposing_screws_are_never_told_to_turn_on() -> None:
    """There a reading that stands still means that the other screw still holds."""
    profile = AdjusterProfile.model_validate({"azimuth": {"opposing_pair": True}})
    _engine, _mount, _there, back = turned_back(profile)

    assert back.action is Action.WEST
    assert OPPOSING in back.cautions
    assert "never force" in OPPOSING
    assert not any("turn on" in caution for caution in back.cautions)


def test_the_caution_goes_once_the_axis_follows_and_survives_a_new_sweep() -> None:
    """The adjuster has turned back then; another sweep does not change its side."""
    engine, mount, _there, back = turned_back(None)
    assert any("slack" in caution for caution in back.cautions)
    axis, covariance = mount.swept(2.0 * ARCSEC)
    again = AdjustmentEngine(
        axis, covariance, mount.look(), Site(mount.latitude / DEG, 0.0), learned_from=engine
    )
    assert any("slack" in caution for caution in settle(again, mount).advice.cautions)
    hand_for(mount).push(Axis.AZIMUTH, -2.0 * ARCMIN / math.cos(mount.latitude))

    follows = settle(again, mount).advice

    assert follows.action is Action.WEST
    assert not any("slack" in caution for caution in follows.cautions)


def test_tightening_does_not_turn_an_adjuster_back() -> None:
    """Snugging moved the axis west; going east again goes on as before."""
    mount = placed(-10.0, 0.0)
    engine = engine_for(mount)
    settle(engine, mount)
    hand_for(mount).push(Axis.AZIMUTH, 10.0 * ARCMIN / math.cos(mount.latitude))
    assert settle(engine, mount).advice.action is Action.SNUG_AND_RECHECK
    hand_for(mount).push(Axis.AZIMUTH, -3.0 * ARCMIN / math.cos(mount.latitude))

    again = settle(engine, mount).advice

    assert again.action is Action.EAST
    assert not any("slack" in caution for caution in again.cautions)


def test_an_adjuster_without_slack_is_not_said_to_have_some() -> None:
    """A motor with a backlash of zero in its profile."""
    profile = AdjusterProfile.model_validate({"azimuth": {"backlash_arcmin": 0.0}})
    _engine, _mount, _there, back = turned_back(profile)

    assert back.action is Action.WEST
    assert not any("slack" in caution for caution in back.cautions)


def test_an_adjuster_without_enough_travel_sends_the_user_to_the_base() -> None:
    """10 arcmin east needed on the sky, 9 of base turn left."""
    profile = AdjusterProfile.model_validate({"azimuth": {"travel_plus_arcmin": 9.0}})
    mount = placed(-10.0, 0.0)

    advice = settle(engine_for(mount, profile=profile), mount).advice

    assert advice.action is Action.MOVE_BASE
    assert "9.0 arcmin of travel left" in advice.sentence


def test_overshoot_and_the_wrong_way_are_named() -> None:
    """Asked 10 arcmin east: 14 is too far by 4; 10 to the west is the wrong way."""
    mount = placed(-10.0, 0.0)
    hand, engine = hand_for(mount), engine_for(mount)
    cos = math.cos(mount.latitude)
    settle(engine, mount)
    hand.push(Axis.AZIMUTH, 14.0 * ARCMIN / cos)
    over = settle(engine, mount).notices
    hand.push(Axis.AZIMUTH, 6.0 * ARCMIN / cos)  # west was asked now
    wrong = settle(engine, mount).notices

    assert [n.kind for n in over] == [NoticeKind.OVERSHOT]
    assert over[0].amount == pytest.approx(4.0 * ARCMIN, rel=0.05)
    assert [n.kind for n in wrong] == [NoticeKind.WRONG_WAY]
    assert wrong[0].amount == pytest.approx(6.0 * ARCMIN, rel=0.05)


def test_passing_the_mark_is_said_while_turning() -> None:
    """A moving frame beyond the mark says stop at once, not after settling."""
    mount = placed(-10.0, 0.0)
    hand, engine = hand_for(mount), engine_for(mount)
    settle(engine, mount)

    hand.push(Axis.AZIMUTH, 13.0 * ARCMIN / math.cos(mount.latitude))
    mount.wait(3.0)
    advice = engine.update(mount.look(elongation=2.0)).advice

    assert advice.action is Action.WAIT
    assert advice.passed
    assert advice.heading is Action.WEST
    assert advice.sentence.startswith("Let go")
