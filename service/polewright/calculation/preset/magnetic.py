"""Magnetic declination from the World Magnetic Model, offline (package ``wmm-calculator``)."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from polewright.calculation.preset.errors import MagneticModelOld
from polewright.calculation.sky.site import Site
from polewright.foundation.language import say

FIRST_YEAR, LAST_YEAR = 2025.0, 2030.0
"""Years of WMM2025."""
BLACKOUT_NT, CAUTION_NT = 2000.0, 6000.0
"""Horizontal field (nT) under which a compass is useless, and unreliable. Source: the blackout and
caution zones of the World Magnetic Model."""


@dataclass(frozen=True)
class MagneticDeclination:
    """Which way a compass points here."""

    declination_deg: float
    """Magnetic north from true north, east positive."""
    sigma_deg: float
    """1 sigma of the model against the real field, local iron and rock not included."""
    horizontal_nt: float | None
    """Strength of the horizontal field; None when the declination was given by hand."""
    model: str

    @property
    def caution(self) -> str:
        """A sentence where the field is too weak for a compass; empty elsewhere."""
        if self.horizontal_nt is None or self.horizontal_nt >= CAUTION_NT:
            return ""
        if self.horizontal_nt < BLACKOUT_NT:
            return say(
                "This close to the magnetic pole a compass is useless: find the pole by the stars."
            )
        return say("This close to the magnetic pole a compass is unreliable.")


def decimal_year(utc_s: float) -> float:
    """Year with its fraction, of a Unix time."""
    moment = datetime.fromtimestamp(utc_s, UTC)
    begin = datetime(moment.year, 1, 1, tzinfo=UTC).timestamp()
    end = datetime(moment.year + 1, 1, 1, tzinfo=UTC).timestamp()
    return moment.year + (utc_s - begin) / (end - begin)


def magnetic_declination(site: Site, year: float) -> MagneticDeclination:
    """Return the declination at a site in a (decimal) year.

    The height is taken above the ellipsoid; the geoid's tens of metres do not matter here.
    1-sigma formula ``sqrt(0.26^2 + (5417 / H)^2)`` degrees: error model of WMM2025 as the
    package carries it (its own sum of both comes out in other units, so it is formed here).

    Raises:
        MagneticModelOld: the year is outside the model's.
    """
    from wmm import wmm_calc  # type: ignore[import-untyped]

    if not FIRST_YEAR <= year < LAST_YEAR:
        raise MagneticModelOld(year, FIRST_YEAR, LAST_YEAR)
    model = wmm_calc()
    model.setup_time(dyear=year)
    # On the pole itself north has no meaning and the model divides by zero.
    latitude = min(89.999, max(-89.999, site.latitude_deg))
    longitude = (site.longitude_deg + 180.0) % 360.0 - 180.0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of weak fields; `MagneticDeclination.caution` tells it
        model.setup_env(latitude, longitude, site.elevation_m / 1000.0, msl=False)
        field = model.get_all()
    horizontal = float(np.ravel(field["h"])[0])
    return MagneticDeclination(
        declination_deg=float(np.ravel(field["dec"])[0]),
        sigma_deg=math.hypot(0.26, 5417.0 / max(horizontal, 1.0)),
        horizontal_nt=horizontal,
        model="WMM2025",
    )
