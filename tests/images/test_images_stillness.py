"""Looks at stars tell when a mount has rung out, and are not fooled by what looks like it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from support.stars import star_list

from polewright.calculation.images.frame import StarList
from polewright.calculation.images.stillness import (
    Look,
    Rest,
    judge_looks,
    judge_rest,
    shift_between,
)

#: Gaps between looks as `observing.settling.still_stars` makes them; a look takes 0.55 s here.
GAPS_S = (0.0, 0.17, 0.05, 0.29, 0.11, 0.23)
LOOK_S, EXPOSED_S = 0.55, 0.2
LIMIT_PX = 0.17


def stars(x, y, sigma_px: float = 0.05) -> StarList:
    return star_list(x, y, sigma_px=sigma_px, width=700, height=500)


def field(rng: np.random.Generator, n: int):
    return rng.uniform(20.0, 680.0, n), rng.uniform(20.0, 480.0, n)


@pytest.mark.parametrize("moved", [(0.0, 0.0), (0.4, -0.2), (-31.0, 17.5)])
def test_a_shift_is_found_with_its_error(moved) -> None:
    """Noise of 0.05 px a star, a third of the stars different: the shift within four sigma."""
    rng = np.random.default_rng(3)
    x, y = field(rng, 24)
    before = stars(x + rng.normal(0.0, 0.05, 24), y + rng.normal(0.0, 0.05, 24))
    after_x = x + moved[0] + rng.normal(0.0, 0.05, 24)
    after_y = y + moved[1] + rng.normal(0.0, 0.05, 24)
    after_x[16:], after_y[16:] = field(rng, 8)

    shift = shift_between(before, stars(after_x, after_y))

    assert shift is not None
    assert 0.005 < shift.sigma < 0.05
    assert math.hypot(shift.x - moved[0], shift.y - moved[1]) < 4.0 * shift.sigma
    assert shift.common >= 16


def test_hot_pixels_do_not_stand_for_stars() -> None:
    """As many spots that stay as stars that moved: nothing is told instead of "still"."""
    rng = np.random.default_rng(4)
    x, y = field(rng, 16)
    after_x, after_y = x.copy(), y.copy()
    after_x[::2] += 6.0
    assert shift_between(stars(x, y), stars(after_x, after_y)) is None


def test_too_few_stars_tell_nothing() -> None:
    """Three stars, or none."""
    for n in (0, 3):
        x, y = np.linspace(10.0, 90.0, n), np.linspace(20.0, 70.0, n)
        assert shift_between(stars(x, y), stars(x, y)) is None


def first_still(amplitude_px, period_s, decay_s, phase, rng) -> tuple[float, float]:
    """Return when looks call a ringing mount still, and what then still swings, pixels."""
    looks: list[Look] = []
    at_s = 0.0
    for number in range(200):
        at_s += GAPS_S[number % len(GAPS_S)]
        inside = at_s + np.linspace(0.0, EXPOSED_S, 9)
        swing = amplitude_px * np.exp(-inside / decay_s)
        x = float(np.mean(swing * np.sin(2.0 * np.pi * inside / period_s + phase)))
        width = float(np.std(swing * np.sin(2.0 * np.pi * inside / period_s + phase)))
        noise = rng.normal(0.0, 0.015, 2)
        looks.append(Look(x + noise[0], noise[1], 0.015, math.hypot(2.4, 2.0 * width), at_s))
        at_s += LOOK_S
        if judge_looks(looks, LIMIT_PX).still:
            return at_s, amplitude_px * math.exp(-at_s / decay_s)
    raise AssertionError("never still")


def test_a_swing_near_the_spacing_of_the_looks_is_seen() -> None:
    """Periods from 0.25 to 3 s, those of one and two spacings too, and a long decay: what is left
    when it is called still moves an exposure of 2 s by less than a third of the limit in 19 of 20
    cases, and never by twice the limit (1200 cases: at most 1.7 times; evenly spaced looks: 2.1).
    """
    rng = np.random.default_rng(5)
    left = []
    for period_s in np.linspace(0.25, 3.0, 20):
        for phase in rng.uniform(0.0, 2.0 * math.pi, 5):
            _at_s, swing = first_still(6.0, float(period_s), 4.0, float(phase), rng)
            # Mean of the swing over 2 s, whatever its phase: at most its amplitude times this.
            left.append(swing * min(1.0, period_s / (2.0 * math.pi)))
    assert float(np.percentile(left, 95)) < LIMIT_PX / 3.0
    assert max(left) < 2.0 * LIMIT_PX


def test_wind_is_never_called_still() -> None:
    """Stars that jump by five limits each time: the caller's ceiling ends the wait."""
    rng = np.random.default_rng(6)
    looks: list[Look] = []
    for number in range(12):
        jump = rng.normal(0.0, 5.0 * LIMIT_PX, 2)
        looks.append(Look(float(jump[0]), float(jump[1]), 0.02, 2.5, 0.6 * number))
        assert not judge_looks(looks, LIMIT_PX).still


