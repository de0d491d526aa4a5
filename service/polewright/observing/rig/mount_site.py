"""What the mount believes of site, clock and sidereal time, beside what we do."""

from __future__ import annotations

from dataclasses import dataclass

from polewright.foundation.angles import DEG, HOUR, fold_pi
from polewright.observing.rig.rig import Rig

SITE_TOLERANCE_DEG = 0.1
"""So far the mount's site may be off ours, degrees: mounts round theirs by less (own choice)."""


@dataclass(frozen=True)
class SiteAngle:
    """Latitude or longitude as both sides have it, degrees."""

    name: str
    ours_deg: float
    theirs_deg: float

    @property
    def off_deg(self) -> float:
        """How far apart they are."""
        return abs(float(fold_pi((self.theirs_deg - self.ours_deg) * DEG))) / DEG

    @property
    def reversed_sign(self) -> bool:
        """Whether one of them seems to count the other way."""
        return abs(self.theirs_deg + self.ours_deg) < 1.0


@dataclass(frozen=True)
class MountsSite:
    """The mount's word; None where it does not tell."""

    angles: tuple[SiteAngle, ...]
    clock_off_s: float | None
    """Its clock minus ours."""
    sidereal_off_s: float | None
    """Its sidereal time minus ours, seconds of time."""

    @property
    def told(self) -> tuple[str, ...]:
        """What it told at all."""
        times = (("clock", self.clock_off_s), ("sidereal time", self.sidereal_off_s))
        return (
            *(angle.name for angle in self.angles),
            *(name for name, off_s in times if off_s is not None),
        )


def mounts_site(rig: Rig) -> MountsSite:
    """Ask the mount for all of it.

    Raises:
        AlpacaError: it does not answer; what it does not offer is None instead.
    """
    mount, site = rig.telescope, rig.site
    angles = tuple(
        SiteAngle(name, ours, theirs)
        for name, ours, theirs in (
            ("latitude", site.latitude_deg, mount.site_latitude_deg()),
            ("longitude", site.longitude_deg, mount.site_longitude_deg()),
        )
        if theirs is not None
    )
    before_s = rig.clock.utc_s()
    theirs_s = mount.utc_date()
    clock_off_s = None if theirs_s is None else theirs_s - 0.5 * (before_s + rig.clock.utc_s())
    sidereal = mount.sidereal_time_hours()
    sidereal_off_s = None
    if sidereal is not None:
        sidereal_off_s = float(fold_pi(sidereal * HOUR - rig.sky_now().lst)) / HOUR * 3600.0
    return MountsSite(angles, clock_off_s, sidereal_off_s)
