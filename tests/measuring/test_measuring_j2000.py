"""A mount that counts in J2000: its own words tell whether it reckons with aberration."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import pytest

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.geometry.axis import fit_axis
from polewright.calculation.geometry.shared_errors import SharedErrors
from polewright.calculation.planning.pointing import pointing_from_mount
from polewright.calculation.sky.frame import ObservedFrame, enu_from_hour_angle_dec
from polewright.calculation.sky.mount_coordinates import (
    J2000,
    J2000_MIDWAY,
    J2000_TURNED,
    TOPOCENTRIC,
    aberration_of_mount,
    mount_from_of_date,
    of_date_at,
)
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.refraction import refract, refraction_constants
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.devices.alpaca.telescope import MountState
from polewright.foundation.angles import (
    ARCSEC,
    DEG,
    HOUR,
    azalt_from_enu,
    enu_from_azalt,
    unit_vector,
)
from polewright.observing.runs.horizon_recording import Pointer
from polewright_sim.mount.mount_electronics import Belief
from polewright_sim.spec import MountSpec, SiteSpec

NIGHT_UTC_S = 1795210200.0


def mount(latitude_deg: float, aberration: bool) -> tuple[Belief, ObservedFrame]:
    spec = MountSpec(equatorial_system=2, j2000_with_aberration=aberration)
    site = SiteSpec(latitude_deg=latitude_deg, longitude_deg=9.31)
    frame = ObservedFrame.at(
        Site(latitude_deg, 9.31, 200.0), Atmosphere.standard(200.0), NIGHT_UTC_S
    )
    return Belief(spec, site), frame


def told(belief: Belief, frame: ObservedFrame, hour_angle: float, dec: float, air: bool) -> tuple:
    """Right ascension, declination, altitude and azimuth as the mount tells them."""
    ra, declination = belief.ra_dec(hour_angle, dec, NIGHT_UTC_S)
    altitude, azimuth = belief.alt_az(hour_angle, dec)
    if air:
        seen = refract(enu_from_azalt(azimuth, altitude), refraction_constants(frame.atmosphere))
        azimuth, altitude = (float(angle) for angle in azalt_from_enu(seen))
    return ra / HOUR, declination / DEG, altitude / DEG, azimuth / DEG


@pytest.mark.parametrize("air", [False, True], ids=["no refraction", "refraction"])
@pytest.mark.parametrize("aberration", [True, False], ids=["aberration", "none"])
@pytest.mark.parametrize("latitude_deg", [44.62, 8.0, -33.0, 65.0, 60.0, -50.0])
def test_a_mount_at_home_shows_whether_it_reckons_with_aberration(
    latitude_deg: float, aberration: bool, air: bool
) -> None:
    belief, frame = mount(latitude_deg, aberration)
    home = 90.0 if latitude_deg > 0.0 else -90.0
    words = told(belief, frame, 90.0 * DEG, home * DEG, air)

    assert aberration_of_mount(frame, latitude_deg, *words) is aberration


def test_what_does_not_show_is_not_guessed() -> None:
    """Where aberration hardly changes the declination, or the mount's altitude fits neither."""
    belief, frame = mount(44.62, False)
    answers = []
    for hour in range(-5, 6):
        for dec in (20.0, 50.0, 70.0):
            words = told(belief, frame, hour * HOUR, dec * DEG, False)
            answers.append(aberration_of_mount(frame, 44.62, *words))
            off = (words[0], words[1], words[2] - 0.1, words[3])
            assert aberration_of_mount(frame, 44.62, *off) is None

    assert True not in answers
    assert {None, False} == set(answers)


@pytest.mark.parametrize("aberration", [True, False])
def test_the_declination_axis_stays_along_a_circle(aberration: bool) -> None:
    """Converted as the mount does it, all points of a circle have one declination for it."""
    belief, frame = mount(44.62, aberration)
    system = J2000 if aberration else J2000_TURNED
    for hour in range(-5, 6):
        goal = of_date_at(frame, hour * HOUR, 84.0 * DEG)
        ra, dec = mount_from_of_date(frame, system, goal)
        there = belief.hour_angle_dec(ra * HOUR, dec * DEG, NIGHT_UTC_S)
        back = pointing_from_mount(frame, system, ra, dec)

        assert there[1] == pytest.approx(84.0 * DEG, abs=0.4 * ARCSEC)  # diurnal aberration
        assert back.declination == pytest.approx(84.0 * DEG, abs=1e-4 * ARCSEC)
        assert back.hour_angle == pytest.approx(hour * HOUR, abs=1e-3 * ARCSEC)