def test_stars_that_shrink_still_swing_within_the_looks() -> None:
    """A swing faster than a look leaves its middle in place, but not its width."""
    fast = [Look(0.0, 0.0, 0.02, hfd, at_s) for at_s, hfd in enumerate((6.0, 5.0, 4.2))]
    assert not judge_looks(fast, LIMIT_PX).still
    calm = [Look(0.0, 0.0, 0.02, hfd, at_s) for at_s, hfd in enumerate((2.6, 2.5, 2.5))]
    assert judge_looks(calm, LIMIT_PX).still


def test_looks_in_quick_succession_do_not_prove_stillness() -> None:
    """Stars that drift by six limits a second: two looks a tenth of a second apart agree, those a
    second apart do not."""
    drifting = [Look(6.0 * LIMIT_PX * t, 0.0, 0.02, 2.5, t) for t in np.arange(0.0, 1.5, 0.1)]
    for count in range(2, len(drifting) + 1):
        assert not judge_looks(drifting[:count], LIMIT_PX, 2).still
    calm = [Look(0.0, 0.0, 0.02, 2.5, t) for t in 0.1 * np.arange(15)]
    assert not judge_looks(calm[:5], LIMIT_PX, 2).still
    assert judge_looks(calm[:7], LIMIT_PX, 2).still
    rough = [Look(0.7 * LIMIT_PX * (n % 2), 0.0, 0.02, 2.5, 0.1 * n) for n in range(15)]
    assert not judge_looks(rough[:10], LIMIT_PX, 2).still
    assert judge_looks(rough[:12], LIMIT_PX, 2).still


def drift(limits_a_second: float, step_s: float) -> list[Look]:
    """Looks at stars that creep."""
    times = np.arange(0.0, 4.0, step_s)
    return [Look(limits_a_second * LIMIT_PX * float(t), 0.0, 0.02, 2.5, float(t)) for t in times]


def ever_still(looks: list[Look]) -> bool:
    return any(judge_looks(looks[:count], LIMIT_PX, 2).still for count in range(2, len(looks) + 1))


@pytest.mark.parametrize("step_s", [0.1, 0.3, 0.5, 0.7])
def test_looks_that_agree_closely_bear_no_faster_creep(step_s) -> None:
    """The short rule bears half as far in half the time."""
    for rate in (1.05, 1.2, 1.5, 2.0, 4.0):
        assert not ever_still(drift(rate, step_s))


def test_two_looks_astride_a_swing_are_not_believed() -> None:
    """They agree about its turning point however far it swings; a third one, at another phase,
    does not."""
    two = [Look(0.0, 0.0, 0.02, 2.5, 1.0), Look(0.3 * LIMIT_PX, 0.0, 0.02, 2.5, 1.55)]
    assert not judge_looks(two, LIMIT_PX, 2).still
    assert judge_looks([*two, Look(0.1 * LIMIT_PX, 0.0, 0.02, 2.5, 1.8)], LIMIT_PX, 2).still
    assert not judge_looks([*two, Look(4.0 * LIMIT_PX, 0.0, 0.02, 2.5, 1.8)], LIMIT_PX, 2).still


MIDDLE_S = -2.0


def after(*x: float, sigma: float = 0.01, hfd_px: float = 2.4) -> list[Look]:
    """Looks after an exposure, so far along x from where its stars lay."""
    return [Look(place, 0.0, sigma, hfd_px, 0.5 * number) for number, place in enumerate(x)]


def rest_of(looks: list[Look], before: Rest | None = None, hfd_px: float = 3.0) -> Rest:
    return judge_rest(looks, hfd_px, MIDDLE_S, 0.2, before=before)


def test_an_exposure_whose_stars_rest_where_they_lay_is_believed_after_one_look() -> None:
    rest = rest_of(after(0.15))

    assert rest.verdict == "rested"
    assert rest.good
    assert rest.moved_px == pytest.approx(0.15)
    assert rest.wider == pytest.approx(3.0 / 2.4)
    assert rest.after_s == 2.0


