"""A sweep that meets a house nobody told of, a cloud, or a lens cap, and what it makes of it."""

from __future__ import annotations

import pytest

from polewright.foundation.angles import DEG
from polewright.foundation.errors import ExitCode
from polewright.observing.plan.plan_from_config import planned_points
from polewright.observing.runs.measurement import measure_axis
from polewright.observing.safety.guard_errors import NoLight
from polewright.records.events import (
    FrameMeasured,
    MotionStopped,
    Note,
    PointSolved,
    SweepPlanned,
)
from polewright_sim.sky.disturbance import Disturbance

pytestmark = pytest.mark.e2e

QUICK = {"sweep.settle_s": 0.0, "recovery.tries": 0}
#: The planned points stand at azimuths 140, 114 and 97 degrees, altitudes 55, 43 and 29.
HOUSE = [(0.0, 0.0), (80.0, 0.0), (82.0, 40.0), (104.0, 40.0), (106.0, 0.0)]
WIDE_HOUSE = [(0.0, 0.0), (60.0, 0.0), (62.0, 75.0), (160.0, 75.0), (162.0, 0.0)]


def test_a_house_nobody_told_of_moves_the_point_behind_it(start_night) -> None:
    """The point behind the house fails, another place on its circle serves, the axis is right."""
    night = start_night({"horizon": HOUSE})
    rig = night.connect(QUICK)
    points = planned_points(rig)

    result = measure_axis(rig, points)

    truth = night.truth["axis"]["total_arcmin"]
    assert result.axis.trusted
    assert result.axis.total_arcmin == pytest.approx(truth, abs=0.2)
    assert [point.hour_angle_deg for point in result.points[:2]] == pytest.approx(
        [point.hour_angle / DEG for point in points[:2]]
    )
    moved = result.points[2]
    assert abs(moved.hour_angle_deg - points[2].hour_angle / DEG) >= 3.0
    assert moved.hour_angle_deg < -5.0  # the same side of the meridian
    assert not (82.0 < moved.azimuth_deg < 104.0 and moved.altitude_deg < 40.0)
    assert any("Point 3 did not solve" in line for line in result.story)
    assert "Point 3 solved at hour angle" in result.story[-1]
    told = [note.text for note in night.of_kind(Note)]
    assert set(result.story) <= set(told)
    assert night.rig.mount.side(night.clock.utc_s()) == 1


def test_a_passing_cloud_costs_a_longer_exposure(start_night) -> None:
    """A point that is clouded over is exposed again, longer, and stays where it was planned; what
    solved is kept for the points after it."""
    night = start_night()
    rig = night.connect({**QUICK, "recovery.tries": 2})
    points = planned_points(rig)
    cloudy = {"frames": 1}

    def cloud(_utc_mid_s: float, _exposure_s: float) -> Disturbance | None:
        if len(night.of_kind(PointSolved)) == 1 and cloudy["frames"] > 0:
            cloudy["frames"] -= 1
            return Disturbance(transmission=0.0)
        return None

    night.rig.disturbance_at = cloud

    result = measure_axis(rig, points)

    assert cloudy["frames"] == 0
    assert result.axis.trusted
    assert [point.exposure_s for point in result.points] == pytest.approx([2.0, 4.0, 4.0], rel=0.05)
    assert len(result.story) == 1
    assert "Point 2 did not solve with 2 s" in result.story[0]
    assert "exposing 4 s" in result.story[0]


def test_a_wide_house_swaps_the_sweep(start_night, monkeypatch) -> None:
    """Where no place on the circle solves, another sweep elsewhere is planned and made."""
    night = start_night({"horizon": WIDE_HOUSE})
    monkeypatch.setattr("polewright.observing.sweep.recovery.MOVES", 0)
    rig = night.connect(QUICK)

    result = measure_axis(rig, planned_points(rig))

    assert result.axis.trusted
    assert result.axis.total_arcmin == pytest.approx(night.truth["axis"]["total_arcmin"], abs=0.2)
    assert len(night.of_kind(SweepPlanned)) == 2
    assert any("trying another sweep" in line for line in result.story)
    for point in result.points:
        assert not (62.0 < point.azimuth_deg < 160.0 and point.altitude_deg < 75.0)


def test_a_lens_cap_ends_at_the_first_frame(start_night) -> None:
    """No light: the mount stops, and no other place was tried."""
    night = start_night({"optics": {"transmission": 1e-6}})
    rig = night.connect({**QUICK, "recovery.tries": 1})

    with pytest.raises(NoLight) as caught:
        measure_axis(rig, planned_points(rig))

    error = caught.value
    assert error.exit_code is ExitCode.SOLVE
    assert "lens cap" in error.likely
    assert error.level_adu == pytest.approx(error.short_adu, abs=1.0)
    assert len([told for told in night.rig.mount.told if told.what == "slew"]) == 1
    assert [frame.exposure_s for frame in night.of_kind(FrameMeasured)] == [
        pytest.approx(2.0, rel=0.05)
    ]
    assert [event.state for event in night.of_kind(MotionStopped)] == ["stopped"]
    assert not night.rig.mount.tracking
