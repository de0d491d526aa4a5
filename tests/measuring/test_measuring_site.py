"""Where site and air come from: configuration, mount, and a weather station over HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from polewright.calculation.sky.errors import PressureContradictsHeight
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.devices.alpaca.client import AlpacaConnection
from polewright.devices.alpaca.observing_conditions import ObservingConditions
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.config import Config
from polewright.observing.rig.rig import Rig
from polewright.observing.rig.site_and_weather import SiteUnknown, site_of, weather_of
from polewright.observing.runs.connect import connect_rig
from polewright.records.events import Connected, Event, Note
from polewright_sim.rig import SimulatedRig
from polewright_sim.server.server import RunningRig, serve
from polewright_sim.spec import RigSpec

NOVEMBER_UTC_S = 1795210200.0
SITE = Site(44.62, 9.31, 420.0)
OWN = {"latitude_deg": 44.62, "longitude_deg": 9.31, "elevation_m": 420.0}
AIR = {"temperature_c": -4.0, "pressure_hpa": 955.0, "relative_humidity": 0.9}


@contextmanager
def served(**spec: Any) -> Iterator[RunningRig]:
    rig = SimulatedRig(RigSpec.model_validate({"site": OWN, **spec}), SystemClock(rate=50.0))
    with serve(rig) as running:
        yield running


@contextmanager
def station(**faults: Any) -> Iterator[ObservingConditions]:
    """A connected station over a rig with air of its own."""
    with (
        served(site={**OWN, **AIR}, weather_station=faults) as running,
        AlpacaConnection(running.host, running.port, timeout_s=2.0) as way,
    ):
        found = ObservingConditions(way)
        found.connect()
        yield found


@pytest.mark.parametrize("interface_version", [1, 2])
def test_a_station_is_believed_before_the_configuration(interface_version: int) -> None:
    config = Config.model_validate({"site": {**OWN, "temperature_c": 15.0, "pressure_hpa": 970.0}})
    with station(interface_version=interface_version) as found:
        weather = weather_of(config, SITE, NOVEMBER_UTC_S, found)

    assert weather.air == Atmosphere(955.0, -4.0, 0.9)
    assert weather.source == "-4 ± 1.5 °C and 955 ± 4 hPa from Simulated rig: weather"
    assert not weather.warnings


@pytest.mark.parametrize(
    ("faults", "word"),
    [
        ({"missing": ["temperature"]}, "does not give the air's temperature"),
        ({"not_a_number": ["temperature"]}, "NaN"),
        ({"temperature_off_c": 500.0}, "impossible air temperature, 496 °C"),
    ],
)
def test_one_sensor_that_fails_does_not_cost_the_others(faults: dict[str, Any], word: str) -> None:
    """The next source is taken for that value, and it is said why."""
    config = Config.model_validate({"site": {**OWN, "temperature_c": 2.0}})
    with station(**faults) as found:
        weather = weather_of(config, SITE, NOVEMBER_UTC_S, found)
        again = weather_of(config, SITE, NOVEMBER_UTC_S, found)

    assert (weather.air.temperature_c, weather.air.pressure_hpa) == (2.0, 955.0)
    (said,) = weather.warnings
    assert word in said
    assert again == weather


@pytest.mark.parametrize(("age_s", "words"), [(7200.0, "120 minutes old"), (-1.0, "never had")])
def test_stale_values_are_not_believed(age_s: float, words: str) -> None:
    with station(age_s=age_s) as found:
        weather = weather_of(Config(), SITE, NOVEMBER_UTC_S, found)

    assert weather.air.pressure_hpa == Atmosphere.standard(420.0).pressure_hpa
    assert "by month and latitude" in weather.source
    assert len(weather.warnings) == 2
    assert all(words in sentence for sentence in weather.warnings)


def test_a_station_that_has_gone_is_asked_once() -> None:
    """A silent server costs one wait, not one for each sensor; the next source serves."""
    with station() as found:
        pass  # its server is closed now

    weather = weather_of(Config(), SITE, NOVEMBER_UTC_S, found)

    assert "by month and latitude" in weather.source
    (said,) = weather.warnings
    assert "does not answer" in said


def test_a_station_that_does_not_tell_ages_is_believed() -> None:
    with station(age_s=None) as found:
        assert weather_of(Config(), SITE, NOVEMBER_UTC_S, found).air.temperature_c == -4.0


def test_a_station_that_reduces_to_sea_level_is_not_believed() -> None:
    """955 hPa at 420 m reads as 1004 at sea level: 49 away from the height's, within what highs do.

    So it is used there as sure to half of that; at 2,400 m it is left out.
    """
    high = Site(44.62, 9.31, 2400.0)
    with station(sea_level_pressure=True) as found:
        low = weather_of(Config(), SITE, NOVEMBER_UTC_S, found)
        above = weather_of(Config(), high, NOVEMBER_UTC_S, found)

    assert abs(low.air.pressure_hpa - 955.0) < 2.5 * low.pressure_sigma_hpa
    assert above.air.pressure_hpa == Atmosphere.standard(2400.0).pressure_hpa
    (said,) = above.warnings
    assert "reduced to sea level" in said


# -- the whole rig -------------------------------------------------------------------------


def connected(
    running: RunningRig, events: list[Event], *, accepts: bool = False, **sections: Any
) -> Rig:
    address = {"host": running.host, "port": running.port, "device_number": 0}
    config = Config.model_validate({"telescope": address, "camera": address, **sections})
    config = config.accepting_site() if accepts else config
    return connect_rig(config, running.rig.clock, CancelToken(), events.append)


def test_the_rig_has_the_stations_air_and_asks_again() -> None:
    events: list[Event] = []
    with served(site={**OWN, **AIR}, weather_station={}) as running:
        rig = connected(running, events, site=OWN, observing_conditions={"port": running.port})
        first = rig.weather
        running.rig.spec.site.__dict__["temperature_c"] = -7.0
        rig.read_weather()

    assert rig.atmosphere == rig.plates.atmosphere == Atmosphere(955.0, -7.0, 0.9)
    assert first.air.temperature_c == -4.0
    assert "observingconditions" in [e.device for e in events if isinstance(e, Connected)]
    told = [event.text for event in events if isinstance(event, Note)]
    assert f"Air, for refraction: {first.source}." in told


def test_a_station_that_is_not_there_is_told_and_done_without() -> None:
    events: list[Event] = []
    with served(site={**OWN, **AIR}) as running:
        rig = connected(running, events, site=OWN, observing_conditions={"port": running.port})

    assert "by month and latitude" in rig.weather.source
    warned = [e.text for e in events if isinstance(e, Note) and e.severity == "warning"]
    assert any("no observingconditions found" in text for text in warned)
    assert any("[observing_conditions]" in text for text in warned)


def test_a_pressure_of_the_sea_is_refused_before_anything_moves() -> None:
    events: list[Event] = []
    site = {**OWN, "elevation_m": 2400.0, "pressure_hpa": 1013.0}
    with served() as running:
        with pytest.raises(PressureContradictsHeight):
            connected(running, events, site=site)

        assert running.telescope.get_atpark() is True


class Mount:
    """Tells a site."""

    def __init__(
        self, latitude: float | None, longitude: float | None, elevation: float | None
    ) -> None:
        self._told = latitude, longitude, elevation

    def site_latitude_deg(self) -> float | None:
        return self._told[0]

    def site_longitude_deg(self) -> float | None:
        return self._told[1]

    def site_elevation_m(self) -> float | None:
        return self._told[2]


@pytest.mark.parametrize(
    ("mount", "elevation_m"),
    [
        (Mount(44.62, 9.31, 415.0), 415.0),
        (Mount(44.8, 9.2, 415.0), 415.0),
        (Mount(44.62, -350.69, 415.0), None),
        (Mount(44.62, 9.31, 0.0), None),
        (Mount(44.62, 9.31, 99999.0), None),
        (Mount(44.62, 9.31, None), None),
        (Mount(-33.0, 18.0, 415.0), None),
        (Mount(0.0, 0.0, 415.0), None),
        (Mount(None, None, 415.0), None),
    ],
)
def test_the_mounts_height_serves_where_the_file_has_none(
    mount: Any, elevation_m: float | None
) -> None:
    """As long as the mount knows the place; 0 is what drivers have that were told nothing."""
    config = Config.model_validate({"site": {"latitude_deg": 44.62, "longitude_deg": 9.31}})

    site, source = site_of(config, mount)

    assert source == "configuration"
    assert (site.elevation_m if site.elevation_told else None) == elevation_m
    assert site_of(Config.model_validate({"site": OWN}), mount)[0] == SITE


def test_the_mounts_site_serves_where_the_file_has_none() -> None:
    told: Any = Mount(44.62, 9.31, 415.0)
    untold: Any = Mount(0.0, 0.0, 0.0)

    assert site_of(Config(), told) == (Site(44.62, 9.31, 415.0), "mount")
    with pytest.raises(SiteUnknown):
        site_of(Config(), untold)
