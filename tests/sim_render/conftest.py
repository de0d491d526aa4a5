"""A small camera under a quiet sky, pointed by azimuth and altitude."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import DEG, enu_from_azalt
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec
from polewright_sim.sky.stars import SkyModel

UTC_S = 1_790_000_000.0
"""2026-09-21 14:13:20 UTC."""


def _pointed(azimuth_deg: float, altitude_deg: float, roll_deg: float = 0.0) -> NDArray[np.float64]:
    boresight = enu_from_azalt(azimuth_deg * DEG, altitude_deg * DEG)
    down = boresight * boresight[2] - np.array([0.0, 0.0, 1.0])
    down /= np.linalg.norm(down)
    level = np.stack([np.cross(down, boresight), down, boresight], axis=1)
    c, s = np.cos(roll_deg * DEG), np.sin(roll_deg * DEG)
    return np.asarray(level @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]))


@pytest.fixture
def pointed() -> Callable[..., NDArray[np.float64]]:
    """Attitude (3, 3) of an azimuth and altitude in degrees: image down is towards the ground."""
    return _pointed


@pytest.fixture
def sky() -> SkyModel:
    spec = SkySpec(
        faintest_mag=11.0, city_glow=0.0, sky_mag_per_arcsec2=20.5, image_motion_arcsec=0.0
    )
    return SkyModel(Site(48.0, 11.0, 500.0), Atmosphere.standard(500.0), spec)


@pytest.fixture
def optics() -> OpticsSpec:
    return OpticsSpec(vignetting=0.0)


@pytest.fixture
def sensor() -> SensorSpec:
    return SensorSpec(width=1600, height=1200, hot_pixel_count=0)
