from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.calculation.sky.frame import ObservedFrame, enu_from_hour_angle_dec
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.pole import pole_enu as sky_pole_enu
from polewright.calculation.sky.site import Atmosphere
from polewright.foundation.angles import (
    ARCMIN,
    ARCSEC,
    DEG,
    HOUR,
    SIDEREAL_RATE,
    Matrix,
    Vector,
    enu_from_azalt,
    separation,
    spherical,
    unit_vector,
)
from polewright_sim.mount.adjusters import Adjusters
from polewright_sim.mount.mechanics import axis_truth
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.spec import AdjustersSpec, KnobSpec, MisalignmentSpec, MountSpec, SiteSpec
from polewright_wire.errors import NotNow, Parked, ValueRefused

T0 = 1_790_000_000.0
"""A moment in September 2026."""

latitudes = st.one_of(st.floats(5.0, 70.0), st.floats(-70.0, -5.0))
hour_angles = st.floats(-5.5, 5.5).filter(lambda h: abs(h) > 0.05)


def mount_at(
    latitude_deg: float = 50.0,
    *,
    alt_arcmin: float = 0.0,
    az_arcmin: float = 0.0,
    adjusters: AdjustersSpec | None = None,
    roll_deg: float = 0.0,
    **spec: object,
) -> MountModel:
    calm = {
        "vibration_arcsec": 0.0,
        "periodic_error_arcsec": 0.0,
        "altitude_min_deg": -90.0,
        "unsteadiness_arcsec": 0.0,
    }
    return MountModel(
        MountSpec(**{"starts_parked": False, **calm, **spec}),
        SiteSpec(latitude_deg=latitude_deg, longitude_deg=17.3),
        MisalignmentSpec(alt_arcmin=alt_arcmin, az_arcmin=az_arcmin),
        Adjusters(adjusters or AdjustersSpec(), T0),
        roll=roll_deg * DEG,
        utc_s=T0,
    )


def slew(mount: MountModel, hour_angle_h: float, dec_deg: float, utc_s: float = T0) -> float:
    """Slew by hour angle at the start; return when the mount has arrived."""
    mount.set_tracking(True, utc_s)
    ra = mount.belief.sidereal_time(utc_s) - hour_angle_h * HOUR
    mount.slew_ra_dec(ra, dec_deg * DEG, utc_s)
    return arrival(mount, utc_s)


def arrival(mount: MountModel, utc_s: float) -> float:
    while mount.slewing(utc_s):
        utc_s += 0.25
        assert utc_s < T0 + 86400.0
    return utc_s


def turn_between(before: Matrix, after: Matrix) -> Vector:
    """Rotation vector (3,) in the observed frame."""
    rotation = after @ before.T
    axis = np.array(
        [
            rotation[2, 1] - rotation[1, 2],
            rotation[0, 2] - rotation[2, 0],
            rotation[1, 0] - rotation[0, 1],
        ]
    )
    sine = 0.5 * np.linalg.norm(axis)
    angle = math.atan2(sine, 0.5 * (np.trace(rotation) - 1.0))
    turn: Vector = axis / np.linalg.norm(axis) * angle
    return turn


# Axis and alignment


@given(latitudes, st.floats(-180.0, 180.0), st.floats(-180.0, 180.0))
def test_misalignment_is_axis_minus_pole(latitude: float, alt: float, az: float) -> None:
    """The axis stands higher by alt, and its azimuth larger by az over the cosine of latitude."""
    mount = mount_at(latitude, alt_arcmin=alt, az_arcmin=az)
    azimuth = (0.0 if latitude > 0 else 180.0) + az / 60.0 / math.cos(latitude * DEG)
    expected = enu_from_azalt(azimuth * DEG, (abs(latitude) + alt / 60.0) * DEG)
    truth = axis_truth(SiteSpec(latitude_deg=latitude), mount.axis(T0))

    assert separation(mount.axis(T0), expected) < 1e-9
    assert truth.alt_arcmin == pytest.approx(alt, abs=1e-6)
    assert truth.az_sky_arcmin == pytest.approx(az, abs=1e-6)


@given(latitudes)
def test_an_aligned_axis_is_the_true_pole_of_the_sky(latitude: float) -> None:
    """Zero misalignment means the sky's own true pole."""
    site = SiteSpec(latitude_deg=latitude).site()
    pole = sky_pole_enu(site, PoleTarget.TRUE, Atmosphere.none())

    assert separation(mount_at(latitude).axis(T0), pole) < 1e-9


