"""The air above the site: temperature and pressure, how sure they are, and where they came from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from polewright.calculation.sky.climate import night_temperature
from polewright.calculation.sky.errors import PressureContradictsHeight
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.language import say

KELVIN = 273.15
USUAL_HUMIDITY = 0.5

MODEL_SIGMA = 0.004
"""1 sigma of refraction for what is not asked, as a fraction: colour of the light and humidity.

From ERFA ``eraRefco`` at 1013 hPa and 10 C: light of 0.65 instead of 0.55 micrometres is refracted
0.55 % less, and of 0.50 0.41 % more; dry or saturated air instead of half humidity changes 0.09 %
(0.27 % at 28 C). How fast the air cools upwards hardly counts: 3 or 9.5 K/km instead of 6.5 change
0.002 % at 20 degrees of altitude and 0.03 % at 10 (rays traced, `refraction.traced_lift`)."""

#: How sure a value is (1 sigma). Common practice, no source: a sensor at the mount is warmer or
#: colder than the air, cheap barometers are some hPa off, and who types a value typed it earlier.
SENSOR_SIGMA_C, SENSOR_SIGMA_HPA = 1.5, 3.0
TYPED_SIGMA_C, TYPED_SIGMA_HPA = 4.0, 5.0
#: A pressure that no height confirms may be one reduced to sea level (own choice).
UNCONFIRMED_SIGMA_HPA = 15.0
#: Of the pressure at one height: highs and lows, from memory; less in the tropics.
WEATHER_SIGMA_HPA, TROPICAL_WEATHER_SIGMA_HPA, TROPICS_DEG = 9.0, 4.0, 25.0
#: Of the mean temperature of the air column between sea and site (from memory).
COLUMN_SIGMA = 12.0 / 280.0
SCALE_HEIGHT_M = 8430.0  # R T / (M g) at 288 K

#: A site whose height nobody told: where people live, from memory.
UNTOLD_ELEVATION_M, UNTOLD_ELEVATION_SIGMA_M = 250.0, 350.0

#: A pressure farther from the standard atmosphere's than this was not measured at that height:
#: winter's strongest highs are 40 to 50 hPa above it, and lows as deep have no stars (from memory).
MISFIT_HPA = 60.0
#: What air can be where people observe.
COLDEST_C, HOTTEST_C = -60.0, 50.0
THINNEST_HPA, DENSEST_HPA = 400.0, 1100.0


@dataclass(frozen=True)
class AirReading:
    """What a weather device told; None for what it did not tell."""

    device: str
    """Its name."""
    temperature_c: float | None = None
    pressure_hpa: float | None = None
    """At the site, not reduced to sea level."""
    relative_humidity: float | None = None
    """From 0 to 1."""


@dataclass(frozen=True)
class Weather:
    """The air above the site as it is believed to be."""

    air: Atmosphere
    temperature_sigma_c: float
    """1 sigma of the air's temperature, C; 0 without air."""
    pressure_sigma_hpa: float
    """1 sigma of the station's pressure, hPa; 0 without air."""
    source: str
    """Where both came from, in a few words, with figures."""
    warnings: tuple[str, ...] = ()
    """Sentences on values that were not believed, or believed less."""

    @property
    def refraction_sigma(self) -> float:
        """1 sigma of refraction as a fraction of it, at any altitude that is measured at.

        Refraction goes as the density of the air at the telescope, pressure over absolute
        temperature; `MODEL_SIGMA` is added for what is not known besides. 0 without air.
        """
        if self.air.pressure_hpa == 0.0:
            return 0.0
        warmth = self.temperature_sigma_c / (self.air.temperature_c + KELVIN)
        pressure = self.pressure_sigma_hpa / self.air.pressure_hpa
        return math.hypot(warmth, pressure, MODEL_SIGMA)


@dataclass(frozen=True)
class _Value:
    value: float
    sigma: float
    origin: str


