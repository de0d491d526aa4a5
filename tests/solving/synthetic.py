"""Star lists made from the catalogue, with their true attitude; the solver under test is not used.

The projection is written here on its own (explicit right ascension, declination and roll) so that a
sign error in the solver cannot hide. Noise levels, colours and the share of spurious detections
are invented, of the size met in practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from polewright.calculation.images.frame import StarList
from polewright.solving.base import SolveHint
from polewright.solving.catalogue.catalogue import StarSource, bundled_catalogue

COLUMNS, ROWS = 6248, 4176
EPOCH = 2026.5


@dataclass(frozen=True)
class Truth:
    attitude: np.ndarray
    parity: int
    scale: float
    real: int
    """Detections that are catalogue stars."""


def direction(ra: float, dec: float) -> np.ndarray:
    return np.array([math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)])


def attitude_of(ra: float, dec: float, roll: float) -> np.ndarray:
    """Camera axes as columns: at roll 0 y (down the rows) points south, z to (ra, dec), and
    x = y cross z points west, as on the sky seen from inside."""
    north = np.array([-math.sin(dec) * math.cos(ra), -math.sin(dec) * math.sin(ra), math.cos(dec)])
    east = np.array([-math.sin(ra), math.cos(ra), 0.0])
    x = -east * math.cos(roll) - north * math.sin(roll)
    y = east * math.sin(roll) - north * math.cos(roll)
    return np.stack([x, y, direction(ra, dec)], axis=1)


def random_direction(rng: np.random.Generator) -> tuple[float, float]:
    return float(rng.uniform(0, 2 * math.pi)), float(math.asin(rng.uniform(-1, 1)))


def star_list(
    x: np.ndarray, y: np.ndarray, flux: np.ndarray, sigma: np.ndarray, saturated: np.ndarray
) -> StarList:
    order = np.argsort(-flux)
    n = x.size
    return StarList(
        x=x[order],
        y=y[order],
        flux=flux[order],
        peak=flux[order] / 20.0,
        sigma_px=sigma[order],
        hfd_px=np.full(n, 3.0),
        fwhm_px=np.full(n, 3.0),
        elongation=np.full(n, 1.1),
        theta=np.zeros(n),
        saturated=saturated[order],
        width=COLUMNS,
        height=ROWS,
        background_adu=1000.0,
        noise_adu=20.0,
    )


def observe(
    rng: np.random.Generator,
    width_deg: float,
    ra: float,
    dec: float,
    *,
    parity: int | None = None,
    sky_limit: float = 11.0,
    hot: int = 10,
    missing: float = 0.03,
    squeeze: float = 1e-3,
    k1: float = 0.0,
    source: StarSource | None = None,
) -> tuple[StarList, Truth]:
    """Return a detected star list of a field ``width_deg`` wide and the truth behind it.

    Detections fainter than the catalogue are put at random, with the density that the brighter
    ones foretell; ``squeeze`` is the strength of the anisotropic squeeze refraction makes.
    """
    source = bundled_catalogue() if source is None else source
    parity = int(rng.choice([-1, 1])) if parity is None else parity
    scale = 2.0 * math.tan(math.radians(width_deg) / 2.0) / COLUMNS
    attitude = attitude_of(ra, dec, float(rng.uniform(0, 2 * math.pi)))
    corner = math.atan(0.5 * scale * math.hypot(COLUMNS, ROWS)) * 1.05
    stars = source.cone(attitude[:, 2], corner, EPOCH)
    camera = stars.vectors @ attitude
    plane = camera[:, :2] / camera[:, 2:] / scale
    angle = rng.uniform(0, math.pi)
    axis = np.array([math.cos(angle), math.sin(angle)])
    plane = plane - squeeze * (plane @ axis)[:, None] * axis
    if k1:
        bent = plane.copy()
        for _ in range(20):
            r2 = np.sum(bent**2, axis=1, keepdims=True) / (COLUMNS / 2) ** 2
            bent = plane / (1 + k1 * r2)
        plane = bent
    px = parity * plane[:, 0] + (COLUMNS - 1) / 2
    py = plane[:, 1] + (ROWS - 1) / 2
    magnitude = stars.magnitude.astype(float)
    seen = (px > 4) & (px < COLUMNS - 5) & (py > 4) & (py < ROWS - 5)
    seen &= (magnitude < sky_limit) & (rng.random(px.size) > missing)
    px, py, magnitude = px[seen], py[seen], magnitude[seen]
    real = px.size
    extra = 0
    if sky_limit > source.limit:
        extra = int(real * (10 ** (0.4 * (sky_limit - source.limit)) - 1))
        faint = rng.uniform(source.limit, sky_limit, extra)
        px = np.concatenate([px, rng.uniform(0, COLUMNS - 1, extra)])
        py = np.concatenate([py, rng.uniform(0, ROWS - 1, extra)])
        magnitude = np.concatenate([magnitude, faint])
    snr = 10 ** (-0.4 * (magnitude - sky_limit) / 1.3) * 8.0
    sigma = np.maximum(1.3 / snr, 0.02)
    noisy = rng.normal(size=(2, px.size)) * np.hypot(sigma, 0.03)
    px, py = px + noisy[0], py + noisy[1]
    flux = 10 ** (-0.4 * (magnitude + rng.normal(0, 0.25, px.size) - 20.0))
    saturated = magnitude < sky_limit - 6.5
    flux = np.minimum(flux, 10 ** (-0.4 * (sky_limit - 7.5 - 20.0)))
    if hot:
        px = np.concatenate([px, rng.uniform(0, COLUMNS - 1, hot)])
        py = np.concatenate([py, rng.uniform(0, ROWS - 1, hot)])
        flux = np.concatenate([flux, 10 ** (-0.4 * (rng.uniform(6, sky_limit, hot) - 20.0))])
        sigma = np.concatenate([sigma, np.full(hot, 0.2)])
        saturated = np.concatenate([saturated, np.zeros(hot, bool)])
    return star_list(px, py, flux, sigma, saturated), Truth(attitude, parity, scale, real)


def random_list(rng: np.random.Generator, count: int) -> StarList:
    """Detections that are no stars at all."""
    flux = 10 ** rng.uniform(3, 6, count)
    return star_list(
        rng.uniform(0, COLUMNS - 1, count),
        rng.uniform(0, ROWS - 1, count),
        flux,
        rng.uniform(0.03, 0.3, count),
        np.zeros(count, bool),
    )


def off_by(rng: np.random.Generator, centre: np.ndarray, angle: float) -> np.ndarray:
    """A direction ``angle`` (rad) away from ``centre``."""
    side = np.cross(centre, rng.normal(size=3))
    side /= np.linalg.norm(side)
    return centre * math.cos(angle) + side * math.sin(angle)


def hint_for(
    rng: np.random.Generator,
    truth: Truth,
    *,
    off_deg: float = 3.0,
    scale_error: float = 0.02,
    parity_known: bool = False,
    radius_deg: float | None = None,
) -> SolveHint:
    """A hint that is wrong by up to ``off_deg`` and ``scale_error``."""
    off = math.radians(off_deg) * math.sqrt(rng.random())
    return SolveHint(
        centre_icrs=off_by(rng, truth.attitude[:, 2], off),
        radius=math.radians(off_deg if radius_deg is None else radius_deg),
        scale=truth.scale * (1 + rng.uniform(-scale_error, scale_error)),
        scale_tolerance=max(0.002, scale_error * 1.1),
        parity=truth.parity if parity_known else None,
        epoch_year=EPOCH,
    )


SCALES = {"exact": 1.0, "3 % off": 1.03, "10 % off": 1.1, "twice off": 2.0, "none": 0.0}
"""Kinds of scale hints, and by how much each is off, either way."""
DIRECTIONS = ("right", "up to 10 deg off", "wrong", "none")


def any_frame(rng: np.random.Generator) -> tuple[StarList, Truth]:
    """A frame of 1.3 to 30 degrees with 40 stars and more, six of them the catalogue's.

    Any part of the sky, skies to magnitude 8 to 12, 5 to 20 spurious detections that may be as
    bright as the brightest, refraction's squeeze of a high or a low field, and from 8 degrees on a
    lens that bends by up to 3 %.
    """
    while True:
        width_deg = math.exp(rng.uniform(math.log(1.3), math.log(30.0)))
        bent = float(rng.uniform(-0.03, 0.03)) if width_deg > 8.0 else 0.0
        hot = int(rng.choice([5, 10, 20]))
        stars, truth = observe(
            rng,
            width_deg,
            *random_direction(rng),
            sky_limit=float(rng.choice([8.0, 9.0, 10.0, 11.0, 12.0])),
            squeeze=float(rng.choice([1e-3, 3e-3])),
            hot=hot,
            k1=bent,
        )
        if len(stars) - hot >= 40 and truth.real >= 6:
            return stars, truth


def any_hint(rng: np.random.Generator, truth: Truth) -> tuple[SolveHint, str, str]:
    """A hint that may be wrong or missing in scale and direction; and which kinds it has."""
    kind = str(rng.choice(list(SCALES)))
    way = str(rng.choice(DIRECTIONS))
    wrong_by = SCALES[kind] if rng.random() < 0.5 or kind == "none" else 1.0 / SCALES[kind]
    off_deg = {"right": 1.0, "up to 10 deg off": 10.0, "wrong": 180.0, "none": 0.0}[way]
    off = rng.uniform(0.0, off_deg) if way != "wrong" else rng.uniform(30.0, off_deg)
    centre = off_by(rng, truth.attitude[:, 2], math.radians(off))
    return (
        SolveHint(
            centre_icrs=None if way == "none" else centre,
            radius=None if way == "none" else math.radians(10.0),
            scale=truth.scale * wrong_by or None,
            epoch_year=EPOCH,
        ),
        kind,
        way,
    )
