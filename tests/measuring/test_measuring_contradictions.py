"""A mount whose site or clock contradicts ours is refused before anything moves."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from measuring.test_measuring_site import OWN, connected, served

from polewright.calculation.sky.site import Site
from polewright.foundation.config import BadConfig, config_from_text
from polewright.observing.rig.mount_site import (
    CLOCK_LIMIT_S,
    CLOCK_NOTE_S,
    DAY_S,
    SIDEREAL_DAY_S,
    SITE_LIMIT_DEG,
    SITE_TOLERANCE_DEG,
    MountContradicts,
    MountsSite,
    SiteAngle,
    zone_against_site,
)
from polewright.records.events import Event, Note


@pytest.mark.parametrize(
    ("mount", "says"),
    [
        (
            {"site_longitude_deg": -9.31},
            "longitude is -9.310°, ours 9.310° (configuration): east and west look exchanged",
        ),
        (
            {"site_latitude_deg": -44.62},
            "latitude is -44.620°, ours 44.620° (configuration): north and south look exchanged",
        ),
        (
            {"site_latitude_deg": 9.31, "site_longitude_deg": 44.62},
            "latitude and longitude look exchanged",
        ),
        ({"site_longitude_deg": 11.0}, "one of them is another place"),
        ({"clock_offset_s": 3600.0}, "(+60.0 min): daylight saving, or a time zone"),
        ({"clock_offset_s": -3600.0}, "(-60.0 min): daylight saving, or a time zone"),
        ({"clock_offset_s": 5.5 * 3600.0}, "local time taken for UTC"),
        ({"clock_offset_s": -86400.0}, "a wrong date"),
        ({"clock_offset_s": 1234.5}, "was not set"),
    ],
)
def test_a_mount_that_contradicts_is_refused_once_and_with_a_cause(
    mount: dict[str, Any], says: str
) -> None:
    """Both figures and why; what follows from it (sidereal time) is not told a second time."""
    with served(mount=mount) as running, pytest.raises(MountContradicts) as caught:
        connected(running, [], site=OWN)

    assert says in str(caught.value)
    assert "sidereal" not in str(caught.value)
    assert "--accept-site" in caught.value.advice


def test_what_was_accepted_is_noted_and_kept() -> None:
    """Ours are used; the sentence goes to the notes, and to the rig for the result."""
    events: list[Event] = []
    with served(mount={"clock_offset_s": 3600.0}) as running:
        rig = connected(running, events, accepts=True, site=OWN)

    assert "daylight saving" in rig.site_accepted
    (said,) = [one.text for one in events if isinstance(one, Note) and "Accepted" in one.text]
    assert rig.site_accepted in said
    assert rig.site.longitude_deg == 9.31


def test_small_differences_are_noted_and_nothing_is_refused() -> None:
    """A town from a hand controller's list, a clock set by hand."""
    events: list[Event] = []
    with served(mount={"clock_offset_s": 60.0, "site_longitude_deg": 9.6}) as running:
        rig = connected(running, events, site=OWN)

    told = [one.text for one in events if isinstance(one, Note)]
    assert any("longitude is 9.600°" in text for text in told)
    assert any("(+1.0 min)" in text for text in told)
    assert rig.site_accepted == ""


def test_a_mount_that_was_told_no_site_contradicts_nothing_but_its_sidereal_time() -> None:
    """Zeros are what drivers have that were told nothing."""
    with (
        served(mount={"site_latitude_deg": 0.0, "site_longitude_deg": 0.0}) as running,
        pytest.raises(MountContradicts, match=r"sidereal time is -37\.2 min off ours") as caught,
    ):
        connected(running, [], site=OWN)

    assert "latitude is" not in str(caught.value)
    assert "it was told no site (its latitude and longitude are 0)" in str(caught.value)


@pytest.mark.parametrize(
    ("longitude_deg", "zone_h", "warned"),
    [
        (9.31, 1.0, False),
        (-9.31, 1.0, False),
        (-60.0, 4.0, True),
        (60.0, 4.0, False),
        (175.0, -12.0, False),
        (359.0, 0.0, False),
        (-150.0, 10.0, True),
        (30.5, 0.0, True),
    ],
)
def test_a_longitude_far_from_the_time_zone_is_warned_of(longitude_deg, zone_h, warned) -> None:
    said = zone_against_site(Site(44.0, longitude_deg), zone_h * 3600.0)

    assert bool(said) is warned
    assert ("east and west" in said) is warned