def believed_weather(
    site: Site,
    utc_s: float,
    *,
    typed_temperature_c: float | None = None,
    typed_pressure_hpa: float | None = None,
    reading: AirReading | None = None,
    doubts: Sequence[str] = (),
) -> Weather:
    """Return the air by the best that is known of it.

    Temperature: the device's, else the typed one, else that of a clear night by month, latitude
    and height. Pressure: the device's, else the typed one, else the standard atmosphere's at the
    site's height. A device's value that cannot be is left out with a warning. A temperature far
    from the climate's, and a pressure far from the height's, are less sure than others.

    Args:
        site: whose height may be unknown.
        utc_s: the night, Unix seconds UTC.
        typed_temperature_c: from the configuration.
        typed_pressure_hpa: from the configuration; 0 means no refraction.
        reading: of a weather device.
        doubts: sentences on what the device did not tell.

    Raises:
        PressureContradictsHeight: the typed pressure is not that of the height.
    """
    warnings = list(doubts)
    latitude_deg, elevation_m = site.latitude_deg, site.elevation_m if site.elevation_told else None
    if typed_pressure_hpa == 0.0:
        return Weather(
            Atmosphere.none(), 0.0, 0.0, say("no refraction: the pressure given is 0 hPa")
        )
    pressure = _pressure(latitude_deg, elevation_m, typed_pressure_hpa, reading, warnings)
    temperature = _temperature(
        latitude_deg, elevation_m, utc_s, typed_temperature_c, reading, warnings
    )
    humidity = None if reading is None else reading.relative_humidity
    return Weather(
        Atmosphere(
            pressure.value,
            temperature.value,
            humidity if humidity is not None and 0.02 <= humidity <= 1.0 else USUAL_HUMIDITY,
        ),
        temperature.sigma,
        pressure.sigma,
        _air_words(temperature, pressure),
        tuple(warnings),
    )


def _air_words(temperature: _Value, pressure: _Value) -> str:
    values = {
        "temperature": round(temperature.value),
        "sigma_c": temperature.sigma,
        "pressure": pressure.value,
        "sigma_hpa": pressure.sigma,
        "origin": pressure.origin,
    }
    if temperature.origin == pressure.origin:
        return say(
            "{temperature} ± {sigma_c:.1f} °C and {pressure:.0f} ± {sigma_hpa:.0f} hPa {origin}",
            **values,
        )
    return say(
        "{temperature} ± {sigma_c:.1f} °C {origin_c}, {pressure:.0f} ± {sigma_hpa:.0f} hPa "
        "{origin}",
        origin_c=temperature.origin,
        **values,
    )


def _temperature(
    latitude_deg: float,
    elevation_m: float | None,
    utc_s: float,
    typed_c: float | None,
    reading: AirReading | None,
    warnings: list[str],
) -> _Value:
    height_m = UNTOLD_ELEVATION_M if elevation_m is None else elevation_m
    usual_c, usual_sigma_c = night_temperature(latitude_deg, height_m, utc_s)
    told: _Value | None = None
    if reading is not None and reading.temperature_c is not None:
        if COLDEST_C <= reading.temperature_c <= HOTTEST_C:
            told = _Value(
                reading.temperature_c, SENSOR_SIGMA_C, say("from {device}", device=reading.device)
            )
        else:
            warnings.append(
                say(
                    "{device} reports an impossible air temperature, {temperature_c:g} °C: "
                    "not used. Check the sensor.",
                    device=reading.device,
                    temperature_c=reading.temperature_c,
                )
            )
    if told is None and typed_c is not None:
        told = _Value(typed_c, TYPED_SIGMA_C, say("from the configuration"))
    if told is None:
        return _Value(usual_c, usual_sigma_c, say("by month and latitude"))
    # Half of what lies beyond the climate's two sigma is doubt: an old entry, a sensor in a case.
    doubt_c = 0.5 * (abs(told.value - usual_c) - 2.0 * usual_sigma_c)
    if doubt_c <= told.sigma:
        return told
    warnings.append(
        say(
            "The air's temperature is {told:g} °C {origin}; nights of this month have "
            "{usual_c:.0f} ± {usual_sigma_c:.0f} °C. It is taken as good to {doubt_c:.0f} °C "
            "only.",
            told=told.value,
            origin=told.origin,
            usual_c=usual_c,
            usual_sigma_c=usual_sigma_c,
            doubt_c=doubt_c,
        )
    )
    return _Value(told.value, doubt_c, told.origin)


