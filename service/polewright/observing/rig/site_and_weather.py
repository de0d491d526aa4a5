"""Where the mount stands and the air above it: from configuration, mount and weather station."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from polewright.calculation.sky.site import Site
from polewright.calculation.sky.weather import AirReading, Weather, believed_weather
from polewright.devices.alpaca.errors import AlpacaError, DeviceSilent, ServerUnreachable
from polewright.devices.alpaca.observing_conditions import ObservingConditions
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.angles import DEG, fold_pi
from polewright.foundation.config import Config
from polewright.foundation.errors import ConfigError
from polewright.foundation.language import joined, say

SAME_PLACE_DEG = 0.5
"""A mount whose site is nearer than this to ours is believed its height."""
STALE_S = 1800.0
"""A station's value older than this is not used (own choice: nights cool by 1 or 2 C an hour)."""


_NOBODY_THERE = (DeviceSilent, ServerUnreachable)


class SiteUnknown(ConfigError):
    """Neither the configuration nor the mount knows where the mount stands."""

    code = "site_unknown"
    advice = say("Give [site] latitude_deg and longitude_deg (east positive) in the configuration.")

    def __str__(self) -> str:
        return say("the site is unknown: neither the configuration nor the mount gives it")


def site_given(config: Config) -> Site:
    """Return the configuration's site. Raises `SiteUnknown` when it has none."""
    section = config.site
    if section.latitude_deg is None or section.longitude_deg is None:
        raise SiteUnknown
    return _site(section.latitude_deg, section.longitude_deg, section.elevation_m)


def site_of(config: Config, telescope: Telescope) -> tuple[Site, str]:
    """Return the site and where it was taken from; the height may be the mount's in any case.

    Raises:
        SiteUnknown: nobody knows it.
        ConfigError: only the mount tells it, and it is no place on Earth.
    """
    section = config.site
    if section.latitude_deg is None or section.longitude_deg is None:
        theirs = _mounts_site(telescope)
        if theirs is None:
            raise SiteUnknown
        height = section.elevation_m
        if height is None and theirs.elevation_told:
            height = theirs.elevation_m
        return _site(theirs.latitude_deg, theirs.longitude_deg, height), say("mount")
    ours = site_given(config)
    if ours.elevation_told:
        return ours, say("configuration")
    try:
        theirs = _mounts_site(telescope)
    except ConfigError:  # no place on Earth: it is compared, and told, later
        theirs = None
    if theirs is not None and theirs.elevation_told:
        east_deg = abs(fold_pi(theirs.longitude - ours.longitude)) / DEG
        if max(east_deg, abs(theirs.latitude_deg - ours.latitude_deg)) < SAME_PLACE_DEG:
            ours = replace(ours, elevation_m=theirs.elevation_m, elevation_told=True)
    return ours, say("configuration")


def _mounts_site(telescope: Telescope) -> Site | None:
    """Return what the mount was told; zeros are what drivers have that were told nothing."""
    latitude, longitude = telescope.site_latitude_deg(), telescope.site_longitude_deg()
    if latitude is None or longitude is None or (latitude == 0.0 and longitude == 0.0):
        return None
    height = telescope.site_elevation_m() or None
    if height is not None and not -500.0 <= height <= 9000.0:
        height = None
    return _site(latitude, longitude, height)


def _site(latitude_deg: float, longitude_deg: float, height_m: float | None) -> Site:
    return Site(latitude_deg, longitude_deg, height_m or 0.0, elevation_told=height_m is not None)


def weather_of(
    config: Config, site: Site, utc_s: float, station: ObservingConditions | None = None
) -> Weather:
    """Return the air by the best that is known of it: see `believed_weather`.

    Raises:
        PressureContradictsHeight: the configured pressure is not that of the site's height.
    """
    reading, doubts = (None, ()) if station is None else _read(station)
    return believed_weather(
        site,
        utc_s,
        typed_temperature_c=config.site.temperature_c,
        typed_pressure_hpa=config.site.pressure_hpa,
        reading=reading,
        doubts=doubts,
    )


def _read(station: ObservingConditions) -> tuple[AirReading, tuple[str, ...]]:
    """Ask a station; what it does not tell, or not usably, is None and has a sentence."""
    doubts: list[str] = []
    reading = AirReading(station.label)
    try:
        reading = replace(
            reading, temperature_c=_told(station, "temperature", station.temperature_c, doubts)
        )
        reading = replace(
            reading, pressure_hpa=_told(station, "pressure", station.pressure_hpa, doubts)
        )
        humidity = _told(station, "humidity", station.relative_humidity, [])  # 0.1 %: no word
        reading = replace(reading, relative_humidity=humidity)
    except _NOBODY_THERE as error:  # each further question would wait as long
        doubts.append(say("{label} does not answer ({error}).", label=station.label, error=error))
    return reading, tuple(doubts)


def _told(
    station: ObservingConditions,
    sensor: str,
    value: Callable[[], float | None],
    doubts: list[str],
) -> float | None:
    try:
        number = value()
    except _NOBODY_THERE:
        raise
    except AlpacaError as error:
        doubts.append(
            say(
                "{label} does not give the air's {sensor} ({error}).",
                label=station.label,
                sensor=sensor,
                error=error,
            )
        )
        return None
    if number is None:
        why = joined("; ", (note for note in station.notes if sensor in note))
        doubts.append(
            say(
                "{label} does not give the air's {sensor}{reason}.",
                label=station.label,
                sensor=sensor,
                reason=why and say(" ({why})", why=why),
            )
        )
        return None
    try:
        age_s = station.age_s(sensor.capitalize())
    except AlpacaError:
        age_s = None
    if age_s is None or 0.0 <= age_s <= STALE_S:
        return number
    since = (
        say("it never had a value")
        if age_s < 0.0
        else say("it is {age_s:.0f} minutes old", age_s=age_s / 60.0)
    )
    doubts.append(
        say(
            "The air's {sensor} from {label} is not used: {since}.",
            sensor=sensor,
            label=station.label,
            since=since,
        )
    )
    return None
