"""Where each star's light falls during an exposure: one place, or a trail."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polewright.foundation.angles import DEG, SIDEREAL_RATE, Vector, azalt_from_enu, separation
from polewright_sim.camera_spec import OpticsSpec, SensorSpec, zero_point_e_per_s
from polewright_sim.sky.projection import Lens
from polewright_sim.sky.stars import SkyModel, SkyMoment

Floats = NDArray[np.float64]

STILL_PX = 0.05
"""Stars that move less than this (unbinned pixels) are drawn once."""
_STEP_PX = 0.7
"""Trails are drawn as star images this far apart, at most."""
_MOST_STEPS = 600
_MOST_PLACES = 4_000_000
_LOWEST = -1.0 * DEG


@dataclass(frozen=True, eq=False)
class StarTracks:
    """Stars over an exposure. Pixels are unbinned, of the full sensor."""

    ids: NDArray[np.int64]
    mag: Floats
    colour: Floats
    """(N,) as in `Stars`."""
    rate_e_per_s: Floats
    """(N,) electrons per second over all pixels of a mono sensor: extinction and silhouette
    applied; vignetting, cloud and dew not."""
    enu: Vector
    """(N, 3) observed directions at mid exposure."""
    x: Floats
    """(M, N) columns at M evenly spaced times; M is 1 when nothing moves. NaN outside the lens."""
    y: Floats


def shifted(tracks: StarTracks, offset_px: Floats) -> StarTracks:
    """Return the tracks with every star moved by its own offset (2, N), unbinned pixels."""
    return replace(tracks, x=tracks.x + offset_px[0], y=tracks.y + offset_px[1])


def relative_air_mass(altitude: Floats) -> Floats:
    """Return the air mass at an observed altitude (rad), 1 at the zenith.

    Source: Kasten and Young, Applied Optics 28, 4735 (1989); coefficients from memory.
    """
    degrees = np.maximum(altitude / DEG, 0.0)
    return np.asarray(1.0 / (np.sin(degrees * DEG) + 0.50572 * (degrees + 6.07995) ** -1.6364))


def sub_exposure_times(count: int, exposure_s: float) -> Floats:
    """Return the middles of ``count`` equal parts, seconds from mid exposure."""
    return ((np.arange(count) + 0.5) / count - 0.5) * exposure_s


def star_tracks(
    sky: SkyModel,
    optics: OpticsSpec,
    sensor: SensorSpec,
    attitudes: NDArray[np.float64],
    utc_mid_s: float,
    exposure_s: float,
) -> StarTracks:
    """Return all stars that may touch the frame and where they fall.

    Args:
        sky: the sky.
        optics: the telescope.
        sensor: the sensor; positions are in its unbinned pixels.
        attitudes: (K, 3, 3) at the middles of K equal parts of the exposure. One alone stands
            for a camera that follows the stars.
        utc_mid_s: middle of the exposure, Unix seconds UTC.
        exposure_s: length.
    """
    lens = Lens.of(optics, sensor)
    moment = sky.moment(utc_mid_s)
    middle = attitudes[len(attitudes) // 2]
    boresights = attitudes[:, :, 2]
    sweep = float(separation(boresights, middle[:, 2]).max())
    turn = SIDEREAL_RATE * exposure_s
    radius = min(math.pi, lens.half_diagonal * 1.02 + 0.1 * DEG + sweep + turn)
    if boresights[:, 2].min() < math.sin(5.0 * DEG):
        radius += 1.0 * DEG  # refraction there is steep, and its inverse rough
    stars = sky.stars(moment.icrs(middle[:, 2]), min(math.pi, radius), moment.julian_year)
    cirs = moment.cirs(stars.icrs)
    enu = moment.observed(cirs)
    azimuth, altitude = azalt_from_enu(enu)
    extinction = sky.spec.extinction_mag_per_airmass * relative_air_mass(altitude)
    rate = zero_point_e_per_s(optics, sensor, sky.spec) * 10.0 ** (-0.4 * (stars.mag + extinction))
    rate *= sky.silhouette.open_share(azimuth, altitude, optics.aperture_mm)
    seen = (altitude > _LOWEST) & (rate > 0.0)
    cirs, stars = (cirs[0][seen], cirs[1][seen]), stars.take(seen)
    x, y = _places(moment, lens, attitudes, cirs, exposure_s)
    return StarTracks(stars.ids, stars.mag, stars.colour, rate[seen], enu[seen], x, y)


def _places(
    moment: SkyMoment,
    lens: Lens,
    attitudes: NDArray[np.float64],
    cirs: tuple[Floats, Floats],
    exposure_s: float,
) -> tuple[Floats, Floats]:
    """Pixel places (M, N), M chosen by how far the stars move over the sensor."""
    count = len(attitudes)
    if count == 1 or cirs[0].size == 0:
        x, y = lens.pixels(moment.observed(cirs), attitudes[count // 2])
        return x[None], y[None]
    enu = _moving_sky(moment, cirs, exposure_s, sub_exposure_times(count, exposure_s))
    places = np.array([lens.pixels(e, a) for e, a in zip(enu, attitudes, strict=True)])
    x, y = places[:, 0], places[:, 1]
    on_chip = (np.abs(x - lens.centre[0]) < lens.width * 0.55) & (
        np.abs(y - lens.centre[1]) < lens.height * 0.55
    )
    touching = on_chip.any(axis=0)
    steps = np.hypot(np.diff(x[:, touching], axis=0), np.diff(y[:, touching], axis=0))
    length = float(np.nansum(steps, axis=0).max(initial=0.0)) * count / (count - 1)
    if length < STILL_PX:
        return x.mean(axis=0, keepdims=True), y.mean(axis=0, keepdims=True)
    wanted = max(count, math.ceil(length / _STEP_PX))
    wanted = max(2, min(wanted, _MOST_STEPS, _MOST_PLACES // x.shape[1]))
    return _resample(x, wanted), _resample(y, wanted)


def _moving_sky(
    moment: SkyMoment, cirs: tuple[Floats, Floats], exposure_s: float, times: Floats
) -> list[Vector]:
    """Observed directions at ``times`` (s from mid exposure), by Lagrange's polynomial.

    Three nodes serve for a minute (the sky turns 0.0044 rad; the cubic rest is below 0.002
    arcsec), nine beyond.
    """
    nodes = np.linspace(-0.5, 0.5, 3 if exposure_s <= 60.0 else 9) * exposure_s
    known = [moment.observed(cirs, t) for t in nodes]
    result = []
    for t in times:
        mixed = np.zeros_like(known[0])
        for i, vectors in enumerate(known):
            others = np.delete(nodes, i)
            weight = np.prod((t - others) / (nodes[i] - others)) if exposure_s > 0 else i == 1
            mixed += vectors * weight
        result.append(mixed)
    return result


def _resample(path: Floats, wanted: int) -> Floats:
    """Return (wanted, N) values at even times from (K, N), straight lines between them."""
    count = len(path)
    at = (np.arange(wanted) + 0.5) / wanted * count - 0.5
    left = np.clip(np.floor(at).astype(np.intp), 0, count - 2)
    share = (at - left)[:, None]
    return np.asarray(path[left] * (1.0 - share) + path[left + 1] * share)
