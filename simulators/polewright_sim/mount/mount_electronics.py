"""What the mount's electronics believe: perfect alignment, their own clock, their own site."""

from __future__ import annotations

import math

import erfa.ufunc
import numpy as np

from polewright.calculation.sky.earth import earth_time
from polewright.foundation.angles import DEG, Matrix, Vector, fold_pi, spherical, unit_vector
from polewright_sim.spec import MountSpec, SiteSpec

NORMAL, THROUGH_POLE, UNKNOWN_SIDE = 0, 1, -1
"""Pointing states as the standard numbers them (pierEast, pierWest, pierUnknown)."""

J2000_SYSTEM = 2
_DAYS_PER_AU_OF_LIGHT = 499.00478384 / 86400.0
"""Source: IAU 2009 system of astronomical constants, light time for unit distance."""


class Belief:
    """Turns what clients say (RA and declination) into axis angles and back. Angles in rad."""

    def __init__(self, mount: MountSpec, site: SiteSpec) -> None:
        def own(value: float | None, truth: float) -> float:
            return truth if value is None else value

        self.latitude_deg = own(mount.site_latitude_deg, site.latitude_deg)
        self.longitude_deg = own(mount.site_longitude_deg, site.longitude_deg)
        self.elevation_m = own(mount.site_elevation_m, site.elevation_m)
        self.clock_offset_s = mount.clock_offset_s
        self.system = mount.equatorial_system
        self._aberrates = mount.j2000_with_aberration
        self.fork = mount.kind == "fork"
        self._past = mount.past_meridian_deg * DEG
        self._stay = mount.stay_past_meridian_deg * DEG
        # Which pole the tube passes when it changes sides is a matter of how it was built.
        self._pole_side = -1.0 if site.latitude_deg < 0.0 else 1.0

    def sidereal_time(self, utc_s: float) -> float:
        """Apparent local sidereal time in [0, 2 pi) by the mount's clock and longitude."""
        time = earth_time(utc_s + self.clock_offset_s)
        greenwich = float(erfa.ufunc.gst06a(*time.ut1, *time.tt))
        return (greenwich + self.longitude_deg * DEG) % (2.0 * math.pi)

    def _to_date(self, utc_s: float) -> Matrix:
        time = earth_time(utc_s + self.clock_offset_s)
        return np.asarray(erfa.ufunc.pnm06a(*time.tt), dtype=np.float64)

    def _earth_speed(self, utc_s: float) -> Vector:
        """The Earth's velocity (3,) in units of light's; zero for a driver that does without.

        Added to a direction it aberrates it, to a few hundredths of an arcsecond.
        """
        if not self._aberrates:
            return np.zeros(3)
        time = earth_time(utc_s + self.clock_offset_s)
        _heliocentric, barycentric, _ = erfa.ufunc.epv00(*time.tt)
        return np.asarray(barycentric["v"] * _DAYS_PER_AU_OF_LIGHT, dtype=np.float64)

    def hour_angle_dec(self, ra: float, dec: float, utc_s: float) -> tuple[float, float]:
        """Hour angle in [-pi, pi) and declination of date for coordinates in its own system."""
        if self.system == J2000_SYSTEM:
            seen = unit_vector(ra, dec) + self._earth_speed(utc_s)
            lon, lat = spherical(self._to_date(utc_s) @ seen)
            ra, dec = float(lon), float(lat)
        return fold_pi(self.sidereal_time(utc_s) - ra), dec

    def ra_dec(self, hour_angle: float, dec: float, utc_s: float) -> tuple[float, float]:
        """Invert `hour_angle_dec`; right ascension in [0, 2 pi)."""
        ra = (self.sidereal_time(utc_s) - hour_angle) % (2.0 * math.pi)
        if self.system == J2000_SYSTEM:
            told = self._to_date(utc_s).T @ unit_vector(ra, dec) - self._earth_speed(utc_s)
            lon, lat = spherical(told)
            ra, dec = float(lon), float(lat)
        return ra, dec

    # Horizon, as the mount computes it: no refraction

    def alt_az(self, hour_angle: float, dec: float) -> tuple[float, float]:
        """Altitude, and azimuth in [0, 2 pi)."""
        s, c = math.sin(self.latitude_deg * DEG), math.cos(self.latitude_deg * DEG)
        meridian = math.cos(dec) * math.cos(hour_angle)
        east = -math.cos(dec) * math.sin(hour_angle)
        north = c * math.sin(dec) - s * meridian
        up = c * meridian + s * math.sin(dec)
        return math.atan2(up, math.hypot(east, north)), math.atan2(east, north) % (2.0 * math.pi)

    def from_alt_az(self, altitude: float, azimuth: float) -> tuple[float, float]:
        """Hour angle and declination."""
        s, c = math.sin(self.latitude_deg * DEG), math.cos(self.latitude_deg * DEG)
        east = math.cos(altitude) * math.sin(azimuth)
        north, up = math.cos(altitude) * math.cos(azimuth), math.sin(altitude)
        meridian = c * up - s * north
        return math.atan2(-east, meridian), math.atan2(
            s * up + c * north, math.hypot(east, meridian)
        )

    # Pointing states

    def side_for(self, hour_angle: float, side_now: int) -> int:
        """Pointing state that a slew to this hour angle ends in."""
        if self.fork:
            return NORMAL
        natural = NORMAL if hour_angle >= 0.0 else THROUGH_POLE
        if natural != side_now and abs(hour_angle) <= self._stay:
            return side_now
        return natural

    def axes(self, hour_angle: float, dec: float, side: int) -> tuple[float, float]:
        """Angles of both axes."""
        if side == NORMAL:
            return hour_angle, dec
        return hour_angle + math.pi, self._pole_side * math.pi - dec

    def side_of(self, d: float) -> int:
        """Pointing state at a declination axis angle."""
        return THROUGH_POLE if self._pole_side * d > 0.5 * math.pi else NORMAL

    def direction(self, theta: float, d: float) -> tuple[float, float]:
        """Hour angle in [-pi, pi) and declination at axis angles."""
        if self.side_of(d) == NORMAL:
            return fold_pi(theta), d
        return fold_pi(theta - math.pi), self._pole_side * math.pi - d

    @property
    def home(self) -> tuple[float, float]:
        """Axis angles of the home position: at the pole, counterweight down."""
        return (0.5 * math.pi if not self.fork else 0.0), self._pole_side * 0.5 * math.pi

    @property
    def theta_range(self) -> tuple[float, float]:
        """How far the RA axis may turn."""
        if self.fork:
            return -math.pi, math.pi
        return -self._past, math.pi + self._past

    @property
    def d_range(self) -> tuple[float, float]:
        """How far the declination axis may turn."""
        far = 0.5 * math.pi if self.fork else 1.5 * math.pi
        ends = (-0.5 * math.pi * self._pole_side, far * self._pole_side)
        return min(ends), max(ends)
