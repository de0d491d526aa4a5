from __future__ import annotations

import pickle

import numpy as np
import pytest
from astropy.coordinates import FK5, SkyCoord

from polewright.calculation.sky.errors import UnknownEquatorialSystem
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.mount_coordinates import (
    J2000,
    J2000_MIDWAY,
    J2000_TURNED,
    OTHER,
    TOPOCENTRIC,
    icrs_from_mount,
    mount_from_of_date,
)
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import (
    ARCSEC,
    DEG,
    HOUR,
    Vector,
    enu_from_azalt,
    separation,
    spherical,
)

from .instants import SOME_NIGHT

FRAME = ObservedFrame.at(Site(33.0, -117.0), Atmosphere.standard(0.0), SOME_NIGHT)
SEEN = enu_from_azalt(np.array([0.3, 2.0, 4.0]), np.array([0.2, 0.8, 1.3]))


def sent(seen: Vector, system: int) -> tuple[float, float]:
    """What the mount is told for a direction in which a star is seen."""
    return mount_from_of_date(FRAME, system, FRAME.of_date_from_enu(seen))


def understood(system: int, right_ascension_hours: float, declination_deg: float) -> Vector:
    """Where a star is seen that has the mount's coordinates."""
    return FRAME.observe(icrs_from_mount(FRAME, system, right_ascension_hours, declination_deg))


@pytest.mark.parametrize("system", [OTHER, TOPOCENTRIC, J2000, J2000_TURNED, J2000_MIDWAY])
@pytest.mark.parametrize("seen", SEEN)
def test_mount_coordinates_come_back(system: int, seen: Vector) -> None:
    """Whatever equinox the mount uses, what is sent is what was meant."""
    told = sent(seen, system)

    assert 0.0 <= told[0] < 24.0
    # Half of aberration twice over is aberration to within its square, 0.002 arcsec.
    within = 0.005 * ARCSEC if system == J2000_MIDWAY else 1e-10
    assert float(separation(understood(system, *told), seen)) < within


def test_a_topocentric_mount_reads_sidereal_time_on_the_meridian() -> None:
    """Right ascension on the meridian equals the local sidereal time, by definition."""
    ra_hours, _ = sent(enu_from_azalt(np.pi, 50 * DEG), TOPOCENTRIC)

    assert ra_hours * HOUR == pytest.approx(FRAME.lst, abs=0.001 * ARCSEC)


def test_refraction_is_taken_out_for_the_mount() -> None:
    """At 10 deg altitude over south the declination sent is lower by the 5.3 arcmin of air."""
    seen = enu_from_azalt(np.pi, 10 * DEG)
    _, dec_deg = sent(seen, TOPOCENTRIC)
    _, raw = FRAME.hour_angle_dec(seen)

    assert (float(raw) / DEG - dec_deg) * 60.0 == pytest.approx(5.3, abs=0.1)


@pytest.mark.parametrize("seen", SEEN)
def test_systems_differ_by_precession(seen: Vector) -> None:
    """Between J2000 and 2026.7 a direction moves by up to 27 years * 50.3 arcsec; mixing the
    systems up would cost that."""
    off = float(separation(understood(J2000, *sent(seen, TOPOCENTRIC)), seen))

    assert 300 * ARCSEC < off < 1400 * ARCSEC


@pytest.mark.parametrize("seen", SEEN)
def test_j2000_is_that_of_another_library(seen: Vector) -> None:
    """astropy's FK5 is 0.03 arcsec from ICRS."""
    theirs = SkyCoord(*spherical(FRAME.to_icrs(seen)), unit="rad", frame="icrs")
    ours = SkyCoord(*sent(seen, J2000), unit=("hourangle", "deg"), frame=FK5(equinox="J2000"))

    assert ours.separation(theirs.transform_to(FK5(equinox="J2000"))).arcsec < 0.1


@pytest.mark.parametrize("system", [3, 4, 17])
def test_unknown_systems_are_refused(system: int) -> None:
    """J2050, B1950 and nonsense are not guessed at; the error survives pickling."""
    with pytest.raises(UnknownEquatorialSystem, match=str(system)) as caught:
        sent(SEEN[0], system)
    with pytest.raises(UnknownEquatorialSystem):
        understood(system, 1.0, 2.0)

    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == str(caught.value)
    assert "J2000" in again.advice
