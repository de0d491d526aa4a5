"""Gathering a skyline line by line, and reading it off the mount's own pointing."""

from __future__ import annotations

from dataclasses import dataclass

from polewright.calculation.planning.errors import HorizonUnreadable
from polewright.calculation.planning.horizon import Horizon
from polewright.calculation.planning.horizon_text import HorizonReader
from polewright.calculation.sky.bodies import sun_enu
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.mount_coordinates import check_system, icrs_from_mount
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.angles import DEG, azalt_from_enu, separation
from polewright.foundation.clock import CancelToken, Clock
from polewright.foundation.config import Config
from polewright.foundation.language import say
from polewright.observing.rig.mount_site import (
    CLOCK_LIMIT_S,
    SITE_LIMIT_DEG,
    MountContradicts,
    mounts_site,
)
from polewright.observing.rig.site_and_weather import site_of, weather_of
from polewright.observing.runs.connect import connect_one, settled_system


class SkylineLines:
    """Lines of a horizon profile; a bad one is told and left out, and the others are kept."""

    def __init__(self, clearance_deg: float | None) -> None:
        self.clearance_deg = clearance_deg
        self.rejected: list[HorizonUnreadable] = []
        self._lines: list[str] = []
        self._reader = HorizonReader()

    @property
    def accepted(self) -> bool:
        """Whether there is a skyline yet."""
        return self._reader.complete

    def add(self, line: str) -> HorizonUnreadable | None:
        """Take a line; return what is wrong with it, which is None when it was taken."""
        try:
            self._reader.take(line)
        except HorizonUnreadable as problem:
            self.rejected.append(problem.with_traceback(None))
            self._lines.append("")  # the next lines keep their numbers
            return problem
        self._lines.append(line)
        return None

    def take_back(self) -> str | None:
        """Forget the last line that was taken and return it; None when there is none."""
        for index in range(len(self._lines) - 1, -1, -1):
            if self._lines[index].strip():
                line, self._lines[index] = self._lines[index], ""
                self._reader = HorizonReader()
                for kept in self._lines:
                    self._reader.take(kept)
                return line.strip()
        return None

    def horizon(self) -> Horizon:
        """Return the skyline. Raises `HorizonUnreadable` when there is no pair."""
        return self._reader.horizon(self.clearance_deg)


@dataclass(frozen=True)
class SkylineLook:
    """Where the mount points."""

    line: str
    """As a line of a horizon file."""
    sun_caution: str
    """A sentence when the Sun is near; else empty."""


class Pointer:
    """Reads azimuth and altitude off a mount; sends no motion command of any kind."""

    def __init__(
        self,
        telescope: Telescope,
        site: Site,
        atmosphere: Atmosphere,
        clock: Clock,
        *,
        sun_avoid_deg: float,
    ) -> None:
        self.telescope, self.site, self.atmosphere = telescope, site, atmosphere
        self.clock, self.sun_avoid_deg = clock, sun_avoid_deg
        system = telescope.equatorial_system()
        check_system(system)
        self.system = settled_system(system, telescope, site, atmosphere, clock)

    @classmethod
    def connect(cls, config: Config, clock: Clock, cancel: CancelToken) -> Pointer:
        """Connect the mount that the configuration names, or the first one found.

        Raises:
            MountContradicts: its site or clock is not ours, and that was not accepted: azimuth
                and altitude would be wrong.
            DeviceError: it is missing or refuses.
            ConfigError: the site is unknown.
        """
        telescope = connect_one(Telescope, config.telescope, clock, cancel)
        site, source = site_of(config, telescope)
        pointer = cls(
            telescope,
            site,
            weather_of(config, site, clock.utc_s()).air,
            clock,
            sun_avoid_deg=config.limits.sun_avoid_deg,
        )
        wrong = mounts_site(pointer).contradictions(SITE_LIMIT_DEG, CLOCK_LIMIT_S, source)
        if wrong and not config.accepts_site:
            raise MountContradicts(wrong)
        return pointer

    def sky_now(self) -> ObservedFrame:
        """Return the sky over the site at this moment."""
        return ObservedFrame.at(self.site, self.atmosphere, self.clock.utc_s())

    def look(self) -> SkylineLook:
        """Read where the mount points now: its own word, refraction added."""
        sky = self.sky_now()
        told = self.telescope.right_ascension_hours(), self.telescope.declination_deg()
        enu = sky.observe(icrs_from_mount(sky, self.system, *told))
        azimuth, altitude = (float(value) / DEG for value in azalt_from_enu(enu))
        sun = sun_enu(sky)
        gap_deg = float(separation(enu, sun)) / DEG
        caution = ""
        if sun[2] > 0.0 and gap_deg < self.sun_avoid_deg:
            caution = say(
                "The Sun is up and {gap_deg:.0f}° from where the mount points: turn away "
                "from it or cover the telescope.",
                gap_deg=gap_deg,
            )
        return SkylineLook(f"{round(azimuth, 2) % 360.0:.2f} {altitude:.2f}", caution)
