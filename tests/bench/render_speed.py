"""Time the simulated camera: one 26-megapixel frame at 400 mm, on one core.

Run: OMP_NUM_THREADS=1 python tests/bench/render_speed.py
"""

from __future__ import annotations

import resource
import statistics
import time

import numpy as np

from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import DEG, enu_from_azalt
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec
from polewright_sim.sky.stars import SkyModel

UTC_S = 1_790_000_000.0


def pointed(azimuth_deg: float, altitude_deg: float) -> np.ndarray:
    """Level camera attitude (3, 3)."""
    z = enu_from_azalt(azimuth_deg * DEG, altitude_deg * DEG)
    y = z * z[2] - np.array([0.0, 0.0, 1.0])
    y /= np.linalg.norm(y)
    return np.stack([np.cross(y, z), y, z], axis=1)


def main() -> None:
    """Print a table of cases, median processor seconds of five frames each."""
    sky = SkyModel(Site(48.0, 11.0, 500.0), Atmosphere.standard(500.0), SkySpec(faintest_mag=12.0))
    still = pointed(60.0, 45.0)[None]
    cases = {
        "400 mm, following": (OpticsSpec(), SensorSpec(), still, 4.0, 1),
        "400 mm, one-shot colour": (OpticsSpec(), SensorSpec(bayer=True), still, 4.0, 1),
        "400 mm, binned 2x2": (OpticsSpec(), SensorSpec(), still, 4.0, 2),
        "400 mm, standing (31 px trails)": (
            OpticsSpec(),
            SensorSpec(),
            np.repeat(still, 12, axis=0),
            4.0,
            1,
        ),
        "400 mm, defocused 100 um": (OpticsSpec(defocus_um=100.0), SensorSpec(), still, 4.0, 1),
        "135 mm, following": (
            OpticsSpec(focal_length_mm=135.0, aperture_mm=48.0),
            SensorSpec(),
            still,
            4.0,
            1,
        ),
        "1000 mm, following": (
            OpticsSpec(focal_length_mm=1000.0, aperture_mm=200.0),
            SensorSpec(),
            still,
            4.0,
            1,
        ),
    }
    print(f"{'case, 6248x4176':36s} first s  median s (processor)")
    for name, (optics, sensor, attitudes, exposure_s, binning) in cases.items():
        times = []
        for i in range(6):
            start = time.process_time()
            render_frame(
                sky,
                optics,
                sensor,
                attitudes,
                UTC_S,
                exposure_s,
                np.random.default_rng(i),
                binning=binning,
            )
            times.append(time.process_time() - start)
        print(f"{name:36s} {times[0]:7.2f}  {statistics.median(times[1:]):8.2f}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"peak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
