"""What doubtful weather readings do to the axis.

Refraction is proportional to the air's density, so an error of 10 C or 35 hPa is 3.5 % of it.
Along a sweep that shifts the axis by 3.5 % of what leaving refraction out would (60 to 150 arcsec
for 20 deg steps at latitude 33): a few arcseconds that the stars' noise does not show and that are
the same in every sweep of the night.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from polewright.geometry.attitude import attitude_from_solution
from polewright.geometry.axis import fit_axis
from polewright.sky.frame import ObservedFrame
from polewright.sky.site import Atmosphere
from polewright.solving.base import Solution


def weather_covariance(
    solutions: Sequence[Solution],
    frames: Sequence[ObservedFrame],
    *,
    southern: bool,
    temperature_doubt_c: float = 5.0,
    pressure_doubt_hpa: float = 10.0,
) -> NDArray[np.float64]:
    """Return the covariance (3, 3, ENU, rad^2) to add to a fitted axis for uncertain weather.

    The sweep is fitted again with the air warmer by the first doubt and thinner by the second
    (1 sigma each; the defaults are a guess for readings from a forecast), and the axis's shifts
    are taken as independent errors. Frames without air (pressure 0) have no doubt.

    Args:
        solutions: of the sweep's points, in order.
        frames: the sky at each, as used for the fit.
        southern: as for `fit_axis`.
        temperature_doubt_c: 1-sigma of the temperature, C.
        pressure_doubt_hpa: 1-sigma of the station's pressure, hPa.

    Raises what `attitude_from_solution` and `fit_axis` raise.
    """

    def axis_in(change: Atmosphere | None) -> NDArray[np.float64]:
        skies = [
            frame if change is None else ObservedFrame.at(frame.site, change, frame.utc_s)
            for frame in frames
        ]
        attitudes = [attitude_from_solution(s, f) for s, f in zip(solutions, skies, strict=True)]
        return fit_axis(attitudes, southern=southern).axis

    air = frames[0].atmosphere
    if air.pressure_hpa == 0.0:
        return np.zeros((3, 3))
    reference = axis_in(None)
    warmer = replace(air, temperature_c=min(air.temperature_c + temperature_doubt_c, 60.0))
    thinner = replace(air, pressure_hpa=max(air.pressure_hpa - pressure_doubt_hpa, 0.0))
    shifts = [axis_in(changed) - reference for changed in (warmer, thinner)]
    return np.asarray(sum(np.outer(s, s) for s in shifts), dtype=np.float64)
