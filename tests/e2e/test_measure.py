"""A whole measurement over HTTP against the simulated rig, and the errors of day one."""

from __future__ import annotations

import math

import pytest
from history.history_made import made_check, made_result
from support.measured import record_measurement

from polewright.calculation.planning.errors import PlanRefused
from polewright.devices.alpaca.errors import AlpacaError, NotConnectedInTime, ServerUnreachable
from polewright.foundation.errors import Cancelled, ExitCode, PolewrightError
from polewright.observing.plan.plan_from_config import planned_points
from polewright.observing.plan.tube_sag import compared_sweep
from polewright.observing.runs.connect import NoDeviceFound
from polewright.observing.runs.measurement import measure_axis
from polewright.records.events import AxisMeasured, MotionStopped, PointSolved, Progress
from polewright.records.history.run_recorder import store
from polewright.solving.errors import TooFewStars
from polewright_sim.sky.disturbance import Disturbance

pytestmark = pytest.mark.e2e

#: No recovery: the solver's own error comes out.
ONE_TRY = {"recovery.tries": 0, "recovery.other_places": False}


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {
            "site": {"latitude_deg": -31.4, "longitude_deg": 21.7},
            "misalignment": {"alt_arcmin": -80.0, "az_arcmin": 65.0},
            "optics": {"parity": -1},
        },
    ],
    ids=["north", "south, mirrored"],
)
def test_the_measured_axis_is_the_true_one(start_night, changes) -> None:
    """The fitted error agrees with the rig's truth in both hemispheres: within 5 arcsec, or four
    of the stated sigmas of each part where those are larger."""
    night = start_night(changes)
    site = night.rig.spec.site
    rig = night.connect(
        {
            "site.latitude_deg": site.latitude_deg,
            "site.longitude_deg": site.longitude_deg,
            "sweep.start_azimuth_deg": 140.0 if site.latitude_deg > 0 else 40.0,
        }
    )

    result = measure_axis(rig, planned_points(rig))

    truth = night.truth["axis"]
    assert result.axis.trusted

    def near(sigma_arcmin: float) -> float:
        assert sigma_arcmin < 0.12
        return max(5.0 / 60.0, 4.0 * sigma_arcmin)

    axis = result.axis
    total, alt, az = (
        near(s) for s in (axis.sigma_total_arcmin, axis.sigma_alt_arcmin, axis.sigma_az_sky_arcmin)
    )
    assert result.axis.total_arcmin == pytest.approx(truth["total_arcmin"], abs=total)
    assert result.axis.d_alt_arcmin == pytest.approx(truth["alt_arcmin"], abs=alt)
    east = truth["az_sky_arcmin"] * (1.0 if site.latitude_deg > 0 else -1.0)
    assert result.axis.d_az_sky_arcmin == pytest.approx(east, abs=az + 0.1)
    assert not result.within_tolerance
    assert len(night.of_kind(PointSolved)) == 3
    assert len(night.of_kind(AxisMeasured)) == 1
    steps = {event.step for event in night.of_kind(Progress)}
    assert {"slew", "settle", "exposure", "solve"} <= steps


def test_three_points_that_agree_poorly_get_a_fourth_where_the_sweep_began(
    start_night, monkeypatch
) -> None:
    """Here any agreement counts as poor: the mount goes back, says so before, and the figure of
    four points is true."""
    monkeypatch.setattr("polewright.observing.runs.measurement.POOR_BELOW", 1.1)
    night = start_night()
    rig = night.connect({"sweep.points": 3})

    result = measure_axis(rig)

    first, *_, last = result.points
    assert len(result.points) == 4
    assert last.hour_angle_deg == pytest.approx(first.hour_angle_deg, abs=1e-6)
    assert last.azimuth_deg == pytest.approx(first.azimuth_deg, abs=0.5)
    assert "One more point taken: three points" in result.story[0]
    assert any("Hands off: one more point" in note for note in result.notes)
    assert result.axis.total_arcmin == pytest.approx(night.truth["axis"]["total_arcmin"], abs=0.3)


def test_one_shot_colour_and_old_interfaces_measure_too(start_night) -> None:
    """A mosaic sensor behind version 3 interfaces gives the same axis."""
    night = start_night(
        {
            "sensor": {"bayer": True},
            "mount": {"interface_version": 3},
            "camera": {"interface_version": 3},
        }
    )
    rig = night.connect()

    result = measure_axis(rig, planned_points(rig))

    near = max(5.0 / 60.0, 4.0 * result.axis.sigma_total_arcmin)
    assert result.axis.total_arcmin == pytest.approx(night.truth["axis"]["total_arcmin"], abs=near)