def test_looks_that_still_swing_are_averaged() -> None:
    """The rest is in the middle of what is left of the swing; four looks over a second and a half
    are enough to say that it is elsewhere."""
    assert rest_of(after(0.35)).verdict == "unsure"
    assert rest_of(after(0.35, -0.25)).verdict == "rested"
    assert rest_of(after(0.35, 0.3)).verdict == "unsure"
    assert rest_of(after(0.35, 0.3, 0.3)).verdict == "unsure"
    assert rest_of(after(0.35, 0.3, 0.3, 0.3)).verdict == "moved"


def test_stars_far_from_their_rest_need_no_second_look() -> None:
    assert rest_of(after(1.1)).verdict == "unsure"
    assert rest_of(after(1.3)).verdict == "moved"


def test_noise_excuses_twice_the_limit_and_no_more() -> None:
    assert rest_of(after(0.35, sigma=0.3)).verdict == "rested"
    assert not rest_of(after(0.45, sigma=0.3)).good


def test_stars_that_swung_far_during_the_exposure_are_not_believed_by_chance() -> None:
    """Two and a half times as wide as a look shows them: most of their light lies elsewhere."""
    assert rest_of(after(0.0), hfd_px=6.1).verdict == "smeared"
    assert rest_of(after(0.0), hfd_px=5.9).verdict == "rested"


def test_wide_stars_are_believed_where_enough_of_them_are_left() -> None:
    rest = judge_rest(after(0.0), 6.1, MIDDLE_S, 0.2, fewer_stars=False)
    assert rest.verdict == "rested"


def test_two_long_looks_tell_a_steady_motion_after_a_second_exposure_only() -> None:
    """Where a line through four tells it after the first."""
    row = [Look(0.6 + 0.5 * number, 0.0, 0.01, 2.4, 1.7 * number) for number in (0, 1, 2, 3)]
    assert judge_rest(row, 3.0, MIDDLE_S, 0.2).verdict == "steady"
    assert judge_rest(row[:1], 3.0, MIDDLE_S, 0.2, enough=2).verdict == "unsure"
    first = judge_rest(row[:2], 3.0, MIDDLE_S, 0.2, enough=2)
    assert first.verdict == "moved"
    swung = replace(first, x=first.x + 3.0)
    assert judge_rest(row[:2], 3.0, MIDDLE_S, 0.2, enough=2, before=swung).verdict == "steady"


def test_a_steady_motion_is_told_from_a_slide_by_the_second_exposure() -> None:
    """The same rate after two exposures is the sky's (or the axis's) own; half of it is not."""
    first = rest_of(after(2.0))
    assert first.verdict == "moved"

    assert rest_of(after(1.95), first).verdict == "steady"
    sliding = [rest_of(after(*[1.0] * count), first) for count in (1, 2, 3, 4)]
    assert [rest.verdict for rest in sliding] == ["unsure", "unsure", "unsure", "moved"]
    smeared = rest_of(after(1.0), hfd_px=9.0)
    assert rest_of(after(*[1.0] * 4), smeared).verdict == "moved"


def test_a_steady_motion_is_a_rate_and_not_a_distance() -> None:
    """Looks that come later find the stars farther off by as much: 0.8 px a second here."""
    first = rest_of(after(1.6))
    late = [Look(2.4, 0.0, 0.01, 2.4, 1.0)]
    back = [Look(1.6, 0.0, 0.01, 2.4, 1.0)]

    assert rest_of(late, first).verdict == "steady"
    assert not rest_of(back, first).good


def test_looks_on_a_line_that_leads_back_to_the_exposure_tell_a_steady_motion() -> None:
    """0.3 px a second, from the first exposure on; a slide that slows down does not lead back."""
    moving = rest_of(after(0.6, 0.75, 0.9, 1.05))
    slowing = rest_of(after(0.6, 0.65, 0.69, 0.72))

    assert moving.verdict == "steady"
    assert moving.seen_drift == pytest.approx((0.3, 0.0))
    assert slowing.verdict == "moved"


def test_a_known_drift_is_taken_off() -> None:
    """The next point needs one look again."""
    row = after(0.66)
    rest = judge_rest(row, 3.0, MIDDLE_S, 0.2, drift=(0.3, 0.0))

    assert rest_of(row).verdict == "unsure"
    assert rest.verdict == "rested"
    assert rest.moved_px == pytest.approx(0.06)
    assert rest.seen_drift == pytest.approx((0.33, 0.0))
