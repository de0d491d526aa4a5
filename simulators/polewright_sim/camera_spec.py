"""What the simulated telescope, sensor and sky are made of: every number with its unit.

Defaults describe a 400 mm f/5.6 telescope with a 26-megapixel sensor under a suburban sky. They
are plausible round numbers, not the data of any product. From memory where no source is named.
"""

from __future__ import annotations

import math
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from polewright.foundation.angles import ARCSEC


class _Spec(BaseModel):
    """Frozen, and refuses misspelt keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class OpticsSpec(_Spec):
    """The telescope or lens, and how the camera sits on it."""

    focal_length_mm: float = Field(400.0, gt=1.0, le=20_000.0)
    told_focal_length_mm: float | None = Field(None, gt=0.0)
    """What the mount's driver says instead: drivers know nothing of a reducer or another lens."""
    aperture_mm: float = Field(72.0, gt=1.0, le=5_000.0)
    """Diameter of the entrance pupil."""
    obstruction: float = Field(0.0, ge=0.0, lt=0.9)
    """Diameter of the central obstruction over the aperture; makes defocused stars rings."""
    transmission: float = Field(0.85, gt=0.0, le=1.0)
    parity: Literal[1, -1] = 1
    """-1: the image is mirrored (an odd number of reflections)."""
    roll_deg: float = 0.0
    """Turn of the camera about the boresight, applied by the mount chain, not by the renderer."""
    seeing_fwhm_arcsec: float = Field(2.5, ge=0.0, le=60.0)
    """Width of a star image made by the air (long exposure)."""
    spot_fwhm_um: float = Field(3.5, ge=0.0, le=500.0)
    """Width of the star image on the sensor made by the optics in focus (aberrations)."""
    defocus_um: float = Field(0.0, ge=0.0, le=3_000.0)
    """Diameter of the defocus disc on the sensor; 0 is in focus."""
    vignetting: float = Field(0.15, ge=0.0, lt=1.0)
    """Fraction of the light lost in the corners; grows with the radius squared."""
    distortion_k1: float = Field(0.0, ge=-0.2, le=0.2)
    """Radial distortion: true radius = r (1 + k1 r^2), r the pixel radius over half the frame
    width (as `polewright.calculation.geometry.solution.Distortion`)."""

    @property
    def collecting_area_cm2(self) -> float:
        """Clear area of the pupil, cm^2."""
        clear = self.aperture_mm**2 * (1.0 - self.obstruction**2)
        return math.pi / 4.0 * clear / 100.0


class SensorSpec(_Spec):
    """The sensor and its electronics."""

    width: int = Field(6248, ge=16, le=20_000)
    """Columns, unbinned pixels."""
    height: int = Field(4176, ge=16, le=20_000)
    """Rows, unbinned pixels."""
    pixel_um: float = Field(3.76, gt=0.5, le=50.0)
    bayer: bool = False
    """One-shot colour: 2x2 mosaic, red at ``bayer_offset``, blue diagonally opposite."""
    bayer_offset: tuple[int, int] = (0, 0)
    """(x, y) of the first red pixel, each 0 or 1."""
    quantum_efficiency: float = Field(0.6, gt=0.0, le=1.0)
    """Electrons per photon over the band of the sky's zero point."""
    bias_adu: float = Field(500.0, ge=0.0, le=20_000.0)
    gain_e_per_adu: float = Field(0.25, gt=0.0, le=100.0)
    """Electrons per count, unbinned."""
    read_noise_e: float = Field(1.6, ge=0.0, le=200.0)
    """1-sigma noise of reading one unbinned pixel, electrons."""
    full_well_e: float = Field(16_000.0, gt=0.0)
    """Electrons one unbinned pixel holds."""
    max_adu: int = Field(65_535, ge=255, le=65_535)
    """Highest count the converter gives."""
    dark_e_per_s: float = Field(0.01, ge=0.0, le=1_000.0)
    """Dark current of an ordinary pixel, electrons per second."""
    hot_pixel_count: int = Field(400, ge=0, le=5_000_000)
    """Pixels with a strong dark current; the same ones in every frame of this sensor."""
    hot_pixel_e_per_s: tuple[float, float] = (30.0, 4_000.0)
    """Range of their dark current, spread evenly in its logarithm (invented)."""
    binning_mode: Literal["average", "sum"] = "average"
    """How digital binning joins pixels. The sum reaches ``max_adu`` early, as on real cameras."""
    max_binning: int = Field(4, ge=1, le=16)
    seed: int = Field(1, ge=0)
    """Individual sensor: fixes the hot pixels."""

    @model_validator(mode="after")
    def _check(self) -> Self:
        if any(o not in (0, 1) for o in self.bayer_offset):
            raise ValueError(f"bayer_offset must be 0 or 1 each, not {self.bayer_offset}")
        low, high = self.hot_pixel_e_per_s
        if not 0.0 < low <= high:
            raise ValueError(
                f"hot_pixel_e_per_s must be a range low to high above 0, not {low} to {high}"
            )
        return self

    def gain_binned(self, binning: int) -> float:
        """Electrons of the whole binned pixel per count of the delivered frame."""
        joined = binning**2 if self.binning_mode == "average" else 1
        return self.gain_e_per_adu * joined

    def bias_binned(self, binning: int) -> float:
        """Counts of a dark, empty pixel of the delivered frame."""
        joined = binning**2 if self.binning_mode == "sum" else 1
        return self.bias_adu * joined

    def saturation_binned(self, binning: int) -> float:
        """Counts at which a pixel of the delivered frame is full."""
        full = self.bias_binned(binning) + self.full_well_e * binning**2 / self.gain_binned(binning)
        return min(float(self.max_adu), full)