def test_a_slipped_declination_axis_is_refused(start_night) -> None:
    """A mount that moved in declination during the sweep is exposed by the fit, not believed."""
    night = start_night()
    rig = night.connect()
    points = planned_points(rig)
    listen = rig.emit

    def slip_after_first(event) -> None:
        listen(event)
        if isinstance(event, PointSolved) and event.point == 1:
            night.rig.disturb_mount(slip_declination_arcmin=4.0)

    rig.emit = slip_after_first

    with pytest.raises(PolewrightError) as caught:
        measure_axis(rig, points)

    assert caught.value.exit_code is ExitCode.AXIS_NOT_TRUSTED
    assert [event.state for event in night.of_kind(MotionStopped)] == ["stopped"]
    assert not night.rig.mount.tracking


def test_a_sweep_across_the_meridian_is_refused_before_any_motion(start_night) -> None:
    """The refusal says where it crosses and offers a sweep that does not; nothing has moved."""
    night = start_night()
    rig = night.connect({"sweep.start_azimuth_deg": 165.0, "sweep.direction": "west"})

    with pytest.raises(PlanRefused) as caught:
        planned_points(rig)

    assert "meridian" in str(caught.value)
    assert caught.value.exit_code is ExitCode.PLAN
    assert caught.value.advice
    assert night.rig.mount.at_park


def test_a_cancelled_run_leaves_the_mount_standing(start_night) -> None:
    """A stop during the first slew ends motion and tracking."""
    night = start_night({"mount": {"slew_deg_per_s": 1.0}})
    rig = night.connect()
    points = planned_points(rig)
    listen = rig.emit

    def stop_in_slew(event) -> None:
        listen(event)
        if isinstance(event, Progress) and event.step == "slew" and event.done_s > 2.0:
            night.cancel.cancel("stopped by the test")

    rig.emit = stop_in_slew

    with pytest.raises(Cancelled):
        measure_axis(rig, points)

    assert [event.state for event in night.of_kind(MotionStopped)] == ["stopped"]
    assert not night.rig.mount.still_moving(night.clock.utc_s())
    assert not night.rig.mount.tracking


def test_too_few_stars_says_how_many_and_what_to_change(start_night) -> None:
    """A clouded sky is told as too few stars, with the number found; it glows, so it is no cap."""
    night = start_night()
    night.rig.disturbance_at = lambda *_: Disturbance(transmission=0.0)
    rig = night.connect(ONE_TRY)

    with pytest.raises(TooFewStars) as caught:
        measure_axis(rig, planned_points(rig))

    assert f"{caught.value.found}" in str(caught.value)
    assert "expos" in caught.value.advice.lower()
    assert caught.value.exit_code is ExitCode.SOLVE


def test_a_focal_length_far_off_is_corrected_by_the_stars(start_night) -> None:
    """90 mm where 200 are true: the stars tell, once, and the axis is measured."""
    night = start_night()
    rig = night.connect({"optics.focal_length_mm": 90.0, **ONE_TRY})

    measured = measure_axis(rig, planned_points(rig))

    told = [note for note in measured.notes if "focal length" in note]
    assert len(told) == 1
    assert "not 90 mm" in told[0]
    assert measured.axis.total_upper95_arcmin > night.truth["axis"]["total_arcmin"]


def test_a_wrong_port_names_the_address_and_what_to_do(start_night) -> None:
    """Nobody listening is told with host and port."""
    night = start_night()
    night.running.stop()

    with pytest.raises((ServerUnreachable, NoDeviceFound)) as caught:
        night.connect()

    assert str(night.running.port) in str(caught.value)
    assert caught.value.advice
    assert caught.value.exit_code is ExitCode.DEVICE


def test_a_server_without_a_telescope_says_what_it_offers(start_night) -> None:
    """A type that the server lacks is told together with what is there."""
    night = start_night()
    night.running.server.devices = {("camera", 0): night.running.camera}

    with pytest.raises(NoDeviceFound) as caught:
        night.connect()

    assert "no telescope found" in str(caught.value)
    assert "camera 0" in str(caught.value)


