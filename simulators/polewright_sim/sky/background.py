"""The glow between the stars: sky, city, Moon, cloud, lamp, and the dark of a silhouette.

Smooth, so it is computed on a coarse grid and interpolated in straight lines while the frame is
read out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import DEG, Matrix, azalt_from_enu
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, pixel_arcsec, zero_point_e_per_s
from polewright_sim.sky.disturbance import Disturbance
from polewright_sim.sky.projection import Lens
from polewright_sim.sky.stars import SkyModel

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_STEP_PX = 256
_FINE_STEP_PX = 48
"""Grid step in a frame that shows the silhouette's edge."""
_SUNLIT = ((-18.0, 24.0), (-12.0, 19.5), (-6.0, 13.0), (0.0, 8.0), (10.0, 4.5), (90.0, 3.5))
"""Brightness that the Sun adds, magnitudes per square arcsecond, by its altitude in degrees (round
numbers, from memory)."""
_SILHOUETTE_GLOW = 0.03
"""Brightness of houses and trees in units of the sky in front of which they stand (invented)."""


@dataclass(frozen=True, eq=False)
class _Between:
    """Where pixels of one direction lie between places of the grid."""

    before: NDArray[np.intp]
    """(N,) the place before each."""
    share: Floats32
    """(N,) how far it is from there to the next one, 0 to 1."""

    def cut(self, first: int, count: int) -> _Between:
        part = slice(first, first + count)
        return _Between(self.before[part], self.share[part])


@dataclass(frozen=True, eq=False)
class Background:
    """Electrons per pixel of a whole exposure, mono sensor."""

    grid: Floats32
    """(a, b)."""
    down: _Between
    """Pixel rows between grid rows."""
    across: _Between
    """Pixel columns between grid columns."""
    typical: float
    """Median over the frame."""

    def rows(self, first: int, end: int) -> Floats32:
        """Return the glow of pixel rows ``first`` up to ``end``, a new array.

        Without matrix products: a library that spreads those over all cores waits for them all,
        which costs ten times as much where others use them.
        """
        down, across = self.down.cut(first, end - first), self.across
        share = down.share[:, None]
        lines = self.grid[down.before] * (1.0 - share) + self.grid[down.before + 1] * share
        glow = np.take(np.diff(lines, axis=1), across.before, axis=1)
        glow *= across.share
        glow += np.take(lines, across.before, axis=1)
        return np.asarray(glow)

    def cut(self, left: int, top: int, width: int, height: int) -> Background:
        """Return the part of a subframe."""
        down, across = self.down.cut(top, height), self.across.cut(left, width)
        return Background(self.grid, down, across, self.typical)


