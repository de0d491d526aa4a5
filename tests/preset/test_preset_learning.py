"""Offsets learned from past nights, and the proposals made of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.calculation.preset.errors import NightsUnreadable, PresetNotUsable
from polewright.calculation.preset.learn import compass_offset, fold_180, robust_mean, scale_offset
from polewright.calculation.preset.magnetic import MagneticDeclination
from polewright.calculation.preset.nights import PresetNight, of_rig
from polewright.calculation.preset.proposal import (
    PresetWish,
    adjuster_left_sentence,
    legs_sentence,
    propose,
)
from polewright.calculation.sky.site import Site
from polewright.records.preset_nights import NightFile

MAGNETIC = MagneticDeclination(4.0, 0.4, 20000.0, "invented")


def night(offset: float, latitude: float = 48.0, turn: float = 0.0, **more) -> PresetNight:
    """A night on which the compass read ``offset`` too much."""
    pole, east = (180.0, -1.0) if latitude < 0 else (0.0, 1.0)
    return PresetNight(
        utc_s=1.79e9,
        latitude_deg=latitude,
        longitude_deg=8.0,
        magnetic_declination_deg=4.0,
        bearing_deg=(pole - 4.0 + offset - east * turn) % 360.0,
        base_turn_deg=turn,
        **more,
    )


@pytest.mark.parametrize("latitude", [48.0, -34.0], ids=["north", "south"])
def test_three_nights_with_a_compass_six_degrees_off_bring_the_axis_under_a_degree(
    latitude,
) -> None:
    """After three nights the fourth setting-up lands within the travel and under 1 degree.

    Readings of the compass scatter by 0.3 degrees, of the scale by 0.15 (invented; with 0.4 and
    0.2 it is 93 to 96 % of evenings, since half a degree is the wanted raise bias).
    """
    rng = np.random.default_rng(6)
    site = Site(latitude, 8.0)
    travel_deg, pole = 5.0, 180.0 if latitude < 0 else 0.0
    totals = []
    for _ in range(300):
        nights: list[PresetNight] = []
        off = math.inf
        for evening in range(4):
            wish = PresetWish(azimuth_travel_deg=travel_deg)
            plan = propose(site, MAGNETIC, nights, wish)
            # The person turns the tripod until the compass, 6 degrees wrong, reads the bearing.
            base = plan.bearing_deg - 6.0 + 4.0 + rng.normal() * 0.3
            off = fold_180(base - pole)  # azimuth of the axis minus that of the pole
            axis_altitude = plan.altitude_scale_deg - 1.3 + rng.normal() * 0.15
            if evening == 0:
                assert abs(off) > travel_deg  # the first night is the long one
            if evening == 3:
                # Adjusters reach it, and the start is close.
                assert abs(off) < travel_deg
                d_alt = axis_altitude - abs(latitude)
                totals.append(math.hypot(off * math.cos(math.radians(latitude)), d_alt))
            # End of night: the base ends on the pole; read again, adjusters centred.
            turn = fold_180(pole - base)
            turn = max(-travel_deg, min(travel_deg, turn))
            reading = (pole - turn - 4.0 + 6.0 + rng.normal() * 0.3) % 360.0
            nights.append(
                PresetNight(
                    1.79e9 + evening,
                    latitude,
                    8.0,
                    4.0,
                    bearing_deg=reading,
                    base_turn_deg=turn if latitude > 0 else -turn,
                    altitude_scale_deg=abs(latitude) + 1.3 + rng.normal() * 0.15,
                )
            )
    assert np.mean(np.array(totals) < 1.0) >= 0.98
    assert float(np.median(totals)) < 0.7


def test_the_bearing_is_the_pole_minus_declination_plus_the_compass_offset() -> None:
    """Signs: declination east lowers the bearing; a compass that reads too much raises it."""
    north = propose(Site(48.0, 8.0), MAGNETIC, [])
    south = propose(Site(-34.0, 8.0), MAGNETIC, [])
    learned = propose(Site(48.0, 8.0), MAGNETIC, [night(6.0)] * 3)
    assert north.bearing_deg == pytest.approx(356.0)
    assert south.bearing_deg == pytest.approx(176.0)
    assert learned.bearing_deg == pytest.approx(2.0)
    assert learned.sigma_bearing_deg < north.sigma_bearing_deg


@given(
    offset=st.floats(-179.0, 179.0),
    turn=st.floats(-8.0, 8.0),
    latitude=st.sampled_from([60.0, 10.0, -10.0, -60.0]),
)
def test_any_offset_is_learned_from_any_site_and_turn(offset, turn, latitude) -> None:
    """The offset comes back across north, across 180, with the base turned, in both hemispheres."""
    found = compass_offset([night(offset, latitude, turn)] * 3)
    assert abs(fold_180(found.value_deg - offset)) < 1e-6


def test_one_night_beside_a_car_does_not_spoil_the_offset() -> None:
    """A reading 40 degrees off among five hardly counts, and is told."""
    nights = [night(x) for x in (5.6, 6.3, 6.0, 5.9, 46.0)]
    found = compass_offset(nights)
    assert found.value_deg == pytest.approx(6.0, abs=0.8)
    assert found.left_out == 1
    plan = propose(Site(48.0, 8.0), MAGNETIC, nights)
    assert any("steel" in sentence for sentence in plan.sentences)


def test_more_nights_make_the_offset_surer() -> None:
    """The stated uncertainty of agreeing nights falls as one over the root of their number.

    And a little faster, since they tell that the compass scatters less than was guessed.
    """
    few, many = robust_mean([1.0, 1.2], 1.0), robust_mean([1.0, 1.2] * 8, 1.0)
    assert many.sigma_deg == pytest.approx(
        few.sigma_deg / math.sqrt(8.0) * many.scatter_deg / few.scatter_deg, rel=0.01
    )
    assert many.scatter_deg < few.scatter_deg


@pytest.mark.parametrize("scatter_deg", [1.5, 3.0, 4.0])
@pytest.mark.parametrize("recorded", [1, 2, 3, 6])
def test_the_bearing_of_the_next_evening_is_as_sure_as_it_says(recorded, scatter_deg) -> None:
    """Many rigs whose compasses scatter from night to night, beside the guess of 3 degrees too.

    With 3 degrees the stated sigma was half of the true one after one night.
    """
    rng = np.random.default_rng(recorded)
    off, stated = [], []
    for _ in range(400):
        nights = [night(6.0 + rng.normal() * scatter_deg) for _ in range(recorded)]
        plan = propose(Site(48.0, 8.0), MAGNETIC, nights)
        true_bearing = 356.0 + 6.0 + rng.normal() * scatter_deg + rng.normal() * 0.4
        off.append(fold_180(plan.bearing_deg - true_bearing))
        stated.append(plan.sigma_bearing_deg)
    ratio = float(np.sqrt(np.mean(np.square(stated)) / np.mean(np.square(off))))
    assert 0.75 < ratio < 2.1
    if scatter_deg == 3.0:
        assert 0.85 < ratio < 1.15


def test_the_scale_is_set_low_by_the_bias_and_its_own_offset() -> None:
    """A scale that reads 1.3 degrees too much is set by so much more, less the bias."""
    nights = [night(0.0, altitude_scale_deg=49.3)] * 3
    plan = propose(Site(48.0, 8.0), MAGNETIC, nights, PresetWish(raise_bias_deg=0.4))
    assert scale_offset(nights).value_deg == pytest.approx(1.3)
    assert plan.altitude_scale_deg == pytest.approx(48.0 - 0.4 + 1.3)
    assert plan.expected_altitude_deg == pytest.approx(47.6)


def test_the_scale_in_the_south_counts_upward_too() -> None:
    """At latitude -34 the scale is set near 34, never to a negative figure."""
    assert propose(Site(-34.0, 8.0), MAGNETIC, []).altitude_scale_deg == pytest.approx(33.5)
    assert propose(Site(0.2, 8.0), MAGNETIC, []).expected_altitude_deg == 0.0


def test_travel_is_judged_by_what_is_not_known() -> None:
    """Five degrees do not suffice with an unknown compass and do after nine good nights."""
    wish = PresetWish(azimuth_travel_deg=5.0, altitude_travel_deg=3.0)
    fresh = propose(Site(48.0, 8.0), MAGNETIC, [], wish)
    nights = [night(6.0, altitude_scale_deg=48.2)] * 9
    later = propose(Site(48.0, 8.0), MAGNETIC, nights, wish)
    assert (fresh.azimuth_travel_suffices, fresh.altitude_travel_suffices) == (False, False)
    assert (later.azimuth_travel_suffices, later.altitude_travel_suffices) == (True, True)
    assert any("turn the whole tripod" in text for text in fresh.sentences)
    assert propose(Site(48.0, 8.0), MAGNETIC, []).azimuth_travel_suffices is None


def test_the_leg_is_under_the_axis_on_the_side_of_the_pole() -> None:
    """North of the equator one leg goes north, south of it south; near it the bar is mentioned."""
    assert "towards the north" in legs_sentence(Site(48.0, 0.0))
    assert "towards the south" in legs_sentence(Site(-34.0, 0.0))
    assert "counterweight" in legs_sentence(Site(12.0, 0.0))


def test_cautions_name_steel_magnets_and_level() -> None:
    """Every proposal warns of steel, of a phone's magnets and of a base that is not level."""
    text = " ".join(propose(Site(48.0, 8.0), MAGNETIC, []).cautions).lower()
    for word in ("steel", "magnets", "level"):
        assert word in text