def test_a_device_number_that_is_not_there_is_named(start_night) -> None:
    """A number given by hand that does not exist is told with type, number and address."""
    night = start_night()

    with pytest.raises(AlpacaError) as caught:
        night.connect({"camera.device_number": 3})

    assert "camera 3" in str(caught.value)
    assert caught.value.exit_code is ExitCode.DEVICE
    assert caught.value.advice


def test_a_camera_that_does_not_connect_is_named(start_night, monkeypatch) -> None:
    """A camera whose driver reports an error on connecting is named with that error."""
    night = start_night()

    def refuse(*_args, **_kwargs) -> None:
        raise RuntimeError("usb cable unplugged")

    monkeypatch.setattr(night.running.camera, "on_connect", refuse)

    with pytest.raises((AlpacaError, NotConnectedInTime)) as caught:
        night.connect()

    assert "camera 0" in str(caught.value)
    assert "usb cable unplugged" in str(caught.value)


def test_a_mount_that_stays_parked_is_a_clear_error(start_night, monkeypatch) -> None:
    """A mount that cannot unpark says so and does not move."""
    night = start_night()
    rig = night.connect()
    points = planned_points(rig)
    monkeypatch.setattr(night.rig.mount, "unpark", lambda *_args: None)

    with pytest.raises(AlpacaError) as caught:
        measure_axis(rig, points)

    assert "park" in str(caught.value).lower()
    assert night.rig.mount.told == []


def test_tonights_tolerance_follows_from_the_camera_and_the_mounts_rate(start_night) -> None:
    """Guided, with nothing else told: the sensor that is connected gives the field, the mount its
    rate; another rate than the sidereal one is told, and so is a wide tolerance."""
    night = start_night()
    night.rig.mount.set_tracking_rate(3, night.clock.utc_s())
    tonight = {
        "pole.tolerance_from_tonight": True,
        "tonight.guided": True,
        "tonight.exposure_s": 3600.0,
        "tonight.declination_deg": 70.0,
    }

    rig = night.connect(tonight)

    notes = " ".join(rig.notes)
    info = rig.camera.info()
    corner_deg = math.degrees(
        math.atan(0.5e-3 * math.hypot(info.width, info.height) * info.pixel_um[0] / 202.0)
    )
    assert f"guided on a star {corner_deg:.2g}° from the centre" in notes
    assert 0.05 < rig.tolerance_arcmin < 10.0
    assert "at the King rate" in notes
    assert "tracks at the King rate" in notes
    wide = night.connect({"pole.tolerance_arcmin": 60.0})
    assert any("more than 10 arcmin" in note for note in wide.notes)


def test_a_connected_rig_knows_its_past(start_night, tmp_path, monkeypatch) -> None:
    """A sweep and drift checks that this mount and camera left in the history change what the fit
    assumes of the frames and of the tube, and the result says so."""
    monkeypatch.setattr(
        "polewright.records.history.run_recorder.is_rehearsal", lambda _clock: False
    )
    night = start_night({})
    changes = {"history.url": f"sqlite:///{tmp_path / 'history.sqlite3'}"}
    first = night.connect(changes)
    assert first.past_sweeps == ()
    past = made_result()
    past = past.model_copy(
        update={
            "telescope": first.telescope.name(),
            "camera": first.camera.name(),
            "axis": past.axis.model_copy(update={"chi2": 12.0}),
        }
    )
    assert record_measurement(past, first.config, first.clock) is None
    names = {"telescope": first.telescope.name(), "camera": first.camera.name()}
    for number in (1, 2, 3):
        check = made_check(number, pier=first.telescope.name(), **names)
        assert store(check, first.config.history.url) is None

    rig = night.connect(changes)
    result = measure_axis(rig, planned_points(rig))

    assert (result.axis.frame_floor_arcsec or 0.0) > 1.05
    assert (result.axis.noise_dof or 0.0) > 6.0
    assert any("learnt from 1 sweep of this rig" in note for note in result.notes)
    assert any("Sag learnt from 3 drift checks of this rig" in note for note in result.notes)
    sag = result.axis.sag
    assert sag is not None
    assert sag.checks == 3
    assert 3.0 < sag.arcsec < 10.0
    assert sag.sigma_arcsec < 5.5
    swept = compared_sweep(result, nothing_turned=True)
    assert swept is not None
    lever = math.cos(rig.site.latitude) * math.sin(math.radians(swept.declination_deg))
    assert sag.moves_alt == pytest.approx(-lever, abs=0.02)
    assert sag.moves_az_sky == pytest.approx(0.0, abs=0.02)
