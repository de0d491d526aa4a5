"""The focal length that was told is a hint: the stars are believed, and it is said once."""

from __future__ import annotations

import dataclasses
import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from polewright.calculation.images.detect import detect_stars
from polewright.foundation.angles import DEG
from polewright.foundation.clock import CancelToken
from polewright.observing.rig.plate_solver import FocalClaim, PlateSolver, ScaleContradicts
from polewright.solving.errors import NoMatch
from polewright.solving.registry import load_solver

BENCH = Path(__file__).parents[1] / "bench" / "bench_frames.py"
FOCAL_MM = 200.0


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    """The benchmarks' renderer."""
    spec = importlib.util.spec_from_file_location("bench_frames", BENCH)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_frames"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def shot(bench: ModuleType) -> Any:
    """A frame at 200 mm, and its stars."""
    studio = bench.Studio(2, focal_mm=FOCAL_MM, seed=9)
    taken = studio.shoot(studio.anywhere())
    return studio, taken, detect_stars(taken.frame)


def plates_for(studio: Any, told_mm: float, *, by_driver: bool = True, **how: Any) -> PlateSolver:
    claim = FocalClaim(told_mm, studio.sensor.pixel_um, by_driver)
    about: dict[str, Any] = {"hint_radius": 3.0 * DEG, "blind": False, "timeout_s": 60.0}
    return PlateSolver(
        load_solver("embedded", {"catalogue": "none"}),
        studio.site,
        studio.air,
        nominal_scale=claim.scale,
        claim=claim,
        **{**about, **how},
    )


@pytest.mark.parametrize(
    ("told_mm", "by_driver", "says"),
    [
        (100.0, True, "not 100 mm as the mount's driver says"),
        (400.0, False, "not 400 mm as [optics] focal_length_mm says"),
        (216.0, True, "not 216 mm as the mount's driver says"),
        (201.0, True, ""),
    ],
)
def test_a_focal_length_told_wrongly_gives_way_to_the_stars(
    shot: Any, told_mm: float, by_driver: bool, says: str
) -> None:
    """Half, twice and 8 % more: solved at once, said once with both figures, and kept."""
    studio, taken, stars = shot
    plates = plates_for(studio, told_mm, by_driver=by_driver)
    was_doubtful = plates.driver_alone_tells
    plate = plates.solve(stars, taken.frame, taken.hint.centre_icrs, CancelToken())

    assert was_doubtful is by_driver
    assert not plates.driver_alone_tells
    assert plate.solution.scale == pytest.approx(studio.scale, rel=2e-3)
    assert plates.scale == plate.solution.scale
    assert plates.hint(plate.sky, None).scale_tolerance <= 0.01
    assert says in plates.claim_corrected
    assert (
        ("focal length of 200 mm" in plates.claim_corrected)
        == bool(plates.claim_corrected)
        == bool(says)
    )
    again = plates.solve(stars, taken.frame, taken.hint.centre_icrs, CancelToken())
    assert again.solution.matched == plate.solution.matched


def test_a_wrong_direction_and_a_wrong_focal_length_are_got_over_together(shot: Any) -> None:
    """The mount says the other side of the sky and its driver twice the focal length."""
    studio, taken, stars = shot
    centre = -taken.hint.centre_icrs
    with pytest.raises(NoMatch):
        plates_for(studio, 400.0).solve(stars, taken.frame, centre, CancelToken())
    plates = plates_for(studio, 400.0, blind=True)
    plate = plates.solve(stars, taken.frame, centre, CancelToken())

    assert plate.solution.scale == pytest.approx(studio.scale, rel=2e-3)
    assert plate.mount_offset > 100.0 * DEG


def test_two_frames_of_a_run_cannot_have_two_scales(shot: Any) -> None:
    """What the stars told once is held against any later solution."""
    studio, taken, stars = shot
    plates = plates_for(studio, 200.0)
    plate = plates.solve(stars, taken.frame, taken.hint.centre_icrs, CancelToken())

    class Lying:
        name, needs_image = "lying", False

        def solve(self, *_: Any, **__: Any) -> Any:
            return dataclasses.replace(plate.solution, scale=1.5 * plate.solution.scale)

    plates.solver = Lying()
    with pytest.raises(ScaleContradicts, match="the frames before had") as caught:
        plates.solve(stars, taken.frame, taken.hint.centre_icrs, CancelToken())

    assert "new run" in caught.value.advice
    assert np.isclose(caught.value.found_arcsec, 1.5 * caught.value.expected_arcsec)
