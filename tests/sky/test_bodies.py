from __future__ import annotations

from datetime import UTC, datetime

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_body
from astropy.time import Time
from astropy.utils import iers

from polewright.calculation.sky.bodies import moon_enu, moon_illuminated_fraction, sun_enu
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import (
    ARCSEC,
    azalt_from_enu,
    enu_from_azalt,
    separation,
    unit_vector,
)

SITES = [Site(33.0, -117.0, 500.0), Site(-41.3, 174.8, 100.0)]
TIMES = [datetime(2024, 1, 5, 3, tzinfo=UTC), datetime(2025, 6, 20, 15, tzinfo=UTC)]


@pytest.mark.parametrize("site", SITES)
@pytest.mark.parametrize("when", TIMES)
def test_sun_and_moon_agree_with_astropy(site: Site, when: datetime) -> None:
    """Astropy's own light-time, aberration and AltAz chain. It has polar motion (up to 0.6
    arcsec), which is left out here on purpose."""
    frame = ObservedFrame.at(site, Atmosphere.none(), when.timestamp())
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        place = EarthLocation.from_geodetic(
            site.longitude_deg * u.deg, site.latitude_deg * u.deg, site.elevation_m * u.m
        )
        t = Time(when.timestamp(), format="unix")
        for body, own in (("sun", sun_enu(frame)), ("moon", moon_enu(frame))):
            there = get_body(body, t, place).transform_to(AltAz(obstime=t, location=place))
            seen = enu_from_azalt(there.az.rad, there.alt.rad)

            assert float(separation(own, seen)) < 2.0 * ARCSEC


def test_the_moons_lit_part_agrees_with_meeus() -> None:
    """Meeus, Astronomical Algorithms, 2nd ed., ex. 48.a: 0.6786 for 1992 April 12, 0h TD, seen
    from the Earth's centre; from the surface the Moon's parallax (up to 1 deg) changes it by less
    than 0.01."""
    utc_s = datetime(1992, 4, 12, tzinfo=UTC).timestamp() - 59.0
    frame = ObservedFrame.at(Site(10.0, 0.0), Atmosphere.none(), utc_s)

    assert moon_illuminated_fraction(frame) == pytest.approx(0.6786, abs=0.01)


def test_the_moons_place_agrees_with_meeus() -> None:
    """Meeus, 2nd ed., ex. 47.a: apparent right ascension 134.688470 deg, declination +13.768368
    at 1992 April 12, 0h TD, from the Earth's centre, where parallax is zero for a site with the
    Moon overhead. So the test goes to that place; refraction is off."""
    utc_s = datetime(1992, 4, 12, tzinfo=UTC).timestamp() - 59.0
    expected = unit_vector(np.radians(134.688470), np.radians(13.768368))
    greenwich = ObservedFrame.at(Site(0.0, 0.0), Atmosphere.none(), utc_s)
    longitude = (134.688470 - np.degrees(greenwich.lst) + 180.0) % 360.0 - 180.0
    below = ObservedFrame.at(Site(13.768368 + 0.0883, longitude), Atmosphere.none(), utc_s)

    seen = below.of_date_from_enu(moon_enu(below), refracted=False)

    # The vertical there misses the Earth's centre by up to 0.2 deg, hence a parallax of up to
    # 0.2 deg * 6378 km / 362000 km = 12 arcsec; diurnal aberration adds 0.3.
    assert float(separation(seen, expected)) < 13.0 * ARCSEC


def test_the_sun_is_up_at_noon() -> None:
    """Over Greenwich at noon in June: due south within the equation of time, 62 deg high."""
    noon = datetime(2025, 6, 21, 12, 2, tzinfo=UTC).timestamp()
    frame = ObservedFrame.at(Site(51.48, 0.0), Atmosphere.standard(0.0), noon)
    azimuth, altitude = azalt_from_enu(sun_enu(frame))

    assert float(np.degrees(azimuth)) == pytest.approx(180.0, abs=1.0)
    assert float(np.degrees(altitude)) == pytest.approx(90.0 - 51.48 + 23.44, abs=0.05)
