"""The rig's chain from mount to pixels, checked with a bright star and the product's sky."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from polewright.calculation.sky.frame import ObservedFrame
from polewright.foundation.angles import DEG, unit_vector
from polewright_sim.camera.camera_device import Exposure
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, SkySpec, pixel_scale
from polewright_sim.rig import SimulatedRig
from polewright_sim.spec import MisalignmentSpec, MountSpec, RigSpec, SiteSpec

# Positions J2000 and proper motions over 26.7 years, from memory of the Hipparcos catalogue (ESA
# SP-1200), good to an arcsecond or so.
STARS = {
    50.0: ("Alkaid", (206.885157 - 0.00138, 49.313267 - 0.00011)),
    -35.0: ("Achernar", (24.428523 + 0.00119, -57.236753 - 0.00029)),
}


class Wind:
    """A clock that the test turns by hand."""

    def __init__(self, utc_s: float) -> None:
        self.now = utc_s

    def utc_s(self) -> float:
        return self.now

    def monotonic_s(self) -> float:
        return self.now

    def sleep(self, seconds: float, cancel: object = None) -> None:
        self.now += seconds


def brightest(frame: NDArray[np.uint16]) -> tuple[float, float]:
    """Centroid (x, y) of the brightest blob."""
    counts = frame.astype(float)
    y, x = np.unravel_index(np.argmax(counts), counts.shape)
    half = 12
    y0, x0 = max(0, y - half), max(0, x - half)
    patch = counts[y0 : y + half + 1, x0 : x + half + 1] - np.median(counts)
    patch[patch < 0.05 * patch.max()] = 0.0
    rows, columns = np.mgrid[: patch.shape[0], : patch.shape[1]]
    weight = patch.sum()
    return x0 + (columns * patch).sum() / weight, y0 + (rows * patch).sum() / weight


@pytest.mark.parametrize("latitude", STARS)
@pytest.mark.parametrize("parity", [1, -1])
@pytest.mark.parametrize("hour_angle_deg", [20.0, -20.0])
def test_a_bright_star_falls_on_its_pixel(
    latitude: float, parity: int, hour_angle_deg: float
) -> None:
    """Through a crooked mount, in both hemispheres and pointing states, mirrored or not, the
    star's image lies where attitude, refraction and pinhole model put it, to 2 arcsec (the
    catalogue position is from memory)."""
    name, (ra_deg, dec_deg) = STARS[latitude]
    site = SiteSpec(latitude_deg=latitude, longitude_deg=10.0)
    # April and September of 2026, when the star is up by night.
    clock = Wind(1_776_000_000.0 if latitude > 0.0 else 1_790_000_000.0)
    spec = RigSpec(
        site=site,
        misalignment=MisalignmentSpec(alt_arcmin=9.0, az_arcmin=-7.0),
        mount=MountSpec(
            unsteadiness_arcsec=0.0,
            starts_parked=False,
            cone_arcmin=5.0,
            equatorial_system=2,
            altitude_min_deg=5.0,
        ),
        optics=OpticsSpec(focal_length_mm=300.0, parity=parity, roll_deg=37.0, distortion_k1=0.0),
        sensor=SensorSpec(width=1600, height=1200, hot_pixel_count=0, full_well_e=1e6),
        sky=SkySpec(faintest_mag=8.0),
    )
    rig = SimulatedRig(spec, clock)
    star = unit_vector(ra_deg * DEG, dec_deg * DEG)
    frame = ObservedFrame.at(site.site(), site.atmosphere(), clock.now)
    hour_angle, _ = frame.hour_angle_dec(frame.observe(star))
    clock.now += (hour_angle_deg * DEG - float(hour_angle)) / math.tau * 86164.1
    rig = SimulatedRig(spec, clock)
    rig.mount.set_tracking(True, clock.now)
    rig.mount.slew_ra_dec(ra_deg * DEG, dec_deg * DEG, clock.now)
    while rig.mount.slewing(clock.now):
        clock.now += 1.0
    clock.now += 60.0
    image = rig.record(Exposure(clock.now - 4.0, 4.0, True, 1, (0, 0, 1600, 1200)))
    truth = rig.recorded[-1]
    frame = ObservedFrame.at(site.site(), site.atmosphere(), truth.utc_mid_s)
    x, y, z = truth.attitude.T @ frame.observe(star)
    scale = pixel_scale(spec.optics, spec.sensor)
    expected = 799.5 + parity * x / z / scale, 599.5 + y / z / scale
    found = brightest(image)

    assert truth.quiet
    assert 50 < expected[0] < 1550, name
    assert 50 < expected[1] < 1150, name
    arcsec_px = scale / DEG * 3600.0
    assert math.dist(found, expected) * arcsec_px < 2.0, (name, found, expected)