@settings(deadline=None, max_examples=60)
@given(
    latitudes,
    st.floats(-180.0, 180.0),
    st.floats(-180.0, 180.0),
    hour_angles,
    st.floats(-30.0, 60.0),
    st.floats(0.0, 10.0),
)
def test_turning_in_ra_leaves_the_axis_where_it_is(
    latitude: float, alt: float, az: float, hour_angle: float, dec: float, tilt: float
) -> None:
    """Whatever is crooked: attitudes that differ by RA alone differ by a turn about the axis."""
    mount = mount_at(
        latitude,
        alt_arcmin=alt,
        az_arcmin=az,
        cone_arcmin=25.0,
        nonperpendicular_arcmin=-12.0,
        tripod_tilt_deg=tilt,
        tripod_tilt_azimuth_deg=70.0,
        pointing_offset_ra_arcmin=90.0,
        pointing_offset_dec_arcmin=-45.0,
        roll_deg=33.0,
    )
    start = slew(mount, hour_angle, math.copysign(dec, latitude))
    mount.move_axis(0, 2.0 * DEG, start)
    turned = turn_between(mount.attitude(start), mount.attitude(start + 6.0))

    assert separation(mount.axis(start), mount.axis(start + 6.0)) == 0.0
    assert abs(np.cross(turned / np.linalg.norm(turned), mount.axis(start))).max() < 1e-7
    # the ramp of 1 s covers half of what 1 s at speed does: 2 deg/s * (6 - 0.5) s; it starts
    # from the tracking rate, which adds 0.004 deg
    assert np.linalg.norm(turned) == pytest.approx(11.0 * DEG, abs=0.005 * DEG)


@pytest.mark.parametrize("latitude", [48.0, -35.0])
def test_tracking_turns_with_the_sky(latitude: float) -> None:
    """About the elevated end of the axis: clockwise seen from inside in the north, that is
    negative, and the other way round in the south."""
    mount = mount_at(latitude, az_arcmin=40.0)
    start = slew(mount, 1.0, 10.0)
    turned = turn_between(mount.attitude(start), mount.attitude(start + 600.0))
    along = float(turned @ mount.axis(start))

    assert along == pytest.approx(math.copysign(600.0 * SIDEREAL_RATE, -latitude), rel=1e-6)
    assert np.linalg.norm(turned) == pytest.approx(abs(along), rel=1e-9)