@pytest.mark.parametrize("aberration", [True, False])
@pytest.mark.parametrize(
    ("latitude_deg", "declination_deg"), [(44.62, 84.0), (44.62, 20.0), (-33.0, -70.0), (5.0, 60.0)]
)
def test_what_is_not_known_of_a_j2000_mount_is_stated(
    latitude_deg: float, declination_deg: float, aberration: bool
) -> None:
    """Converted halfway, the declination axis moves a little between points either way: by what
    that does to the axis its uncertainty is wider."""
    belief, frame = mount(latitude_deg, aberration)
    site = Site(latitude_deg, 9.31, 200.0)
    seen = []
    for hour_angle_deg in (-50.0, -30.0, -10.0):
        goal = of_date_at(frame, hour_angle_deg * DEG, declination_deg * DEG)
        ra, dec = mount_from_of_date(frame, J2000_MIDWAY, goal)
        back = pointing_from_mount(frame, J2000_MIDWAY, ra, dec)
        assert back.declination == pytest.approx(declination_deg * DEG, abs=0.01 * ARCSEC)
        hour_angle, declination = belief.hour_angle_dec(ra * HOUR, dec * DEG, NIGHT_UTC_S)
        boresight = enu_from_hour_angle_dec(site, hour_angle, declination)
        x = np.cross(pole_enu(site, PoleTarget.TRUE, Atmosphere.none()), boresight)
        x /= np.linalg.norm(x)
        matrix = np.column_stack([x, np.cross(boresight, x), boresight])
        stars = np.diag([1.0, 1.0, 1.0]) * (0.05 * ARCSEC) ** 2
        seen.append(Attitude(matrix, stars, NIGHT_UTC_S, 1, 1e-5, 30, 1.0, 0.1))

    pole = pole_enu(site, PoleTarget.TRUE, Atmosphere.none())
    east, north, up = 0.5 * frame.aberration_enu()

    def off_and_stated(shared: SharedErrors) -> tuple[float, float]:
        """Error of the axis and its sigma that way, arcsec, with a frame's usual noise."""
        fit = fit_axis(seen, southern=site.southern, systematic_rad=1.0 * ARCSEC, shared=shared)
        off = fit.axis - pole
        size = float(np.linalg.norm(off))
        return size / ARCSEC, float(np.sqrt(off @ fit.covariance @ off)) / size / ARCSEC

    off, stated = off_and_stated(SharedErrors())
    assert off > 1.3 * stated
    off, stated = off_and_stated(SharedErrors(aberration=(east, north, up)))
    assert 0.5 * stated < off < 1.2 * stated


def test_topocentric_mounts_are_told_directions_of_date() -> None:
    _, frame = mount(44.62, False)
    goal = of_date_at(frame, 1.0, 0.5)
    ra, dec = mount_from_of_date(frame, TOPOCENTRIC, goal)

    assert unit_vector(ra * HOUR, dec * DEG) == pytest.approx(goal, abs=1e-12)


@pytest.mark.parametrize("aberration", [True, False])
def test_a_skyline_is_read_off_by_the_rule_that_a_run_has(aberration: bool) -> None:
    """Which J2000 the mount means is asked of its own altitude and azimuth there, too."""
    belief, frame = mount(44.62, aberration)

    class Words:
        ra, dec, altitude_deg, azimuth_deg = told(belief, frame, 0.0, 88.0 * DEG, False)

        def equatorial_system(self) -> int:
            return 2

        def site_latitude_deg(self) -> float:
            return 44.62

        def state(self) -> MountState:
            return MountState(
                NIGHT_UTC_S, self.ra, self.dec, False,
                altitude_deg=self.altitude_deg, azimuth_deg=self.azimuth_deg,
            )  # fmt: skip

        def right_ascension_hours(self) -> float:
            return self.ra

        def declination_deg(self) -> float:
            return self.dec

    class Then:
        def utc_s(self) -> float:
            return NIGHT_UTC_S

    pointer: Any = Pointer(
        cast("Any", Words()),
        frame.site,
        frame.atmosphere,
        cast("Any", Then()),
        sun_avoid_deg=30.0,
    )
    azimuth_deg, altitude_deg = (float(part) for part in pointer.look().line.split())
    seen = refract(
        enu_from_azalt(Words.azimuth_deg * DEG, Words.altitude_deg * DEG),
        refraction_constants(frame.atmosphere),
    )
    azimuth, altitude = (float(angle) for angle in azalt_from_enu(seen))

    assert pointer.system == (J2000 if aberration else J2000_TURNED)
    assert altitude_deg == pytest.approx(altitude / DEG, abs=0.0051)
    assert azimuth_deg % 360.0 == pytest.approx(azimuth / DEG % 360.0, abs=0.0051)
