"""From catalogue directions to the directions light arrives from at a site, and back.

The observed frame O is east-north-up at the site, refraction included. A mount is bolted to the
Earth, so its polar axis is a fixed vector in O.

Polar motion (0.3 arcsec or so) is left out on purpose: without it the pole of date stands in O
at azimuth 0 or 180 and altitude |latitude| exactly, which is what an axis is compared with. With
it stars would move against that nominal pole. Left out this way it acts like a tiny error of the
site's coordinates, which never reaches the difference between axis and pole.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import erfa.ufunc
import numpy as np
from numpy.typing import NDArray

from polewright.calculation.sky.earth import earth_time
from polewright.calculation.sky.refraction import refract, refraction_constants, unrefract
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import Matrix, Vector, fold_tau

_J2000 = 2451545.0


def _turn_z(angle: float) -> Matrix:
    """Matrix that expresses a vector in axes turned by ``angle`` about z."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, eq=False)
class ObservedFrame:
    """The sky over a site at one instant. Build it with `at`; every method is vectorised.

    All vectors are unit vectors with shape (..., 3). ICRS ones are astrometric: seen from the
    solar system's barycentre, proper motion already applied, no parallax (0.8 arcsec at most).
    """

    site: Site
    atmosphere: Atmosphere
    utc_s: float
    """Unix seconds UTC."""
    lst: float
    """Apparent local sidereal time, rad in [0, 2 pi)."""
    julian_year: float
    warnings: tuple[str, ...]
    """Sentences on tables that do not cover this date."""
    observer_gcrs_au: Vector
    """(3,) the observer from the Earth's centre, GCRS axes."""
    earth_heliocentric_au: Vector
    """(3,) the Earth's centre from the Sun, ICRS axes."""
    _sun_to_observer: Vector
    _sun_distance_au: float
    _velocity: Vector
    _lorenz: float
    _cirs: Matrix
    _enu: Matrix
    _of_date: Matrix
    _refraction: tuple[float, float]

    @classmethod
    def at(cls, site: Site, atmosphere: Atmosphere, utc_s: float) -> ObservedFrame:
        """Build the star-independent part once: precession-nutation, Earth's place and turn.

        Source: the chain of ERFA ``eraApco13`` (IAU 2006/2000A), with polar motion zero.
        """
        time = earth_time(utc_s)
        heliocentric, barycentric, _ = erfa.ufunc.epv00(*time.tt)
        bpn = erfa.ufunc.pnm06a(*time.tt)
        x, y = erfa.ufunc.bpn2xy(bpn)
        s = erfa.ufunc.s06(*time.tt, x, y)
        era = erfa.ufunc.era00(*time.ut1)
        origins = float(erfa.ufunc.eors(bpn, s))
        astrom = erfa.ufunc.apco(
            *time.tt,
            barycentric,
            heliocentric["p"],
            x,
            y,
            s,
            era,
            site.longitude,
            site.latitude,
            site.elevation_m,
            0.0,
            0.0,
            0.0,
            0.0,
            0.0,
        )
        sphi, cphi = math.sin(site.latitude), math.cos(site.latitude)
        # Rows: east, north, up of a vector in axes (meridian on the equator, east, pole).
        horizon = np.array([[0.0, 1.0, 0.0], [-sphi, 0.0, cphi], [cphi, 0.0, sphi]])
        return cls(
            site=site,
            atmosphere=atmosphere,
            utc_s=utc_s,
            lst=fold_tau(float(era) - origins + site.longitude),
            julian_year=2000.0 + (time.tt[0] - _J2000 + time.tt[1]) / 365.25,
            warnings=time.warnings,
            observer_gcrs_au=np.asarray(astrom["eb"] - barycentric["p"]),
            earth_heliocentric_au=np.array(heliocentric["p"]),
            _sun_to_observer=np.array(astrom["eh"]),
            _sun_distance_au=float(astrom["em"]),
            _velocity=np.array(astrom["v"]),
            _lorenz=float(astrom["bm1"]),
            _cirs=np.array(astrom["bpn"]),
            _enu=horizon @ _turn_z(float(era) + site.longitude),
            _of_date=_turn_z(origins),
            _refraction=refraction_constants(atmosphere),
        )

    def _proper(self, icrs: Vector) -> NDArray[np.float64]:
        """Deflect at the Sun and aberrate (annual and diurnal together)."""
        natural = erfa.ufunc.ldsun(icrs, self._sun_to_observer, self._sun_distance_au)
        proper = erfa.ufunc.ab(natural, self._velocity, self._sun_distance_au, self._lorenz)
        return np.asarray(proper, dtype=np.float64)

    def _cirs_from_icrs(self, icrs: Vector) -> NDArray[np.float64]:
        return self._proper(np.asarray(icrs, dtype=np.float64)) @ self._cirs.T

    def _icrs_from_cirs(self, cirs: Vector) -> NDArray[np.float64]:
        return self.icrs_from_proper(np.asarray(cirs, dtype=np.float64) @ self._cirs)

    def icrs_from_proper(self, proper: Vector) -> NDArray[np.float64]:
        """Take the Sun's deflection and the observer's aberration out of directions (..., 3)."""
        icrs = proper
        for _ in range(4):  # aberration is 1e-4: each round gains four digits
            icrs = icrs + (proper - self._proper(icrs))
            icrs /= np.linalg.norm(icrs, axis=-1, keepdims=True)
        return icrs

    def observe(self, icrs: Vector) -> NDArray[np.float64]:
        """Return the observed ENU directions (..., 3) of ICRS ones; below the horizon too.

        See `polewright.calculation.sky.refraction.refract` on altitudes under 5 deg.
        """
        return refract(self._cirs_from_icrs(icrs) @ self._enu.T, self._refraction)

    def to_icrs(self, enu: Vector) -> NDArray[np.float64]:
        """Return the ICRS directions that `observe` sends to ``enu``."""
        airless = unrefract(np.asarray(enu, dtype=np.float64), self._refraction)
        return self._icrs_from_cirs(airless @ self._enu)

    def of_date_from_icrs(self, icrs: Vector) -> NDArray[np.float64]:
        """Return apparent topocentric directions (..., 3) in true equator and equinox of date.

        Their longitude and latitude are the right ascension and declination that a mount with a
        topocentric equatorial system uses: aberration included, refraction not.
        """
        return self._cirs_from_icrs(icrs) @ self._of_date.T

    def icrs_from_of_date(self, of_date: Vector) -> NDArray[np.float64]:
        """Invert `of_date_from_icrs`."""
        return self._icrs_from_cirs(np.asarray(of_date, dtype=np.float64) @ self._of_date)

    def turned_to_date(self, icrs: Vector) -> NDArray[np.float64]:
        """Return directions (..., 3) in the axes of date by precession and nutation alone.

        What drivers compute that know nothing of aberration: up to 21 arcsec from
        `of_date_from_icrs`.
        """
        return np.asarray(icrs, dtype=np.float64) @ self._cirs.T @ self._of_date.T

    def turned_from_date(self, of_date: Vector) -> NDArray[np.float64]:
        """Invert `turned_to_date`."""
        return np.asarray(of_date, dtype=np.float64) @ self._of_date @ self._cirs

    def aberration_enu(self) -> NDArray[np.float64]:
        """Return what aberration adds to a direction, before the part along it is taken off.

        Observer's velocity over that of light (3,), ENU; to first order, 20.5 arcsec long.
        """
        return np.asarray(self._velocity @ self._cirs.T @ self._enu.T, dtype=np.float64)

    def enu_from_of_date(self, of_date: Vector, refracted: bool = True) -> NDArray[np.float64]:
        """Return ENU directions of apparent of-date ones: as seen, or without air."""
        airless = np.asarray(of_date, dtype=np.float64) @ self._of_date @ self._enu.T
        return refract(airless, self._refraction) if refracted else airless

    def of_date_from_enu(self, enu: Vector, refracted: bool = True) -> NDArray[np.float64]:
        """Invert `enu_from_of_date`; ``refracted`` says whether ``enu`` has refraction in it."""
        v = np.asarray(enu, dtype=np.float64)
        airless = unrefract(v, self._refraction) if refracted else v
        return airless @ self._enu @ self._of_date.T

    def hour_angle_dec(self, enu: Vector) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return hour angle in [-pi, pi), west positive, and declination (rad) of ENU vectors.

        These are the angles of the given direction itself about the true pole, refraction left
        in it: what the axes of a perfect mount on the true pole would read.
        """
        return hour_angle_dec(self.site, enu)


def hour_angle_dec(site: Site, enu: Vector) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return `ObservedFrame.hour_angle_dec`, which needs the site only."""
    v = np.asarray(enu, dtype=np.float64)
    s, c = math.sin(site.latitude), math.cos(site.latitude)
    meridian = c * v[..., 2] - s * v[..., 1]
    pole = s * v[..., 2] + c * v[..., 1]
    hour_angle = np.arctan2(-v[..., 0], meridian)
    hour_angle = np.where(hour_angle >= math.pi, -math.pi, hour_angle)
    return hour_angle, np.arctan2(pole, np.hypot(v[..., 0], meridian))


def enu_from_hour_angle_dec(
    site: Site, hour_angle: float | Vector, declination: float | Vector
) -> NDArray[np.float64]:
    """Invert `hour_angle_dec`: ENU unit vectors (..., 3) from angles in rad."""
    h, d = np.asarray(hour_angle), np.asarray(declination)  # a grid's trigonometry is its edges'
    s, c = math.sin(site.latitude), math.cos(site.latitude)
    east = -np.cos(d) * np.sin(h)
    meridian, pole = np.cos(d) * np.cos(h), np.sin(d)
    return np.stack([east, c * pole - s * meridian, c * meridian + s * pole], axis=-1)
