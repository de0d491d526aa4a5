"""How warm a clear night is, from month, latitude and height alone."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np

#: Latitude, mean temperature of the year at sea level (C), its swing towards July (C), and the
#: spread from place to place in winter's and summer's three months of the north (1 sigma, C).
#:
#: Source: own zonal means (10 degrees wide, below 1.5 km beyond 60 degrees, land and sea with equal
#: weight since most observers live between) of the monthly mean temperatures of Recommendation
#: ITU-R P.1510-1, reduced to sea level by 6.5 K/km with the heights of ITU-R P.1511-1; a yearly
#: wave was fitted to each. It misses the months by 2 C at most, beyond 65 degrees by 3 to 7.
_ZONES = np.array(
    [
        (-90.0, -22.0, -10.5, 5.2, 4.8),
        (-80.0, -20.2, -11.8, 4.8, 6.3),
        (-70.0, -11.2, -8.5, 2.8, 5.1),
        (-60.0, -3.4, -5.5, 1.8, 6.4),
        (-50.0, 7.8, -3.5, 4.7, 2.4),
        (-40.0, 14.3, -4.4, 4.5, 2.3),
        (-30.0, 20.6, -4.7, 4.5, 2.9),
        (-20.0, 25.3, -2.9, 3.8, 3.0),
        (-10.0, 26.8, -0.6, 2.1, 2.6),
        (0.0, 26.9, -0.2, 1.8, 1.9),
        (10.0, 28.1, 0.5, 2.0, 2.4),
        (20.0, 27.2, 4.0, 2.9, 4.9),
        (30.0, 23.1, 6.9, 4.0, 6.2),
        (40.0, 15.7, 9.3, 6.4, 6.4),
        (50.0, 7.5, 10.5, 8.7, 5.8),
        (60.0, 1.2, 12.6, 11.0, 4.8),
        (70.0, -7.2, 15.7, 10.6, 4.9),
        (80.0, -13.6, 15.9, 6.7, 2.7),
        (90.0, -15.2, 15.1, 2.4, 1.4),
    ]
)
_HOTTEST_DAY = 199.0  # of the year; fitted to the same means north of 30 degrees
_DAYS = 365.25

#: From memory: a clear night is about so much colder than the mean of day and night, give or take;
#: nights of one month differ by so much, less in the tropics; and so does the fall with height.
NIGHT_COLDER_C, NIGHT_COLDER_SIGMA_C = 4.0, 2.0
NIGHTS_SIGMA_C, TROPICAL_NIGHTS_SIGMA_C, TROPICS_DEG = 4.5, 2.0, 20.0
FALL_C_PER_M, FALL_SIGMA_C_PER_M = 0.0065, 0.0015


def night_temperature(latitude_deg: float, elevation_m: float, utc_s: float) -> tuple[float, float]:
    """Return the air's temperature to expect on a clear night, and its 1 sigma, both C."""
    day = datetime.fromtimestamp(utc_s, UTC).timetuple().tm_yday
    swing = math.cos(2.0 * math.pi * (day - _HOTTEST_DAY) / _DAYS)
    mean, towards_july, in_january, in_july = (
        float(np.interp(latitude_deg, _ZONES[:, 0], column)) for column in _ZONES[:, 1:].T
    )
    places = in_january + 0.5 * (1.0 + swing) * (in_july - in_january)
    nights = float(
        np.interp(
            abs(latitude_deg),
            [TROPICS_DEG, 2.0 * TROPICS_DEG],
            [TROPICAL_NIGHTS_SIGMA_C, NIGHTS_SIGMA_C],
        )
    )
    expected = mean + towards_july * swing - NIGHT_COLDER_C - FALL_C_PER_M * elevation_m
    sigma = math.hypot(places, nights, NIGHT_COLDER_SIGMA_C, FALL_SIGMA_C_PER_M * elevation_m)
    return expected, sigma
