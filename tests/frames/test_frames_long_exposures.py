"""Long exposures: all the catalogue's stars are full, and the few that are not tell the width."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from frames.conftest import RIG, START_UTC_S

from polewright.calculation.images.detect import detect_stars
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.config import Config
from polewright.observing.frames.header import read_frame, read_header
from polewright.observing.frames.solving import FrameSolver
from polewright_sim.spec import RigSpec
from polewright_sim.tracked_night import targets_of_an_evening, tracked_exposures, write_night


def test_frames_whose_bright_stars_are_all_full_are_solved(tmp_path: Path, config: Config) -> None:
    """The second of these was not: three of its sharpest specks were taken for the star image."""
    rig = RigSpec.model_validate(
        {
            **RIG,
            "misalignment": {"alt_arcmin": 2.0, "az_arcmin": -3.0},
            "optics": {**RIG["optics"], "aperture_mm": 60.0},
            "sensor": {"width": 1600, "height": 1200, "pixel_um": 5.8, "hot_pixel_count": 40},
        }
    )
    shots = list(
        tracked_exposures(
            rig,
            targets_of_an_evening(44.62, 5.0, 2),
            start_utc_s=START_UTC_S,
            every_s=600.0,
        )
    )
    paths = write_night(rig, tmp_path, shots[:3], exposure_s=120.0)
    solver = FrameSolver(config, Site(44.62, 9.31, 420.0), Atmosphere.standard(420.0))
    for path, shot in zip(paths, shots, strict=False):
        header = read_header(path)
        stars = detect_stars(read_frame(header))
        assert stars.saturated.mean() > 0.9
        assert len(stars) >= 450
        assert np.isfinite(stars.sigma_px).all()
        assert stars.sigma_px.max() < 5.0
        solved = solver.solve(header)
        assert solved.attitude is not None, path
        assert solved.attitude.matched > 50
        assert np.abs(solved.attitude.matrix - shot.attitude).max() < 2e-4