def _pressure(
    latitude_deg: float,
    elevation_m: float | None,
    typed_hpa: float | None,
    reading: AirReading | None,
    warnings: list[str],
) -> _Value:
    if typed_hpa is not None and elevation_m is not None:
        standard_hpa = Atmosphere.standard(elevation_m).pressure_hpa
        if abs(typed_hpa - standard_hpa) > MISFIT_HPA:
            raise PressureContradictsHeight(typed_hpa, elevation_m, standard_hpa)
    told = _told_pressure(elevation_m, reading, warnings)
    if told is None and typed_hpa is not None:
        told = _Value(typed_hpa, TYPED_SIGMA_HPA, say("from the configuration"))
    if told is None:
        if elevation_m is None:
            warnings.append(
                say(
                    "The site's height above sea level is unknown, and with it the air "
                    "pressure: the axis is less certain than it could be. Give [site] "
                    "elevation_m."
                )
            )
        return _pressure_by_height(latitude_deg, elevation_m)
    if elevation_m is None:
        return _Value(told.value, max(told.sigma, UNCONFIRMED_SIGMA_HPA), told.origin)
    off_hpa = abs(told.value - Atmosphere.standard(elevation_m).pressure_hpa)
    # The farther off, the likelier it is one reduced to sea level: half of that is doubt.
    return _Value(told.value, max(told.sigma, 0.5 * off_hpa), told.origin)


def _told_pressure(
    elevation_m: float | None, reading: AirReading | None, warnings: list[str]
) -> _Value | None:
    if reading is None or reading.pressure_hpa is None:
        return None
    hpa, device = reading.pressure_hpa, reading.device
    if not THINNEST_HPA <= hpa <= DENSEST_HPA:
        warnings.append(
            say(
                "{device} reports an impossible air pressure, {hpa:g} hPa: not used. Check "
                "the sensor.",
                device=device,
                hpa=hpa,
            )
        )
        return None
    if elevation_m is not None:
        standard_hpa = Atmosphere.standard(elevation_m).pressure_hpa
        if abs(hpa - standard_hpa) > MISFIT_HPA:
            warnings.append(
                say(
                    "{device} reports an air pressure of {hpa:.0f} hPa, but "
                    "{elevation_m:.0f} m has {standard_hpa:.0f} hPa: not used. It seems to "
                    "be reduced to sea level, or the site's height is wrong.",
                    device=device,
                    hpa=hpa,
                    elevation_m=elevation_m,
                    standard_hpa=standard_hpa,
                )
            )
            return None
    return _Value(hpa, SENSOR_SIGMA_HPA, say("from {device}", device=device))


def _pressure_by_height(latitude_deg: float, elevation_m: float | None) -> _Value:
    height_m, height_sigma_m = elevation_m, 0.0
    origin = say("by the site's height")
    if height_m is None:
        height_m, height_sigma_m = UNTOLD_ELEVATION_M, UNTOLD_ELEVATION_SIGMA_M
        origin = say("since the site's height is unknown")
    hpa = Atmosphere.standard(height_m).pressure_hpa
    tropical = abs(latitude_deg) < TROPICS_DEG
    sigma = math.hypot(
        TROPICAL_WEATHER_SIGMA_HPA if tropical else WEATHER_SIGMA_HPA,
        hpa * COLUMN_SIGMA * height_m / SCALE_HEIGHT_M,
        hpa * height_sigma_m / SCALE_HEIGHT_M,
    )
    return _Value(hpa, sigma, origin)
