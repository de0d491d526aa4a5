"""A telescope whose field holds no catalogue stars: told before the mount does anything."""

from __future__ import annotations

import pytest

from polewright.observing.plan.plan_from_config import planned_points
from polewright.observing.runs.frame_check import check
from polewright.observing.runs.measurement import measure_axis, ready_mount
from polewright.solving.errors import FieldTooNarrow

pytestmark = pytest.mark.e2e


def test_a_field_without_stars_is_refused_before_the_mount_moves(start_night) -> None:
    """4 m of focal length: 0.13 degrees. The mount stays parked; `check` advises the ways out."""
    night = start_night({"optics": {"focal_length_mm": 4000.0, "aperture_mm": 300.0}})
    rig = night.connect({"optics.focal_length_mm": 4000.0})
    rig.telescope.park(timeout_s=120.0, clock=rig.clock, cancel=rig.cancel)

    with pytest.raises(FieldTooNarrow) as caught:
        measure_axis(rig, planned_points(rig))

    assert caught.value.expected < 1.0 < caught.value.needed
    assert rig.telescope.at_park()
    looked = check(rig, 1.0, solve=False)
    assert any("catalogue build" in sentence for sentence in looked.advice)


def test_a_drivers_wrong_focal_length_refuses_nothing(start_night) -> None:
    """The driver says 2 m where 200 mm stand: a sweep is planned and few stars are only doubted;
    the first frame tells the truth, which is said with both figures and kept."""
    night = start_night({"optics": {"told_focal_length_mm": 2000.0}})
    rig = night.connect({"optics.focal_length_mm": None})
    points = planned_points(rig)
    doubted = [note for note in rig.notes if "catalogue stars" in note]
    ready_mount(rig)
    looked = check(rig, 2.0)

    assert len(points) >= 3
    assert len(doubted) == 1
    assert looked.solved
    told = [note for note in rig.notes if "The stars give a focal length of 200 mm" in note]
    assert len(told) == 1
    assert "not 2000 mm as the mount's driver says" in told[0]
    assert rig.plates.scale == pytest.approx(5.8e-3 / 200.0, rel=2e-3)
