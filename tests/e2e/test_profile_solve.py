"""The first night: the focal length is found by solving one frame."""

from __future__ import annotations

import contextlib
import errno

import pytest

from polewright.measuring.events import Note
from polewright.measuring.measurement import ready_mount
from polewright.measuring.sweep import look_at, take_frame
from polewright.profile.optics import find_optics, prepare_solver
from polewright.solving import patterns
from polewright.solving.errors import NoMatch

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


def test_what_the_solver_needs_once_is_made_for_what_was_found(start_night, tmp_path) -> None:
    """The patterns of the whole sky are there after the first night's solve, and it is told; a
    frame far from where the mount says it points needs no building any more."""
    night = start_night({"optics": {"focal_length_mm": 50.0, "aperture_mm": 18.0}})
    options = {"solver.options": {"cache_dir": str(tmp_path)}}
    found = find_optics(night.connect({"optics.focal_length_mm": 51.0, **options}))
    written = {"optics.focal_length_mm": round(found.focal_length_mm, 1), **options}
    said: list[str] = []

    prepare_solver(night.config(written), found, said.append)

    files = list(tmp_path.iterdir())
    assert len(files) == 1
    assert sum("Building the pattern database" in text for text in said) == 1
    rig = night.connect(written)
    ready_mount(rig)
    opposite = -rig.mount_icrs(rig.sky_now())
    solved = None
    for _ in range(3):  # the whole sky is not found in every frame, and is not what is asked here
        frame = take_frame(rig, 2.0)
        stars, _quality = look_at(rig, frame)
        with contextlib.suppress(NoMatch):
            solved = rig.plates.solve(stars, frame, opposite, rig.cancel)
            break
    assert solved is not None
    assert solved.solution.matched > 20
    assert list(tmp_path.iterdir()) == files
    told = " ".join(note.text for note in night.of_kind(Note))
    assert "Building" not in told


def test_trouble_with_what_is_made_ahead_loses_nothing(start_night, tmp_path, monkeypatch) -> None:
    """No room for the patterns: told, and what was found is found."""
    night = start_night({"optics": {"focal_length_mm": 50.0, "aperture_mm": 18.0}})
    options = {"solver.options": {"cache_dir": str(tmp_path)}}
    found = find_optics(night.connect({"optics.focal_length_mm": 51.0, **options}))
    said: list[str] = []

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(patterns, "write_gaia_format", full)
    prepare_solver(night.config(options), found, said.append)

    assert found.focal_length_mm == pytest.approx(50.0, rel=0.005)
    assert "no space left on device" in said[-1]
