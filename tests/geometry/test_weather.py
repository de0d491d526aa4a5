from __future__ import annotations

import math

import numpy as np
import pytest

from polewright.angles import ARCSEC, DEG, separation
from polewright.geometry.attitude import attitude_from_solution
from polewright.geometry.axis import fit_axis
from polewright.geometry.weather import weather_covariance
from polewright.sky.frame import ObservedFrame
from polewright.sky.site import Atmosphere, Site

from .sweeps import NIGHT, NORTH, SOUTH, camera_at, solution, true_axis, turn


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_the_doubt_matches_what_wrong_weather_does(site: Site) -> None:
    """The night is 15 C colder than configured: the axis shifts by some arcseconds, by as much as
    a doubt of 15 C says (within a fifth, since air density is not linear in temperature)."""
    told = Atmosphere.standard(site.elevation_m)
    true = Atmosphere(told.pressure_hpa, told.temperature_c - 15.0)
    axis = true_axis(site)
    declination = math.copysign(20 * DEG, site.latitude)
    sense = 1.0 if site.southern else -1.0
    rng = np.random.default_rng(1)
    solutions, frames = [], []
    for i in range(3):
        matrix = turn(axis, sense * 20 * DEG * i) @ camera_at(site, 20 * DEG, declination)
        sky = ObservedFrame.at(site, true, NIGHT + 60.0 * i)
        solutions.append(solution(matrix, sky, rng, sigma_px=0.0, stars=25))
        frames.append(ObservedFrame.at(site, told, NIGHT + 60.0 * i))
    attitudes = [attitude_from_solution(s, f) for s, f in zip(solutions, frames, strict=True)]
    shift = float(separation(fit_axis(attitudes, southern=site.southern).axis, axis))
    doubt = weather_covariance(
        solutions,
        frames,
        southern=site.southern,
        temperature_doubt_c=15.0,
        pressure_doubt_hpa=0.0,
    )

    assert 2.0 * ARCSEC < shift < 10.0 * ARCSEC
    assert math.sqrt(np.trace(doubt)) == pytest.approx(shift, rel=0.2)


def test_without_air_the_weather_does_not_matter() -> None:
    """Pressure zero is a choice, not a reading."""
    frame = ObservedFrame.at(NORTH, Atmosphere.none(), NIGHT)

    assert np.array_equal(weather_covariance([], [frame], southern=False), np.zeros((3, 3)))
