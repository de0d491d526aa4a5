"""A measurement on the simulated rig that keeps its frames and writes itself into the history."""

from __future__ import annotations

import subprocess
import warnings

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from support.solve_field import INSTALLED, SOLVE_FIELD

from polewright.foundation.angles import ARCSEC, DEG, separation, unit_vector
from polewright.foundation.errors import ExitCode
from polewright.interfaces.report.page import report_of_run
from polewright.observing.plan.plan_from_config import planned_points
from polewright.observing.runs.measurement import measure_axis
from polewright.records.history.run_recorder import recorded
from polewright.records.history.store import History, RunFilter

pytestmark = pytest.mark.e2e


def solve_field_centre(path, folder):
    """Centre of the frame by astrometry.net's solve-field."""
    done = subprocess.run(
        [
            str(SOLVE_FIELD), "--overwrite", "--no-plots", "--scale-units", "arcsecperpix",
            "--scale-low", "5", "--scale-high", "7", "--cpulimit", "40", "--downsample", "2",
            "--dir",
            str(folder), str(path),
        ],
        timeout=300, capture_output=True, check=False,
    )  # fmt: skip
    solved = folder / f"{path.stem}.wcs"
    assert done.returncode == 0
    assert solved.is_file(), done.stdout[-500:]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        ra, dec = WCS(fits.getheader(solved)).all_pix2world([[799.5, 599.5]], 0)[0]
    return unit_vector(ra * DEG, dec * DEG)


def test_kept_frames_hold_their_wcs_and_the_run_is_recorded(start_night, tmp_path) -> None:
    """Each point's FITS puts its centre where the result says, another solver (where there is one)
    agrees, the file meets the standard, and history and report hold the same numbers."""
    night = start_night()
    url = f"sqlite:///{tmp_path / 'h.sqlite3'}"
    changes = {"run.keep_frames": str(tmp_path / "frames"), "history.url": url}
    config = night.config(changes)

    with recorded(config, night.clock, "measure", pytest.fail) as recorder:
        rig = night.connect(changes)
        for event in night.events:
            recorder(event)
        result = measure_axis(rig, planned_points(rig))
        recorder.measured(result)

    files = sorted((tmp_path / "frames").glob("*.fits"))
    assert len(files) == 3
    for file, point in zip(files, result.points, strict=True):
        with fits.open(file) as opened:
            opened.verify("exception")
            header = opened[0].header
            assert opened[0].data.shape == (1200, 1600)
        assert header["CTYPE1"].startswith("RA---TAN")
        centre = WCS(header).all_pix2world([[799.5, 599.5]], 0)[0]
        off = separation(
            unit_vector(centre[0] * DEG, centre[1] * DEG),
            unit_vector(point.ra_deg * DEG, point.dec_deg * DEG),
        )
        assert off < 0.01 * ARCSEC
        assert header["NMATCHED"] == point.matched
    if INSTALLED:
        theirs = solve_field_centre(files[0], tmp_path)
        ours = unit_vector(result.points[0].ra_deg * DEG, result.points[0].dec_deg * DEG)
        assert separation(np.asarray(theirs), ours) < 6.0 * ARCSEC

    with History(url) as history:
        (run,) = history.records(RunFilter(rehearsals=True))
    assert run.rehearsal
    assert run.outcome == ExitCode.OUT_OF_TOLERANCE
    assert run.sweeps[0].result == result
    assert {device.device for device in run.devices} == {"telescope", "camera"}
    assert f"{result.axis.total_arcmin:.2f}" in report_of_run(run)