def test_a_site_that_only_the_mount_tells_is_held_against_the_time_zone(monkeypatch) -> None:
    """There is nothing else to compare it with: a warning, since zones may be set wrongly."""
    monkeypatch.setattr("time.timezone", -8 * 3600)
    events: list[Event] = []
    there = {**OWN, "longitude_deg": 120.0}
    with served(site=there, mount={"site_longitude_deg": -120.0}) as running:
        rig = connected(running, events)

    assert rig.site_source == "mount"
    warnings = [one.text for one in events if isinstance(one, Note) and one.severity == "warning"]
    assert any("UTC+8.0 h" in text and "-120.0°" in text for text in warnings)


def test_a_clock_an_hour_off_is_refused_also_where_only_the_mount_tells_the_site() -> None:
    with served(mount={"clock_offset_s": 3600.0}) as running, pytest.raises(MountContradicts):
        connected(running, [])


def test_acceptance_is_no_key_of_a_file() -> None:
    """It would hold for every night to come."""
    with pytest.raises(BadConfig):
        config_from_text("accept_site = true")

    assert config_from_text("", overrides={"accept_site": True}).accepts_site
    assert not config_from_text("").accepts_site


@pytest.mark.parametrize(
    ("longitude_deg", "clock_s", "sidereal_s", "told_min"),
    [
        (9.31, 3600.0, 0.0, None),
        (9.31, -86_400.0, 30.0, None),
        (20.0, 0.0, 0.0, None),
        (9.31, 3600.0, 1800.0, "+30.0"),
        (9.31, 0.0, -3600.0, "-60.0"),
    ],
)
def test_sidereal_time_that_is_right_is_not_called_wrong(
    longitude_deg: float, clock_s: float, sidereal_s: float, told_min: str | None
) -> None:
    """A mount may take it from elsewhere than its clock and longitude. The figure is what it is."""
    angle = SiteAngle("longitude", 9.31, longitude_deg)

    said = MountsSite((angle,), clock_s, sidereal_s).contradictions(
        SITE_LIMIT_DEG, CLOCK_LIMIT_S, "configuration"
    )

    told = [one for one in said if "sidereal" in one]
    assert [f"is {told_min} min off ours" in one for one in told] == [True] * bool(told_min)


def test_a_longitude_a_little_off_makes_no_note_of_a_right_sidereal_time() -> None:
    theirs = MountsSite((SiteAngle("longitude", 9.31, 9.51),), 0.0, 1.0)

    (said,) = theirs.contradictions(SITE_TOLERANCE_DEG, CLOCK_NOTE_S, "configuration")

    assert "longitude is 9.510" in said


@given(
    ours=st.floats(-179.0, 179.0),
    off_deg=st.floats(-40.0, 40.0),
    clock_s=st.floats(-50_000.0, 50_000.0),
    own_s=st.floats(-20_000.0, 20_000.0),
)
def test_sidereal_time_is_blamed_only_for_what_site_and_clock_leave(
    ours: float, off_deg: float, clock_s: float, own_s: float
) -> None:
    """Whatever the longitude and the clock are off, their share of it is not told twice.

    And where it is right in itself, nothing is told of it.
    """
    sidereal_s = 240.0 * off_deg + clock_s * DAY_S / SIDEREAL_DAY_S + own_s
    sidereal_s = (sidereal_s + 43_200.0) % 86_400.0 - 43_200.0
    theirs = MountsSite((SiteAngle("longitude", ours, ours + off_deg),), clock_s, sidereal_s)

    said = theirs.contradictions(SITE_LIMIT_DEG, CLOCK_LIMIT_S, "configuration")

    allowed_s = CLOCK_LIMIT_S + 240.0 * SITE_LIMIT_DEG
    if min(abs(abs(off_s) - allowed_s) for off_s in (own_s, sidereal_s)) > 1e-6:
        wrong = min(abs(own_s), abs(sidereal_s)) > allowed_s
        assert any("sidereal" in one for one in said) is wrong
    assert any("longitude is" in one for one in said) is (abs(off_deg) > SITE_LIMIT_DEG)
    assert any("clock says" in one for one in said) is (abs(clock_s) > CLOCK_LIMIT_S)
