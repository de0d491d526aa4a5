from __future__ import annotations

import pickle

import numpy as np
import pytest
from astropy.coordinates import FK5, SkyCoord

from polewright.calculation.sky.corners import EquatorialSystem, enu_from_mount, mount_from_enu
from polewright.calculation.sky.errors import UnknownEquinox
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCSEC, DEG, HOUR, enu_from_azalt, separation, spherical

from .instants import SOME_NIGHT

FRAME = ObservedFrame.at(Site(33.0, -117.0), Atmosphere.standard(0.0), SOME_NIGHT)
SEEN = enu_from_azalt(np.array([0.3, 2.0, 4.0]), np.array([0.2, 0.8, 1.3]))


@pytest.mark.parametrize("system", [1, 2, 3])
def test_mount_coordinates_come_back(system: int) -> None:
    """Whatever equinox the mount uses, what is sent is what was meant."""
    ra_hours, dec_deg = mount_from_enu(FRAME, SEEN, system)

    assert np.max(separation(enu_from_mount(FRAME, ra_hours, dec_deg, system), SEEN)) < 1e-10
    assert np.all((ra_hours >= 0.0) & (ra_hours < 24.0))


def test_a_topocentric_mount_reads_sidereal_time_on_the_meridian() -> None:
    """Right ascension on the meridian equals the local sidereal time, by definition."""
    ra_hours, _ = mount_from_enu(FRAME, enu_from_azalt(np.pi, 50 * DEG), 1)

    assert float(ra_hours) * HOUR == pytest.approx(FRAME.lst, abs=0.001 * ARCSEC)


def test_refraction_is_taken_out_for_the_mount() -> None:
    """At 10 deg altitude over south the declination sent is lower by the 5.3 arcmin of air."""
    seen = enu_from_azalt(np.pi, 10 * DEG)
    _, dec_deg = mount_from_enu(FRAME, seen, 1)
    _, raw = FRAME.hour_angle_dec(seen)

    assert (float(raw) / DEG - float(dec_deg)) * 60.0 == pytest.approx(5.3, abs=0.1)


def test_systems_differ_by_precession() -> None:
    """Between J2000 and 2026.7 a direction moves by up to 27 years * 50.3 arcsec; mixing the
    systems up would cost that."""
    off = separation(enu_from_mount(FRAME, *mount_from_enu(FRAME, SEEN, 1), 2), SEEN)

    assert np.all(off > 300 * ARCSEC)
    assert np.all(off < 1400 * ARCSEC)


@pytest.mark.parametrize(("system", "equinox"), [(2, "J2000"), (3, "J2050")])
def test_a_mean_equator_is_that_of_another_library(system: int, equinox: str) -> None:
    """astropy's FK5 counts by the precession of 1976: 0.3 arcsec a century off, and 0.03 arcsec
    from ICRS."""
    icrs = SkyCoord(*spherical(FRAME.to_icrs(SEEN)), unit="rad", frame="icrs")
    ra_hours, dec_deg = mount_from_enu(FRAME, SEEN, system)

    theirs = icrs.transform_to(FK5(equinox=equinox))
    sent = SkyCoord(ra_hours, dec_deg, unit=("hourangle", "deg"), frame=FK5(equinox=equinox))
    assert np.max(sent.separation(theirs).arcsec) < 0.3


@pytest.mark.parametrize("system", [0, 4, 17, EquatorialSystem.B1950])
def test_unknown_systems_are_refused(system: int) -> None:
    """B1950, other and nonsense are not guessed at; the error survives pickling."""
    with pytest.raises(UnknownEquinox, match=str(int(system))) as caught:
        mount_from_enu(FRAME, SEEN, system)

    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == str(caught.value)
    assert "J2000" in again.advice
