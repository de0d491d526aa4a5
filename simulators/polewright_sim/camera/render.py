"""The simulated camera: what the sensor reads out after an exposure under the simulated sky.

Light is summed in electrons, then noise is added, then the converter counts. Photon and read
noise are drawn as one normal deviate z per pixel, bent so that the third moment is right too
(Cornish and Fisher's expansion, first term): with mean m and variance v = m + read noise^2 the
pixel holds m + sqrt(v) z + m (z^2 - 1) / (6 v). Mean, variance and skewness are those of Poisson
plus read noise; the shape is close from a few electrons up.

Binning is digital, as CMOS cameras do it: every pixel is read with its own noise and the counts
are summed or averaged (`SensorSpec.binning_mode`). Stars are drawn straight onto the binned grid,
which integrates over the same area; clipping at the full well is applied to the binned pixel. A
binned one-shot-colour frame mixes the mosaic's colours and is drawn grey.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.errors import ConfigError
from polewright_sim.camera.psf import add_stars, star_image
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, pixel_arcsec
from polewright_sim.sky.background import Background, cloud_share, lens_share, sky_background
from polewright_sim.sky.disturbance import CLEAR, Disturbance, Shutter
from polewright_sim.sky.projection import Lens
from polewright_sim.sky.stars import SkyModel
from polewright_sim.sky.tracks import StarTracks, shifted, star_tracks
from polewright_sim.sky.trails_and_blur import passing_lights, shake

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_ROWS = 16
"""Rows noised at a time, so that the work stays in the processor's cache."""
_READOUT_S = 0.5
"""Time to read the sensor, over which a shutter stuck open smears the columns."""
_STILL_AIR_S = 0.1
"""In less time the air does not change enough to average anything: wind of 10 m/s takes so long to
carry a metre of it past (from memory); stars then dance by about an arcsecond."""
_COLOUR_SHARE = np.array([0.28, 0.40, 0.30])
"""Share of white light that red, green and blue filters pass (plausible, invented)."""


