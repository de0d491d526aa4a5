"""Until when a start waits for the dark."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any, cast

import pytest

from polewright.calculation.sky.site import Site
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.config import Config
from polewright.observing.runs.startup import Startup
from polewright.observing.runs.startup_site import dark_utc_s


def sun_altitude_deg(utc_s: float, latitude_deg: float, longitude_deg: float) -> float:
    """Of the Sun by the Astronomical Almanac's low-precision formulas (section C, 0.01 degrees)."""
    days = utc_s / 86400.0 - 10957.5  # since J2000.0
    anomaly = math.radians(357.528 + 0.9856003 * days)
    longitude = math.radians(
        280.460 + 0.9856474 * days + 1.915 * math.sin(anomaly) + 0.020 * math.sin(2.0 * anomaly)
    )
    tilt = math.radians(23.439 - 0.0000004 * days)
    ra = math.atan2(math.cos(tilt) * math.sin(longitude), math.cos(longitude))
    dec = math.asin(math.sin(tilt) * math.sin(longitude))
    sidereal = math.radians(280.46062 + 360.98564737 * days + longitude_deg)
    latitude = math.radians(latitude_deg)
    return math.degrees(
        math.asin(
            math.sin(latitude) * math.sin(dec)
            + math.cos(latitude) * math.cos(dec) * math.cos(sidereal - ra)
        )
    )


@pytest.mark.parametrize(("latitude", "longitude"), [(44.62, 9.31), (-31.4, 149.1)])
def test_it_ends_in_the_minute_in_which_the_sun_is_six_degrees_down(latitude, longitude) -> None:
    """By an almanac's formula, from the local noon of an autumn day on."""
    noon_s = datetime(2026, 11, 20, 12, tzinfo=UTC).timestamp() - longitude * 240.0

    dark_s = dark_utc_s(Site(latitude, longitude), noon_s)

    assert dark_s is not None
    assert dark_s > noon_s
    assert sun_altitude_deg(dark_s, latitude, longitude) < -5.97
    assert sun_altitude_deg(dark_s - 60.0, latitude, longitude) > -6.03


def test_by_night_there_is_no_wait_and_in_the_polar_summer_no_end() -> None:
    """At once; and None where the Sun stays up for a day."""
    midnight_s = datetime(2026, 11, 20, 23, tzinfo=UTC).timestamp()
    june_s = datetime(2026, 6, 21, 12, tzinfo=UTC).timestamp()

    assert dark_utc_s(Site(44.62, 9.31), midnight_s) == midnight_s
    assert dark_utc_s(Site(69.6, 18.9), june_s) is None


class Overtaken(SystemClock):
    """A clock that goes on between two looks at it, under a timer that is a little early."""

    def __init__(self, utc_s: float) -> None:
        super().__init__()
        self.now_s = utc_s
        self.slept: list[float] = []

    def utc_s(self) -> float:
        self.now_s += 0.4
        return self.now_s

    def sleep(self, seconds: float, cancel: CancelToken | None = None) -> None:
        self.slept.append(seconds)
        self.now_s += max(0.0, seconds - 0.5)


def test_the_wait_for_the_dark_never_sleeps_less_than_nothing() -> None:
    """Whatever the clock does between two looks at it."""
    site = Site(44.62, 9.31)
    dark_s = dark_utc_s(site, datetime(2026, 11, 20, 15, tzinfo=UTC).timestamp())
    assert dark_s is not None
    clock = Overtaken(dark_s - 300.5)
    rig = SimpleNamespace(site=site, clock=clock, note=lambda _text: None)
    run = Startup(Config(), clock, CancelToken(), lambda _event: None)

    assert "waited until" in run._dark(cast("Any", rig), dry=False)

    assert sum(clock.slept) > 200.0
    assert min(clock.slept) >= 0.0