@given(latitudes, hour_angles, st.floats(-60.0, 60.0), st.floats(-180.0, 180.0))
@settings(deadline=None, max_examples=40)
def test_attitudes_are_rotations(
    latitude: float, hour_angle: float, dec: float, roll: float
) -> None:
    """Orthonormal, determinant +1."""
    mount = mount_at(latitude, cone_arcmin=30.0, nonperpendicular_arcmin=20.0, roll_deg=roll)
    attitude = mount.attitude(slew(mount, hour_angle, dec))

    assert np.allclose(attitude @ attitude.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(attitude) == pytest.approx(1.0)


# Pointing


@given(latitudes, hour_angles, st.floats(-80.0, 80.0))
@settings(deadline=None, max_examples=60)
def test_a_perfect_mount_points_where_the_sky_says(
    latitude: float, hour_angle: float, dec: float
) -> None:
    """On both sides of the meridian and the equator, an aligned mount meets the coordinates of
    date without air to 0.02 arcsec, also ten minutes later."""
    mount = mount_at(latitude)
    site = SiteSpec(latitude_deg=latitude, longitude_deg=17.3).site()
    ra = mount.belief.sidereal_time(T0) - hour_angle * HOUR
    arrived = slew(mount, hour_angle, dec)
    for utc_s in (arrived, arrived + 600.0):
        frame = ObservedFrame.at(site, Atmosphere.none(), utc_s)
        wanted = frame.enu_from_of_date(unit_vector(ra, dec * DEG), refracted=False)

        assert separation(mount.attitude(utc_s)[:, 2], wanted) < 0.02 * ARCSEC
        told_ra, told_dec = mount.ra_dec(utc_s)
        assert separation(unit_vector(told_ra, told_dec), unit_vector(ra, dec * DEG)) < (
            0.02 * ARCSEC
        )


def test_a_j2000_mount_precesses_by_itself() -> None:
    """Told J2000 coordinates, it points at their place of date, aberration left out (20.5 arcsec
    at most, the constant of aberration), and reports J2000 again."""
    mount = mount_at(50.0, equatorial_system=2)
    site = SiteSpec(latitude_deg=50.0, longitude_deg=17.3).site()
    star = unit_vector(200.0 * DEG, 40.0 * DEG)
    mount.set_tracking(True, T0)
    mount.slew_ra_dec(200.0 * DEG, 40.0 * DEG, T0)
    arrived = arrival(mount, T0)
    frame = ObservedFrame.at(site, Atmosphere.none(), arrived)
    off = float(separation(mount.attitude(arrived)[:, 2], frame.observe(star)))
    of_date, _ = spherical(frame.of_date_from_icrs(star))

    assert off < 21.0 * ARCSEC
    assert abs(of_date - 200.0 * DEG) > 10.0 * ARCMIN  # so precession was not left out
    assert np.allclose(mount.ra_dec(arrived), (200.0 * DEG, 40.0 * DEG), atol=0.02 * ARCSEC)


@given(st.sampled_from([40.0, -40.0]), hour_angles, st.floats(-60.0, 60.0))
@settings(deadline=None, max_examples=30)
def test_a_cone_error_puts_the_tube_off_by_itself(
    latitude: float, hour_angle: float, dec: float
) -> None:
    """The boresight misses by the cone angle, on whichever side of the pier."""
    mount = mount_at(latitude, cone_arcmin=20.0)
    arrived = slew(mount, hour_angle, dec)
    ideal = mount_at(latitude)
    slew(ideal, hour_angle, dec)
    off = separation(mount.attitude(arrived)[:, 2], ideal.attitude(arrived)[:, 2])

    assert off == pytest.approx(20.0 * ARCMIN, abs=1e-7)


def test_a_crooked_declination_axis_turns_the_image_and_the_field() -> None:
    """Pointing at the equator it only rolls the image; 60 deg up it shifts the field too, by the
    sine of the declination."""
    for dec, shift in ((0.0, 0.0), (60.0, 30.0 * math.sin(60.0 * DEG))):
        crooked, ideal = mount_at(nonperpendicular_arcmin=30.0), mount_at()
        arrived = slew(crooked, 2.0, dec)
        slew(ideal, 2.0, dec)
        off = separation(crooked.attitude(arrived)[:, 2], ideal.attitude(arrived)[:, 2])

        assert off == pytest.approx(shift * ARCMIN, abs=0.01 * ARCMIN)


def test_the_pointing_offset_is_unknown_to_the_driver() -> None:
    """It reports the target, while the tube looks degrees beside it."""
    mount = mount_at(pointing_offset_ra_arcmin=120.0, pointing_offset_dec_arcmin=60.0)
    arrived = slew(mount, 1.0, 0.0)
    site = SiteSpec(latitude_deg=50.0).site()
    seen = mount.attitude(arrived)[:, 2]
    told_h, told_dec = mount.hour_angle_dec(arrived)
    told = enu_from_hour_angle_dec(site, told_h, told_dec)
    shifted = enu_from_hour_angle_dec(site, told_h - 2.0 * DEG, told_dec + 1.0 * DEG)

    assert told_dec == pytest.approx(0.0, abs=1e-6)
    assert separation(seen, told) > 2.0 * DEG
    assert separation(seen, shifted) < 1e-8


def test_a_wrong_clock_and_a_wrong_longitude_turn_the_pointing() -> None:
    """A clock 240 s ahead and a longitude 1 deg too far east each move the aim by 1 deg."""
    site = SiteSpec(latitude_deg=50.0).site()
    for wrong in ({"clock_offset_s": 86400.0 / 360.0}, {"site_longitude_deg": 18.3}):
        mount, right = mount_at(**wrong), mount_at()  # type: ignore[arg-type]
        for each in (mount, right):
            each.set_tracking(True, T0)
            each.slew_ra_dec(right.belief.sidereal_time(T0) - HOUR, 0.0, T0)
        end = max(arrival(mount, T0), arrival(right, T0))
        off = separation(mount.attitude(end)[:, 2], right.attitude(end)[:, 2])

        assert off == pytest.approx(1.0 * DEG, abs=0.01 * DEG)
    assert site.latitude_deg == 50.0


@pytest.mark.parametrize("latitude", [45.0, -45.0])
def test_north_is_up_in_one_pointing_state_and_down_in_the_other(latitude: float) -> None:
    """With no roll, image down is celestial south in the normal state, north beyond the pole."""
    for hour_angle, sign in ((1.0, 1.0), (-1.0, -1.0)):
        mount = mount_at(latitude)
        attitude = mount.attitude(slew(mount, hour_angle, 0.0))
        north = math.copysign(1.0, latitude) * mount.axis(T0)

        assert float(attitude[:, 1] @ north) == pytest.approx(-sign, abs=1e-6)
        # celestial west on the right-hand side when north is up
        west = np.cross(attitude[:, 2], north)
        assert float(attitude[:, 0] @ west) == pytest.approx(sign, abs=1e-6)


def test_roll_turns_the_camera_about_its_boresight() -> None:
    """A positive roll turns x towards y."""
    plain, rolled = mount_at(), mount_at(roll_deg=30.0)
    before, after = plain.attitude(T0), rolled.attitude(T0)

    assert np.allclose(before[:, 2], after[:, 2])
    assert float(after[:, 0] @ before[:, 1]) == pytest.approx(0.5)


# Pointing states


@pytest.mark.parametrize("latitude", [45.0, -45.0])
@pytest.mark.parametrize(("hour_angle", "side"), [(3.0, 0), (9.0, 0), (-3.0, 1), (-9.0, 1)])
def test_side_of_pier_follows_the_hour_angle(latitude: float, hour_angle: float, side: int) -> None:
    """West of the meridian normal, east of it through the pole, in both hemispheres; below the
    pole as well."""
    mount = mount_at(latitude)
    mount.set_tracking(True, T0)
    ra = mount.belief.sidereal_time(T0) - hour_angle * HOUR
    dec = math.copysign(75.0 * DEG, latitude)
    told = mount.destination_side(ra, dec, T0)
    arrived = slew(mount, hour_angle, math.copysign(75.0, latitude))

    assert told == side
    assert mount.side(arrived) == side


def test_a_target_just_over_the_meridian_may_keep_the_side() -> None:
    """Mounts that avoid flips stay within their allowance and flip beyond it."""
    mount = mount_at(stay_past_meridian_deg=10.0)
    arrived = slew(mount, -1.0, 20.0)
    lst = mount.belief.sidereal_time(arrived)

    assert mount.side(arrived) == 1
    assert mount.destination_side(lst - 9.0 * DEG, 0.3, arrived) == 1
    assert mount.destination_side(lst - 11.0 * DEG, 0.3, arrived) == 0


def test_tracking_stops_past_the_meridian() -> None:
    """A German mount on the east side tracks over the meridian to its limit and rests there."""
    mount = mount_at(past_meridian_deg=5.0)
    arrived = slew(mount, -0.25, 20.0)
    to_limit_s = (0.25 * 15.0 + 5.0) / 360.0 * 86164.0905
    before, after = T0 + to_limit_s - 5.0, T0 + to_limit_s + 5.0
    mount.keep_house(before)

    assert arrived < before
    assert mount.tracking
    mount.keep_house(after)
    assert not mount.tracking
    assert np.array_equal(mount.attitude(after), mount.attitude(after + 100.0))
    with pytest.raises(NotNow, match="limit"):
        mount.set_tracking(True, after)


def test_a_fork_never_flips() -> None:
    """It tracks from east to west in the normal state."""
    mount = mount_at(kind="fork")
    arrived = slew(mount, -2.0, 20.0)

    assert mount.side(arrived) == 0
    assert mount.destination_side(mount.belief.sidereal_time(arrived) - HOUR, 0.3, arrived) == 0


# Motion


def test_a_slew_takes_its_trapezoid() -> None:
    """From home (pole) to declination 10 on the meridian's west side at 2 deg/s, 1 deg/s^2:
    80 deg need 40 s and one ramp of 2 s more."""
    mount = mount_at(slew_deg_per_s=2.0, acceleration_deg_per_s2=1.0)
    mount.set_tracking(True, T0)
    ra = mount.belief.sidereal_time(T0) - 5.5 * HOUR
    mount.slew_ra_dec(ra, 10.0 * DEG, T0)

    assert mount.slewing(T0)
    assert mount.slewing(T0 + 41.9)
    assert not mount.slewing(T0 + 42.1)
    # at rest before, full speed in the middle
    moved = separation(mount.attitude(T0 + 20.0)[:, 2], mount.attitude(T0 + 21.0)[:, 2])
    assert moved == pytest.approx(2.0 * DEG, rel=0.02)


def test_settle_time_prolongs_slewing() -> None:
    """Slewing stays true after arrival for the set time."""
    mount = mount_at()
    mount.settle_time_s = 7
    arrived = slew(mount, 2.0, 20.0)
    plain = mount_at()

    assert arrived - slew(plain, 2.0, 20.0) == pytest.approx(7.0, abs=0.3)


def test_vibration_dies_away() -> None:
    """It starts with its amplitude when the slew ends and falls by e in each decay time."""
    mount = mount_at(vibration_arcsec=30.0, vibration_hz=2.0, vibration_decay_s=1.5)
    calm = mount_at()
    arrived = slew(mount, 2.0, 20.0)
    slew(calm, 2.0, 20.0)

    def swing(start_s: float) -> float:
        times = start_s + np.arange(0.0, 0.5, 0.01)
        offs = [separation(mount.attitude(t)[:, 2], calm.attitude(t)[:, 2]) for t in times]
        return float(np.max(offs)) / ARCSEC

    assert 15.0 < swing(arrived) < 40.0
    # after 5 s both axes have swung whole times (10 and 13)
    assert swing(arrived + 5.0) / swing(arrived) == pytest.approx(math.exp(-5.0 / 1.5), rel=1e-3)
    assert swing(arrived + 40.0) < 1e-3
    assert not mount.quiet_between(arrived, arrived + 1.0)
    assert mount.quiet_between(arrived + 60.0, arrived + 64.0)


def test_periodic_error_has_its_amplitude_and_period() -> None:
    """Over one worm turn the RA axis leads and lags by the amplitude."""
    mount = mount_at(periodic_error_arcsec=8.0, periodic_error_period_s=480.0)
    ideal = mount_at()
    arrived = slew(mount, 2.0, 0.0)
    slew(ideal, 2.0, 0.0)
    times = arrived + np.arange(0.0, 481.0, 4.0)
    lead = np.array(
        [
            float(mount.attitude(t)[:, 2] @ np.cross(ideal.attitude(t)[:, 2], mount.axis(t)))
            for t in times
        ]
    )

    assert np.max(np.abs(lead)) / ARCSEC == pytest.approx(8.0, abs=0.02)
    assert lead[0] == pytest.approx(lead[-1], abs=0.01 * ARCSEC)
    assert np.sum(np.diff(np.sign(lead)) != 0) == 2


def test_abort_brakes_and_goes_on_tracking() -> None:
    """The axes come to rest by their acceleration, then follow the sky."""
    mount = mount_at(slew_deg_per_s=4.0, acceleration_deg_per_s2=2.0)
    mount.set_tracking(True, T0)
    mount.slew_ra_dec(mount.belief.sidereal_time(T0) - 0.5 * HOUR, 0.0, T0)
    mount.abort(T0 + 8.0)

    for axis in (0, 1):
        mount.move_axis(axis, 0.0, T0 + 8.05)  # a rate of 0 is welcome at any time
    assert mount.slewing(T0 + 8.1)
    assert mount.still_moving(T0 + 9.0)
    assert not mount.slewing(T0 + 10.1)
    assert not mount.still_moving(T0 + 10.1)
    drift = turn_between(mount.attitude(T0 + 11.0), mount.attitude(T0 + 111.0))
    assert np.linalg.norm(drift) == pytest.approx(100.0 * SIDEREAL_RATE, rel=1e-6)


def test_a_slew_may_be_replaced_by_another() -> None:
    """The second target is reached; the first slew's ringing never happens."""
    mount = mount_at()
    mount.set_tracking(True, T0)
    lst = mount.belief.sidereal_time(T0)
    mount.slew_ra_dec(lst - 1.0 * HOUR, 0.0, T0)
    mount.slew_ra_dec(lst - 3.0 * HOUR, 0.7, T0 + 5.0)
    arrived = arrival(mount, T0 + 5.0)

    assert mount.ra_dec(arrived)[0] == pytest.approx((lst - 3.0 * HOUR) % math.tau, abs=1e-7)
    assert mount.ra_dec(arrived)[1] == pytest.approx(0.7, abs=1e-7)


def test_altitude_limits_refuse_and_stop() -> None:
    """A target below is refused with both numbers; tracking down to the limit ends there."""
    mount = mount_at(altitude_min_deg=20.0)
    mount.set_tracking(True, T0)
    lst = mount.belief.sidereal_time(T0)
    with pytest.raises(ValueRefused, match=r"-40\.\d+ deg, below the limit of 20\.00"):
        mount.slew_ra_dec(lst + math.pi, 0.0, T0)
    arrived = slew(mount, 4.0, 10.0)
    utc_s = arrived
    while mount.alt_az(utc_s)[0] > 19.9 * DEG and mount.tracking:
        utc_s += 10.0
        mount.keep_house(utc_s)

    assert not mount.tracking
    assert mount.alt_az(utc_s)[0] / DEG == pytest.approx(20.0, abs=0.1)
    assert not mount.still_moving(utc_s + 1.0)


def test_what_a_parked_mount_refuses() -> None:
    """All motion and tracking on; tracking off is allowed. Parking twice is no error."""
    mount = mount_at(starts_parked=True)
    for command in (
        lambda: mount.set_tracking(True, T0),
        lambda: mount.slew_ra_dec(0.0, 0.0, T0),
        lambda: mount.slew_alt_az(1.0, 0.0, T0),
        lambda: mount.move_axis(0, 0.01, T0),
        lambda: mount.pulse(0, 1.0, T0),
        lambda: mount.abort(T0),
        lambda: mount.find_home(T0),
        lambda: mount.sync(0.0, 0.0, T0),
        lambda: mount.set_park(T0),
    ):
        with pytest.raises(Parked):
            command()
    mount.set_tracking(False, T0)
    mount.park(T0)
    mount.unpark(T0)
    mount.unpark(T0)

    assert not mount.at_park
    assert not mount.tracking


def test_park_ends_where_it_was_set_with_tracking_off() -> None:
    """SetPark's place is where the mount parks."""
    mount = mount_at()
    there = slew(mount, 2.0, 30.0)
    mount.set_park(there)
    wanted = mount.hour_angle_dec(there)
    away = slew(mount, 4.0, 0.0, there)
    mount.park(away)

    assert not mount.at_park
    parked = arrival(mount, away)
    assert mount.at_park
    assert not mount.tracking
    assert not mount.at_home
    assert np.allclose(mount.hour_angle_dec(parked), wanted, atol=1e-8)


def test_home_is_at_the_pole_with_the_counterweight_down() -> None:
    """FindHome goes there, and says so only when it has arrived."""
    for latitude in (50.0, -30.0):
        mount = mount_at(latitude)
        away = slew(mount, 2.0, 0.0)
        mount.find_home(away)

        assert not mount.at_home
        home = arrival(mount, away)
        assert mount.at_home
        assert separation(mount.attitude(home)[:, 2], mount.axis(home)) < 1e-7


def test_alt_az_slews_want_tracking_off() -> None:
    """And RA/Dec slews want it on."""
    mount = mount_at()
    with pytest.raises(NotNow, match="tracking is off"):
        mount.slew_ra_dec(0.0, 0.5, T0)
    mount.slew_alt_az(40.0 * DEG, 200.0 * DEG, T0)
    arrived = arrival(mount, T0)

    assert np.allclose(mount.alt_az(arrived), (40.0 * DEG, 200.0 * DEG), atol=1e-7)
    assert np.allclose(mount.attitude(arrived)[:, 2], enu_from_azalt(200 * DEG, 40 * DEG))
    mount.set_tracking(True, arrived)
    with pytest.raises(NotNow, match="tracking is on"):
        mount.slew_alt_az(0.7, 0.0, arrived)


def test_sync_changes_the_belief_and_not_the_tube() -> None:
    """On either side of the pier, a sync makes the mount report the given place."""
    for hour_angle in (1.0, -1.0):
        mount = mount_at()
        arrived = slew(mount, hour_angle, 20.0)
        before = mount.attitude(arrived)
        ra, dec = mount.ra_dec(arrived)
        mount.sync(ra + 0.01, dec + 0.02, arrived)

        assert np.allclose(mount.attitude(arrived), before, atol=1e-12)
        assert np.allclose(mount.ra_dec(arrived), ((ra + 0.01) % math.tau, dec + 0.02))


@pytest.mark.parametrize("hour_angle", [1.0, -1.0])
@pytest.mark.parametrize(
    ("direction", "ra_sign", "dec_sign"), [(0, 0, 1), (1, 0, -1), (2, 1, 0), (3, -1, 0)]
)
def test_guide_pulses_go_where_they_say(
    hour_angle: float, direction: int, ra_sign: int, dec_sign: int
) -> None:
    """North raises the declination and east the right ascension, on both sides of the pier, by
    half the sidereal rate."""
    mount = mount_at()
    arrived = slew(mount, hour_angle, 20.0)
    ra, dec = mount.ra_dec(arrived)
    mount.pulse(direction, 10.0, arrived)
    amount = 10.0 * 0.5 * SIDEREAL_RATE

    assert mount.pulse_guiding(arrived + 9.9)
    assert not mount.pulse_guiding(arrived + 10.1)
    told = mount.ra_dec(arrived + 20.0)
    assert told[0] - ra == pytest.approx(ra_sign * amount, abs=0.05 * ARCSEC)
    assert told[1] - dec == pytest.approx(dec_sign * amount, abs=0.05 * ARCSEC)


def test_an_axis_move_runs_until_told_otherwise_or_to_its_stop() -> None:
    """Slewing is true meanwhile; a forgotten move ends at the mechanical limit."""
    mount = mount_at(past_meridian_deg=10.0)
    arrived = slew(mount, 2.0, 20.0)
    mount.move_axis(0, 1.0 * DEG, arrived)

    assert mount.slewing(arrived + 100.0)
    assert mount.still_moving(arrived + 100.0)
    assert not mount.still_moving(arrived + 400.0)
    mount.move_axis(0, 0.0, arrived + 401.0)
    assert not mount.slewing(arrived + 402.0)


# Mishaps


def test_a_declination_slip_moves_the_tube_and_not_the_axis() -> None:
    """The encoders do not notice."""
    mount = mount_at(az_arcmin=30.0)
    arrived = slew(mount, 2.0, 20.0)
    before, told = mount.attitude(arrived), mount.ra_dec(arrived + 10.0)
    mount.slip_declination(10.0 * ARCMIN, arrived + 1.0)
    after = mount.attitude(arrived + 10.0)
    plain = turn_between(before, after)

    assert np.allclose(mount.attitude(arrived), before)  # the past stays as it was
    assert mount.ra_dec(arrived + 10.0) == told
    assert separation(mount.axis(arrived), mount.axis(arrived + 10.0)) == 0.0
    across = plain - (plain @ mount.axis(arrived)) * mount.axis(arrived)
    assert np.linalg.norm(across) == pytest.approx(10.0 * ARCMIN, rel=1e-3)


def test_a_sinking_tripod_takes_the_axis_along() -> None:
    """Axis and camera turn together by the given rotation."""
    mount = mount_at()
    mount.sink(np.array([0.0, 12.0 * ARCMIN, 0.0]), T0 + 5.0)
    turned = turn_between(mount.attitude(T0), mount.attitude(T0 + 6.0))

    assert np.allclose(turned, [0.0, 12.0 * ARCMIN, 0.0], atol=1e-9)
    # turning about north carries an axis at altitude 50 eastwards by the sine of it
    east = mount.axis(T0 + 6.0)[0]
    assert east == pytest.approx(math.sin(50.0 * DEG) * 12.0 * ARCMIN, rel=1e-4)


def test_ra_backlash_holds_the_tube_back_after_a_change_of_direction() -> None:
    """The tube stands still while the gear takes up its play; the axis is untouched."""
    mount = mount_at()
    arrived = slew(mount, 2.0, 20.0)
    mount.set_ra_backlash(100.0 * ARCSEC, arrived)
    mount.move_axis(0, 0.5 * DEG, arrived)
    mount.move_axis(0, 0.0, arrived + 2.0)
    mount.set_tracking(False, arrived + 3.0)
    mount.move_axis(0, -10.0 * ARCSEC, arrived + 4.0)
    during = mount.attitude(arrived + 6.0), mount.attitude(arrived + 12.0)
    later = mount.attitude(arrived + 16.0), mount.attitude(arrived + 26.0)

    assert np.array_equal(*during)
    assert np.linalg.norm(turn_between(*later)) == pytest.approx(100.0 * ARCSEC, rel=1e-3)


# Knobs


@given(latitudes, st.floats(-120.0, 120.0), st.floats(-120.0, 120.0))
@settings(deadline=None, max_examples=40)
def test_knobs_of_a_level_base_turn_altitude_and_azimuth(
    latitude: float, alt: float, az: float
) -> None:
    """Each arcminute of a knob is one of the axis's altitude, or of the base's azimuth."""
    mount = mount_at(latitude)
    mount._adjusters.turn(T0, altitude_arcmin=alt, azimuth_arcmin=az)
    truth = axis_truth(SiteSpec(latitude_deg=latitude), mount.axis(T0 + 1000.0))

    assert truth.alt_arcmin == pytest.approx(alt, abs=1e-6)
    assert truth.az_base_arcmin == pytest.approx(az, abs=1e-6)


def test_knobs_of_a_tilted_base_turn_about_tilted_axes() -> None:
    """The axis starts where it should all the same, and the azimuth knob changes altitude."""
    mount = mount_at(tripod_tilt_deg=5.0, tripod_tilt_azimuth_deg=90.0)
    site = SiteSpec(latitude_deg=50.0)
    assert axis_truth(site, mount.axis(T0)).total_arcmin < 1e-6

    mount._adjusters.turn(T0, azimuth_arcmin=60.0)
    turned = turn_between(mount.attitude(T0), mount.attitude(T0 + 100.0))
    vertical = -turned / np.linalg.norm(turned)
    # the upper end of the vertical leans 5 deg to the east, the low side
    assert np.allclose(vertical, [math.sin(5 * DEG), 0.0, math.cos(5 * DEG)], atol=1e-7)
    assert np.linalg.norm(turned) == pytest.approx(1.0 * DEG)
    assert abs(axis_truth(site, mount.axis(T0 + 100.0)).alt_arcmin) > 3.0


def test_the_camera_follows_the_knobs() -> None:
    """A turn of the base turns axis and camera by the same rotation."""
    mount = mount_at(adjusters=AdjustersSpec(azimuth=KnobSpec(rate_arcmin_per_s=10.0)))
    mount._adjusters.turn(T0, azimuth_arcmin=100.0)
    turned = turn_between(mount.attitude(T0), mount.attitude(T0 + 5.0))

    assert np.allclose(turned, [0.0, 0.0, -50.0 * ARCMIN], atol=1e-9)  # halfway, from above


@pytest.mark.parametrize("latitude_deg", [50.0, -35.0])
def test_a_tube_sags_towards_the_ground(latitude_deg: float) -> None:
    """By the cosine of its altitude, straight down, whatever the roll of the camera."""
    mount = mount_at(latitude_deg, sag_arcsec=20.0, roll_deg=70.0)
    stiff = mount_at(latitude_deg, roll_deg=70.0)
    for hours in (-4.0, -1.0, 3.0):
        arrived = slew(mount, hours, math.copysign(15.0, latitude_deg))
        slew(stiff, hours, math.copysign(15.0, latitude_deg))
        low, high = mount.attitude(arrived), stiff.attitude(arrived)
        level = math.hypot(high[0, 2], high[1, 2])

        drop = (math.asin(high[2, 2]) - math.asin(low[2, 2])) / ARCSEC
        assert drop == pytest.approx(20.0 * level, rel=1e-3)
        assert separation(low[:, 2], high[:, 2]) / ARCSEC == pytest.approx(drop, rel=1e-3)


def test_a_tripod_tips_with_the_hour_angle_and_sinks_with_time() -> None:
    """Both carry the axis along: leaning north lowers it, west of the meridian more than east."""
    mount = mount_at(tipping_arcsec_per_hour=6.0, tipping_azimuth_deg=0.0)
    east = slew(mount, -2.0, 20.0)
    before = mount.axis(east)
    west = slew(mount, 2.0, 20.0, east + 1.0)

    lowered = (math.asin(before[2]) - math.asin(mount.axis(west)[2])) / ARCSEC
    assert lowered == pytest.approx(24.0, abs=0.4)
    sinking = mount_at(creep_arcsec_per_min=3.0, creep_azimuth_deg=0.0)
    gone = separation(sinking.axis(T0), sinking.axis(T0 + 120.0)) / ARCSEC
    assert gone == pytest.approx(6.0, abs=0.01)


def test_the_air_moves_whole_frames_and_gusts_more() -> None:
    """Means over a second scatter by the stated size, over four by two thirds of it; gusts come
    on top, and no such frame counts as quiet."""
    mount, calm = mount_at(air_arcsec=2.0), mount_at()
    still = calm.attitude(T0)
    inside = np.linspace(0.0, 1.0, 10)

    def spread(length_s: float, which: MountModel) -> float:
        means = [
            np.mean(
                [(still.T @ which.attitude(T0 + 7.3 * k + length_s * t))[:2, 2] for t in inside],
                axis=0,
            )
            for k in range(300)
        ]
        return float(np.std(means)) / ARCSEC

    assert spread(1.0, mount) == pytest.approx(2.0, rel=0.15)
    assert spread(4.0, mount) == pytest.approx(1.3, rel=0.15)
    gusty = mount_at(air_arcsec=2.0, gusts_per_min=10.0, gust_arcsec=8.0)
    assert spread(1.0, gusty) > 2.5
    arrived = max(slew(mount, 2.0, 20.0), slew(calm, 2.0, 20.0))
    assert calm.quiet_between(arrived + 60.0, arrived + 64.0)
    assert not mount.quiet_between(arrived + 60.0, arrived + 64.0)


# Drivers that queue commands


def moved(mount: MountModel, utc_s: float) -> bool:
    return mount.still_moving(utc_s)


def test_a_queued_slew_begins_late_and_says_so_later() -> None:
    """Still, and not slewing, through the lag; then it moves, and after a while tells."""
    mount = mount_at(start_lag_s=8.0, slewing_lag_s=2.0)
    slew(mount, 3.0, 20.0)
    seen = [
        (round(since), mount.slewing(T0 + since), moved(mount, T0 + since))
        for since in (0.5, 7.5, 8.5, 9.5, 10.5)
    ]

    assert seen == [
        (0, False, False),
        (8, False, False),
        (8, False, True),
        (10, False, True),
        (10, True, True),
    ]
    end_s = arrival(mount, T0 + 10.5)
    assert mount.ra_dec(end_s)[1] == pytest.approx(20.0 * DEG, abs=ARCSEC)


def test_the_truth_of_a_past_time_does_not_depend_on_when_it_is_asked() -> None:
    """A camera asks after the exposure where the axes were during it."""
    asked, waited = mount_at(start_lag_s=5.0), mount_at(start_lag_s=5.0)
    for mount in (asked, waited):
        slew(mount, 3.0, 20.0)
    for since in np.arange(0.0, 12.0, 0.25):
        asked.attitude(T0 + float(since))

    for since in (1.0, 5.5, 7.0, 11.0):
        assert np.allclose(asked.attitude(T0 + since), waited.attitude(T0 + since), atol=1e-12)


@pytest.mark.parametrize("clears", [True, False])
def test_an_abort_reaches_the_queue_or_not(clears: bool) -> None:
    mount = mount_at(start_lag_s=5.0, abort_clears_queue=clears)
    slew(mount, 3.0, 20.0)
    mount.abort(T0 + 2.0)
    mount.set_tracking(False, T0 + 2.0)

    assert not moved(mount, T0 + 3.0)
    assert moved(mount, T0 + 6.0) is not clears
    mount.abort(T0 + 6.0)
    assert not moved(mount, T0 + 9.0)


def test_a_park_is_queued_like_a_slew() -> None:
    mount = mount_at(start_lag_s=5.0)
    away = slew(mount, 3.0, 20.0, T0)
    away = arrival(mount, away + 6.0)
    mount.park(away)

    assert mount.tracking
    assert not mount.slewing(away + 4.0)
    end_s = arrival(mount, away + 6.0)
    mount.keep_house(end_s)
    assert mount.at_park
    assert not mount.tracking