@dataclass(frozen=True)
class Window:
    """The part of the sensor that is read, in binned pixels."""

    binning: int
    left: int
    top: int
    width: int
    height: int

    @classmethod
    def of(
        cls, sensor: SensorSpec, binning: int, subframe: tuple[int, int, int, int] | None
    ) -> Window:
        """Return the window of ``subframe`` (left, top, width, height), binned pixels.

        Raises:
            ConfigError: the binning or the subframe does not fit the sensor.
        """
        if not 1 <= binning <= sensor.max_binning:
            raise ConfigError(
                f"Binning {binning} is not possible; this sensor bins 1 to {sensor.max_binning}."
            )
        full = sensor.width // binning, sensor.height // binning
        left, top, width, height = subframe or (0, 0, *full)
        if left < 0 or top < 0 or width < 1 or height < 1:
            raise ConfigError(f"Subframe {subframe} has no pixels or starts before the sensor.")
        if left + width > full[0] or top + height > full[1]:
            raise ConfigError(
                f"Subframe {subframe} reaches beyond the {full[0]} x {full[1]} binned pixels."
            )
        return cls(binning, left, top, width, height)

    def from_sensor(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return places in the delivered frame of unbinned sensor places."""
        middle = (self.binning - 1) / 2.0
        return (x - middle) / self.binning - self.left, (y - middle) / self.binning - self.top


@dataclass(frozen=True)
class _Shot:
    """What every step of drawing one exposure needs."""

    optics: OpticsSpec
    sensor: SensorSpec
    window: Window
    exposure_s: float
    spoil: Disturbance
    rng: np.random.Generator


def render_frame(
    sky: SkyModel,
    optics: OpticsSpec,
    sensor: SensorSpec,
    attitudes: NDArray[np.float64],
    utc_mid_s: float,
    exposure_s: float,
    rng: np.random.Generator,
    *,
    light: bool = True,
    binning: int = 1,
    subframe: tuple[int, int, int, int] | None = None,
    disturbance: Disturbance | None = None,
) -> NDArray[np.uint16]:
    """Return the counts (H, W) of one exposure.

    Args:
        sky: site, air, stars and silhouette.
        optics: the telescope; its ``roll_deg`` is not used here (it is part of the attitude).
        sensor: the sensor.
        attitudes: (K, 3, 3) camera x, y, boresight as columns in the observed east-north-up
            frame, at the middles of K equal parts of the exposure. The sky turns meanwhile, so
            a standing camera gives trails. K = 1 stands for a camera that follows the stars.
        utc_mid_s: middle of the exposure, Unix seconds UTC.
        exposure_s: length.
        rng: source of the noise; the same state gives the same frame.
        light: False for a dark frame.
        binning: pixels joined along each side.
        subframe: (left, top, width, height) in binned pixels; None for the whole sensor.
        disturbance: what spoils the frame.

    Raises:
        ConfigError: attitudes, exposure, binning or subframe make no sense.
    """
    spoil = CLEAR if disturbance is None else disturbance
    attitudes = np.asarray(attitudes, dtype=np.float64)
    if attitudes.ndim == 2:
        attitudes = attitudes[None]
    if attitudes.shape[1:] != (3, 3) or len(attitudes) == 0:
        raise ConfigError(f"Attitudes must have the shape (K, 3, 3), not {attitudes.shape}.")
    if not np.isfinite(attitudes).all() or np.abs(np.linalg.det(attitudes) - 1.0).max() > 1e-6:
        raise ConfigError("Attitudes must be rotation matrices with determinant +1.")
    if not 0.0 <= exposure_s <= 36_000.0:
        raise ConfigError(f"An exposure of {exposure_s:g} s is not between 0 and 36000 s.")
    window = Window.of(sensor, binning, subframe)
    shot = _Shot(optics, sensor, window, exposure_s, spoil, rng)
    signal = np.zeros((window.height, window.width), dtype=np.float32)
    background = None
    if spoil.lit(light):
        middle = attitudes[len(attitudes) // 2]
        background = sky_background(sky, optics, sensor, middle, exposure_s, spoil, binning)
        background = background.cut(window.left, window.top, window.width, window.height)
        tracks = star_tracks(sky, optics, sensor, attitudes, utc_mid_s, exposure_s)
        motion_px = _image_motion_px(sky, optics, sensor, exposure_s)
        tracks = shifted(tracks, motion_px * rng.standard_normal((2, len(tracks.ids))))
        _draw_light(signal, shot, tracks, background)
        if spoil.shutter is Shutter.STUCK_OPEN:
            _smear(signal, background, exposure_s)
    _add_hot_pixels(signal, shot)
    return _read_out(signal, background, shot)


def _image_motion_px(
    sky: SkyModel, optics: OpticsSpec, sensor: SensorSpec, exposure_s: float
) -> float:
    """Deviation along each coordinate by which the air shifts single stars, unbinned pixels."""
    arcsec = sky.spec.image_motion_arcsec / math.sqrt(max(exposure_s, _STILL_AIR_S))
    return arcsec / pixel_arcsec(optics, sensor)


def _draw_light(signal: Floats32, shot: _Shot, tracks: StarTracks, background: Background) -> None:
    """Add stars and passing lights, in electrons."""
    optics, sensor, window, spoil = shot.optics, shot.sensor, shot.window, shot.spoil
    image = star_image(optics, sensor, window.binning, spoil.blur_px)
    noise = np.sqrt(background.typical + (sensor.read_noise_e * window.binning) ** 2)
    floor = 0.1 * float(noise)
    lens = Lens.of(optics, sensor)
    tracks_x, tracks_y = tracks.x, tracks.y
    if spoil.wind_px > 0.0:
        tracks_x, tracks_y = shake(tracks_x, tracks_y, spoil.wind_px, shot.rng)
    steps = len(tracks_x)
    flux = np.broadcast_to(tracks.rate_e_per_s * shot.exposure_s / steps, tracks_x.shape)
    x, y = tracks_x.ravel(), tracks_y.ravel()
    known = np.isfinite(x) & np.isfinite(y)
    x, y = x[known], y[known]
    flux = flux.ravel()[known] * lens_share(lens, optics, x, y) * cloud_share(lens, spoil, x, y)
    flux *= spoil.star_share
    colour = np.broadcast_to(tracks.colour, tracks_x.shape).ravel()[known]
    if shot.exposure_s > 0.0:
        at_x, at_y = window.from_sensor(x, y)
        tiles = _star_tiles(colour, sensor, window)
        add_stars(signal, image, at_x, at_y, flux, floor, tiles)
        for light_x, light_y, light_e in passing_lights(spoil):
            at_x, at_y = window.from_sensor(light_x, light_y)
            white = _star_tiles(np.zeros(light_x.size), sensor, window)
            add_stars(signal, image, at_x, at_y, light_e, floor, white)


def _mosaic(sensor: SensorSpec, window: Window) -> Floats | None:
    """Share of white light per pixel of the 2x2 pattern [row & 1, column & 1] of the frame."""
    if not sensor.bayer:
        return None
    if window.binning > 1:
        return np.full((2, 2), (_COLOUR_SHARE @ [1.0, 2.0, 1.0]) / 4.0)
    return _COLOUR_SHARE[_filters(sensor, window)]


def _filters(sensor: SensorSpec, window: Window) -> NDArray[np.intp]:
    """Filter (0 red, 1 green, 2 blue) per pixel of the frame's 2x2 pattern."""
    column = np.arange(2)[None, :] + window.left - sensor.bayer_offset[0]
    row = np.arange(2)[:, None] + window.top - sensor.bayer_offset[1]
    return np.asarray((column % 2) + (row % 2), dtype=np.intp)


def _star_tiles(colour: Floats, sensor: SensorSpec, window: Window) -> Floats | None:
    """Per star, its share of light in the frame's 2x2 pattern (N, 2, 2)."""
    if not sensor.bayer:
        return None
    tilt = 10.0 ** (0.2 * colour[:, None] * np.array([1.0, 0.0, -1.0]))
    response = tilt * _COLOUR_SHARE
    if window.binning > 1:
        grey = response @ np.array([0.25, 0.5, 0.25])
        return np.broadcast_to(grey[:, None, None], (colour.size, 2, 2))
    return np.asarray(response[:, _filters(sensor, window)])


def _smear(signal: Floats32, background: Background, exposure_s: float) -> None:
    """Spread every column's light along it while the charge is read with the shutter open."""
    share = _READOUT_S / max(exposure_s, _READOUT_S)
    signal += share * signal.mean(axis=0, keepdims=True) + share * float(background.typical)


def _add_hot_pixels(signal: Floats32, shot: _Shot) -> None:
    sensor, window = shot.sensor, shot.window
    rng = np.random.default_rng([sensor.seed, sensor.width, sensor.height])
    place = rng.integers(0, sensor.width * sensor.height, sensor.hot_pixel_count)
    low, high = np.log(sensor.hot_pixel_e_per_s)
    rate = np.exp(low + (high - low) * rng.random(sensor.hot_pixel_count))
    row = place // sensor.width // window.binning - window.top
    column = place % sensor.width // window.binning - window.left
    inside = (row >= 0) & (row < window.height) & (column >= 0) & (column < window.width)
    np.add.at(
        signal, (row[inside], column[inside]), (rate[inside] * shot.exposure_s).astype(np.float32)
    )


def _read_out(signal: Floats32, background: Background | None, shot: _Shot) -> NDArray[np.uint16]:
    """Add background, dark current and noise (in place, block by block) and convert to counts."""
    sensor, window = shot.sensor, shot.window
    mosaic = _mosaic(sensor, window)
    pixels = window.binning**2
    dark = np.float32(sensor.dark_e_per_s * shot.exposure_s * pixels)
    read_variance = np.float32(max(sensor.read_noise_e**2 * pixels, 1e-6))
    per_e = np.float32(1.0 / sensor.gain_binned(window.binning))
    offset = np.float32(sensor.bias_binned(window.binning) + 0.5)  # + 1/2: truncation rounds
    top = np.float32(sensor.saturation_binned(window.binning) + 0.5)
    zero, one = np.float32(0.0), np.float32(1.0)
    # The bend is at most z^2 / 6 electrons: the background's value serves for every pixel.
    typical = float(dark) + (0.0 if background is None else background.typical)
    skew = np.float32(typical / (typical + float(read_variance)) / 6.0)
    # SFC64 is numpy's fastest generator; seeding it from rng keeps the frame reproducible.
    fast = np.random.Generator(np.random.SFC64(int(shot.rng.integers(0, 2**63))))
    counts = np.empty(signal.shape, dtype=np.uint16)
    deviate = np.empty((_ROWS, window.width), dtype=np.float32)
    bend = np.empty_like(deviate)
    for row in range(0, window.height, _ROWS):
        block = signal[row : row + _ROWS]
        z, extra = deviate[: len(block)], bend[: len(block)]
        if background is not None:
            glow = background.rows(row, row + len(block))
            if mosaic is not None:
                for i in range(2):
                    for j in range(2):
                        glow[i::2, j::2] *= np.float32(mosaic[(row + i) & 1, j])
            block += glow
        block += dark
        fast.standard_normal(out=z, dtype=np.float32)
        np.add(block, read_variance, out=extra)
        np.sqrt(extra, out=extra)
        extra *= z
        block += extra
        z *= z
        z -= one
        z *= skew
        block += z
        block *= per_e
        block += offset
        np.clip(block, zero, top, out=block)
        counts[row : row + len(block)] = block
    return counts
