"""The first night: the focal length is found by solving one frame."""

from __future__ import annotations

import pytest

from polewright.interfaces.rig_setup.optics import find_optics
from polewright.observing.capture.frame_quality import look_at
from polewright.observing.capture.take_frame import take_frame
from polewright.observing.runs.measurement import ready_mount

pytestmark = pytest.mark.e2e


def test_the_focal_length_is_found_where_the_file_is_wrong(start_night) -> None:
    """With a focal length in the file that is off by a sixth, more than a solve forgives, the true
    one is found to 0.5 %, and the mount is not slewed."""
    night = start_night()
    rig = night.connect({"optics.focal_length_mm": 165.0})
    before = rig.telescope.right_ascension_hours(), rig.telescope.declination_deg()

    found = find_optics(rig)

    assert found.focal_length_mm == pytest.approx(night.rig.spec.optics.focal_length_mm, rel=0.005)
    assert found.field_deg[0] == pytest.approx(2.66, abs=0.05)
    assert found.matched > 8
    assert rig.telescope.declination_deg() == pytest.approx(before[1], abs=0.01)


def test_the_lens_distortion_is_found_and_kept(start_night) -> None:
    """3 % of barrel: told by the solved frame, and the next solve of the run begins with it."""
    # A field with stars to spare: 2.7 degrees hold just the forty that tell a distortion.
    night = start_night({"optics": {"distortion_k1": 0.03, "focal_length_mm": 160.0}})
    rig = night.connect({"optics.focal_length_mm": 161.0})

    found = find_optics(rig)

    assert found.distortion_k1 == pytest.approx(0.03, abs=0.002)
    assert rig.plates.hint(rig.sky_now(), None).k1 == found.distortion_k1


def test_a_frame_far_from_where_the_mount_says_it_points_is_solved(start_night) -> None:
    """50 mm at the celestial pole, and a mount that says the other side of the sky."""
    night = start_night({"optics": {"focal_length_mm": 50.0, "aperture_mm": 18.0}})
    rig = night.connect({"optics.focal_length_mm": 51.0})
    ready_mount(rig)
    opposite = -rig.mount_icrs(rig.sky_now())
    frame = take_frame(rig, 2.0)
    stars, _quality = look_at(rig, frame)
    solved = rig.plates.solve(stars, frame, opposite, rig.cancel)

    assert solved.solution.matched > 20
    assert solved.solution.scale == pytest.approx(5.8e-3 / 50.0, rel=0.01)