def test_more_turn_than_travel_is_told() -> None:
    """A base turn beyond the adjuster's reach is doubted."""
    assert "check" in adjuster_left_sentence(7.0, 5.0)
    assert "2.0° of travel" in adjuster_left_sentence(-3.0, 5.0)


def test_nights_survive_the_file_and_a_torn_last_line(tmp_path) -> None:
    """What was added comes back in order; a torn end is ignored and cut by the next night."""
    store = NightFile(tmp_path / "folder" / "nights.jsonl")
    assert store.nights() == []
    store.add(night(1.0, rig="small"))
    store.add(night(2.0))
    store.path.write_text(store.path.read_text() + '{"utc_s": 17')
    assert len(store.nights()) == 2
    store.add(night(3.0, rig="small"))
    found = store.nights()
    assert len(found) == 3
    assert found[0] == night(1.0, rig="small")
    assert len(of_rig(found, "small")) == 2
    assert len(of_rig(found, "")) == 3


def test_a_wrong_line_is_named(tmp_path) -> None:
    """A night with an impossible bearing is refused with its line."""
    path = tmp_path / "nights.jsonl"
    path.write_text('{"utc_s": 1, "latitude_deg": 99, "longitude_deg": 0}\n\n')
    with pytest.raises(NightsUnreadable, match="line 1"):
        NightFile(path).nights()


def test_impossible_figures_are_refused() -> None:
    """A bearing of 400 degrees and a travel of nothing are named."""
    with pytest.raises(PresetNotUsable, match="bearing"):
        PresetNight(0.0, 48.0, 8.0, 4.0, bearing_deg=400.0)
    with pytest.raises(PresetNotUsable, match="azimuth travel"):
        PresetWish(azimuth_travel_deg=0.0)