class SkySpec(_Spec):
    """How bright the sky and its stars are."""

    image_motion_arcsec: float = Field(0.3, ge=0.0, le=5.0)
    """How far the air shifts each star of a 1 s exposure by itself (1 sigma along each
    coordinate); falls with the square root of the time. Of the size that Lindegren (1980) gives
    for stars a degree apart: 1.3 arcsec (angle / rad)^0.25 (time / s)^-0.5, from memory."""
    faintest_mag: float = Field(12.0, ge=0.0, le=16.0)
    """Stars fainter than this (G magnitude) are not drawn."""
    faint_stars: bool = True
    """Draw invented stars fainter than the catalogue's limit of G = 10. Their positions are
    random, but the same patch of sky always shows the same ones."""
    zero_point_photons_per_s_cm2: float = Field(3.0e6, gt=0.0)
    """Photons of a magnitude 0 star above the air: about 1000 per s, cm^2 and angstrom (from
    memory) over 3000 angstrom of visible light."""
    extinction_mag_per_airmass: float = Field(0.2, ge=0.0, le=3.0)
    sky_mag_per_arcsec2: float = Field(20.0, ge=5.0, le=25.0)
    """Brightness of the dark sky at the zenith; 22 pristine, 18 city (from memory)."""
    city_glow: float = Field(0.5, ge=0.0, le=100.0)
    """Glow of a city at the horizon, in units of the zenith sky, above the city's azimuth."""
    city_azimuth_deg: float = 90.0
    city_height_deg: float = Field(20.0, gt=0.0, le=90.0)
    """Altitude over which that glow falls to 1/e."""
    seed: int = Field(1, ge=0)
    """Fixes the invented stars, proper motions and colours."""


def pixel_scale(optics: OpticsSpec, sensor: SensorSpec, binning: int = 1) -> float:
    """Radians per (binned) pixel at the centre of the frame."""
    return sensor.pixel_um * binning / (optics.focal_length_mm * 1000.0)


def zero_point_e_per_s(optics: OpticsSpec, sensor: SensorSpec, sky: SkySpec) -> float:
    """Electrons per second of a magnitude 0 star above the air, over all pixels, mono sensor."""
    return (
        sky.zero_point_photons_per_s_cm2
        * optics.collecting_area_cm2
        * optics.transmission
        * sensor.quantum_efficiency
    )


def pixel_arcsec(optics: OpticsSpec, sensor: SensorSpec, binning: int = 1) -> float:
    """Arcseconds per (binned) pixel at the centre of the frame."""
    return pixel_scale(optics, sensor, binning) / ARCSEC
