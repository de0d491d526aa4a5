"""A rendered evening of two targets, small and quick."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from polewright.foundation.config import Config, config_from_text
from polewright_sim.spec import RigSpec
from polewright_sim.tracked_night import targets_of_an_evening, tracked_exposures, write_night

START_UTC_S = 1795201200.0  # 2026-11-20 19:00 UTC
RIG: dict[str, Any] = {
    "site": {"latitude_deg": 44.62, "longitude_deg": 9.31, "elevation_m": 420.0},
    "misalignment": {"alt_arcmin": 9.0, "az_arcmin": -6.0},
    "optics": {"focal_length_mm": 200.0, "aperture_mm": 40.0, "roll_deg": 118.0},
    "sensor": {"width": 1000, "height": 800, "pixel_um": 9.0, "hot_pixel_count": 20},
}
CONFIG = """
[site]
latitude_deg = 44.62
longitude_deg = 9.31
elevation_m = 420.0
temperature_c = 10.0
"""


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six frames, three of each target. Do not write here."""
    folder = tmp_path_factory.mktemp("rendered")
    rig = RigSpec.model_validate(RIG)
    shots = list(
        tracked_exposures(
            rig,
            targets_of_an_evening(44.62, 6.0, 2),
            start_utc_s=START_UTC_S,
            every_s=3600.0,
        )
    )
    write_night(rig, folder, shots, exposure_s=30.0)
    return folder


@pytest.fixture
def frames(rendered: Path, tmp_path: Path) -> Path:
    """The same, to be changed."""
    folder = tmp_path / "frames"
    shutil.copytree(rendered, folder, copy_function=shutil.copy2)
    return folder


@pytest.fixture
def config() -> Config:
    """The rig's site."""
    return config_from_text(CONFIG)


def set_card(path: Path, key: str, value: Any) -> None:
    """Change a header's card; the file's time stays."""
    from astropy.io import fits

    status = path.stat()
    with fits.open(path, mode="update") as file:
        file[0].header[key] = value
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
