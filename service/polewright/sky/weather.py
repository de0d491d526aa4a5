"""The air's temperature and pressure, how sure they are, and where they came from."""

from __future__ import annotations

import math
from dataclasses import dataclass

from polewright.sky.site import Atmosphere

KELVIN = 273.15

MODEL_SIGMA = 0.004
"""1 sigma of refraction for what is not asked, as a fraction: colour of the light and humidity.

From ERFA ``eraRefco`` at 1013 hPa and 10 C: light of 0.65 instead of 0.55 micrometres is refracted
0.55 % less, and of 0.50 0.41 % more; dry or saturated air instead of half humidity changes 0.09 %
(0.27 % at 28 C)."""


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