def _places(pixels: int, step: int) -> tuple[Floats, _Between]:
    """Grid places (n,) along one direction, and where its pixels lie between them."""
    nodes = max(2, -(-(pixels - 1) // step) + 1)
    places = np.linspace(0.0, pixels - 1.0, nodes)
    steps = np.arange(pixels) * ((nodes - 1.0) / max(pixels - 1.0, 1.0))
    before = np.minimum(steps.astype(np.intp), nodes - 2)
    return places, _Between(before, (steps - before).astype(np.float32))


def zenith_rate(sky: SkyModel, optics: OpticsSpec, sensor: SensorSpec, binning: int = 1) -> float:
    """Return electrons per second and (binned) pixel of the dark sky at the zenith, mono."""
    per_arcsec2 = zero_point_e_per_s(optics, sensor, sky.spec) * 10.0 ** (
        -0.4 * sky.spec.sky_mag_per_arcsec2
    )
    return float(per_arcsec2 * pixel_arcsec(optics, sensor, binning) ** 2)


def sun_altitude_deg(sky: SkyModel, utc_s: float) -> float:
    """Return the Sun's altitude over the site, to 0.02 degrees.

    The Astronomical Almanac's low-precision formulas for the Sun (section C, from memory).
    """
    days = utc_s / 86400.0 + 2440587.5 - 2451545.0
    anomaly = (357.528 + 0.9856003 * days) * DEG
    longitude = (280.460 + 0.9856474 * days + 1.915 * math.sin(anomaly)) * DEG
    tilt = (23.439 - 4.0e-7 * days) * DEG
    right_ascension = math.atan2(math.cos(tilt) * math.sin(longitude), math.cos(longitude))
    declination = math.asin(math.sin(tilt) * math.sin(longitude))
    sidereal = (280.46061837 + 360.98564736629 * days) * DEG
    hour_angle = sidereal + sky.site.longitude - right_ascension
    sine = math.sin(sky.site.latitude) * math.sin(declination)
    sine += math.cos(sky.site.latitude) * math.cos(declination) * math.cos(hour_angle)
    return math.asin(sine) / DEG


def daylight(sky: SkyModel, utc_s: float) -> float:
    """Return what the Sun adds to the sky, in units of the dark zenith; the same everywhere."""
    altitude_deg = sun_altitude_deg(sky, utc_s)
    if altitude_deg <= _SUNLIT[0][0]:
        return 0.0
    altitudes, magnitudes = zip(*_SUNLIT, strict=True)
    added = float(np.interp(altitude_deg, altitudes, magnitudes))
    return float(10.0 ** (0.4 * (sky.spec.sky_mag_per_arcsec2 - added)))


def sky_glow(sky: SkyModel, azimuth: Floats, altitude: Floats) -> Floats:
    """Return the clear sky's brightness in units of the dark zenith.

    Brightening towards the horizon: Krisciunas and Schaefer, PASP 103, 1033 (1991), eqs. 2 and 3
    (from memory). The city's glow is invented: exponential in altitude, widest towards it.
    """
    spec = sky.spec
    sine = np.cos(np.maximum(altitude, 0.0))
    mass = 1.0 / np.sqrt(1.0 - 0.96 * sine**2)
    natural = mass * 10.0 ** (-0.4 * spec.extinction_mag_per_airmass * (mass - 1.0))
    towards = 0.5 + 0.5 * np.cos(azimuth - spec.city_azimuth_deg * DEG)
    height = np.maximum(altitude, 0.0) / (spec.city_height_deg * DEG)
    return np.asarray(natural + spec.city_glow * towards**2 * np.exp(-height))


def lens_share(lens: Lens, optics: OpticsSpec, x: Floats, y: Floats) -> Floats:
    """Return the share of light that vignetting leaves at unbinned places."""
    corner = (lens.width**2 + lens.height**2) / 4.0
    squared = (x - lens.centre[0]) ** 2 + (y - lens.centre[1]) ** 2
    return np.asarray(1.0 - optics.vignetting * np.minimum(squared / corner, 1.0))


def cloud_share(lens: Lens, spoil: Disturbance, x: Floats, y: Floats) -> Floats:
    """Return the share of starlight that cloud leaves at unbinned places."""
    right, down = spoil.transmission_slope
    cloud = (
        spoil.transmission
        + right * (x - lens.centre[0]) / (lens.width / 2.0)
        + down * (y - lens.centre[1]) / (lens.height / 2.0)
    )
    return np.asarray(np.clip(cloud, 0.0, 1.0))


def sky_background(
    sky: SkyModel,
    optics: OpticsSpec,
    sensor: SensorSpec,
    attitude: Matrix,
    exposure_s: float,
    spoil: Disturbance,
    binning: int = 1,
) -> Background:
    """Return the glow over the whole sensor for an attitude (3, 3), in binned pixels."""
    lens = Lens.of(optics, sensor)
    width, height = sensor.width // binning, sensor.height // binning
    ramp = sky.silhouette.ramp(optics.aperture_mm)

    def look(step: int) -> tuple[Floats, Floats, Floats, Floats, _Between, _Between]:
        columns, across = _places(width, max(1, step // binning))
        rows, down = _places(height, max(1, step // binning))
        middle = (binning - 1) / 2.0
        x, y = np.meshgrid(columns * binning + middle, rows * binning + middle)
        azimuth, altitude = azalt_from_enu(lens.directions(x, y, attitude))
        return x, y, azimuth, altitude, down, across

    coarse = _STEP_PX
    if spoil.lamp_glare > 0.0:
        coarse = min(coarse, max(16, int(spoil.lamp_reach * lens.width / 8.0)))
    x, y, azimuth, altitude, down, across = look(coarse)
    clear = sky.silhouette.clearance(azimuth, altitude)
    if clear.min() < ramp + 2.0 * _STEP_PX * lens.scale:
        x, y, azimuth, altitude, down, across = look(min(coarse, _FINE_STEP_PX))
    open_share = sky.silhouette.open_share(azimuth, altitude, optics.aperture_mm)
    passed = cloud_share(lens, spoil, x, y)
    glow = (sky_glow(sky, azimuth, altitude) + spoil.moonlight + spoil.sunlight) * passed
    glow += (1.0 - passed) * spoil.cloud_glow * (1.0 + spoil.moonlight + spoil.sunlight)
    glow *= open_share + _SILHOUETTE_GLOW * (1.0 - open_share)
    glow *= 1.0 + 0.5 * spoil.dew
    if spoil.lamp_glare > 0.0:
        away = np.hypot(x - spoil.lamp_px[0], y - spoil.lamp_px[1])
        glow += spoil.lamp_glare * np.exp(-away / (spoil.lamp_reach * lens.width))
    glow *= lens_share(lens, optics, x, y)
    glow *= zenith_rate(sky, optics, sensor, binning) * exposure_s
    return Background(glow.astype(np.float32), down, across, float(np.median(glow)))
