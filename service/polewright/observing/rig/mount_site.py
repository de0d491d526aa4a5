"""What the mount believes of site and time, beside what we do: refused where it contradicts."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.site import Site
from polewright.devices.alpaca.telescope import Telescope
from polewright.foundation.angles import DEG, HOUR, fold_pi
from polewright.foundation.clock import Clock
from polewright.foundation.errors import DeviceError
from polewright.foundation.language import joined, say
from polewright.observing.rig.rig import Rig

SITE_LIMIT_DEG = 0.5
"""With somebody there a site may be off by so much: hand controllers offer towns, not places."""
CLOCK_LIMIT_S = 300.0
"""And a clock by so much: many are set by hand. Time zones differ by 15 minutes at least."""
SITE_TOLERANCE_DEG = 0.1
"""So far the mount's site may be off ours unnoted: mounts round theirs by less (own choice)."""
CLOCK_NOTE_S = 4.0  # turns the error vector by 1 arcmin of right ascension
SIDEREAL_S_PER_DEG = 240.0
SIDEREAL_DAY_S = 86164.0905  # IERS Conventions (2010), mean sidereal day
ZONE_NOTE_DEG = 30.0
"""Time zones are drawn along borders: two hours beside the Sun's time occur, more hardly."""
REVERSED_WITHIN_DEG = 1.0
"""Angles that agree so well after a change of sign, or swapped, are told as such (own choice)."""
DAY_S = 86400.0


class MountContradicts(DeviceError):
    """Site or clock of the mount contradict the configuration and this computer."""

    code = "mount_contradicts"
    advice = say(
        "Nothing has moved. Correct the mount's site and clock, or [site] (north and EAST "
        "positive) and this computer's clock. Sure that ours are right? --accept-site, or the "
        "page's button, goes on for one session; it is written down."
    )

    def __init__(self, what: tuple[str, ...], brief: str = "") -> None:
        super().__init__(what, brief)
        self.what, self.brief = what, brief

    def __str__(self) -> str:
        return say(
            "the mount contradicts us: {contradictions}", contradictions=joined("; ", self.what)
        )


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
        both = float(fold_pi((self.theirs_deg + self.ours_deg) * DEG)) / DEG
        return abs(both) < REVERSED_WITHIN_DEG

    def against(self, source: str, cause: str, figures: int) -> str:
        """Say both to so many decimals, and why they may differ."""
        return say(
            "the mount's {name} is {theirs}°, ours {ours}° ({source}): {cause}",
            name=say("latitude") if self.name == "latitude" else say("longitude"),
            theirs=f"{self.theirs_deg:.{figures}f}",
            ours=f"{self.ours_deg:.{figures}f}",
            source=source,
            cause=cause,
        )


@dataclass(frozen=True)
class MountsSite:
    """The mount's word; None where it does not tell."""

    angles: tuple[SiteAngle, ...]
    clock_off_s: float | None
    """Its clock minus ours."""
    sidereal_off_s: float | None
    """Its sidereal time minus ours, seconds of time."""
    asked_utc_s: float = 0.0
    """When it was asked, by our clock."""
    unset: bool = False
    """Latitude and longitude read 0: what drivers have that were told nothing."""

    @property
    def told(self) -> tuple[str, ...]:
        """What it told at all."""
        times = (("clock", self.clock_off_s), (say("sidereal time"), self.sidereal_off_s))
        return (
            *(angle.name for angle in self.angles),
            *(name for name, off_s in times if off_s is not None),
        )

    def contradictions(
        self, site_deg: float, clock_s: float, source: str, *, figures: int = 3
    ) -> tuple[str, ...]:
        """Return a sentence for each that is further off than that; none says the same twice.

        Args:
            site_deg: how far latitude and longitude may differ, degrees.
            clock_s: how far the clocks may differ, s.
            source: where our site comes from.
            figures: decimals of latitude and longitude.
        """
        swapped = self._swapped()
        wrong = [
            angle.against(source, _site_cause(angle, swapped), figures)
            for angle in self.angles
            if angle.off_deg > site_deg
        ]
        if self.clock_off_s is not None and abs(self.clock_off_s) > clock_s:
            wrong.append(self._clock_words(self.clock_off_s))
        off_s, limit_s = self.sidereal_off_s, clock_s + site_deg * SIDEREAL_S_PER_DEG
        if off_s is not None and abs(off_s) > limit_s:  # else it is right, wherever it comes from
            own_s = self._unexplained_sidereal_s(off_s)
            if abs(own_s) > limit_s:
                wrong.append(
                    say(
                        "the mount's sidereal time is {minutes:+.1f} min off ours: {cause}",
                        minutes=off_s / 60.0,
                        cause=_sidereal_cause(own_s, self.unset),
                    )
                )
        return tuple(wrong)

    def brief(self, site_deg: float, clock_s: float) -> str:
        """Return the first of the causes in one line; limits as for `contradictions`."""
        swapped = self._swapped()
        for angle in self.angles:
            if angle.off_deg > site_deg:
                return say(
                    "{name}: the mount has {theirs:.2f}°, we have {ours:.2f}°: {cause}.",
                    name=say("Latitude") if angle.name == "latitude" else say("Longitude"),
                    theirs=angle.theirs_deg,
                    ours=angle.ours_deg,
                    cause=_site_cause(angle, swapped),
                )
        if self.clock_off_s is not None and abs(self.clock_off_s) > clock_s:
            off = say("{minutes:+.0f} min", minutes=self.clock_off_s / 60.0)
            return say(
                "Clock: the mount's is {off} off: {cause}.",
                off=off,
                cause=_clock_cause(self.clock_off_s),
            )
        off_s = self._unexplained_sidereal_s(self.sidereal_off_s or 0.0)
        return say("Sidereal time: {cause}.", cause=_sidereal_cause(off_s, self.unset))

    def _swapped(self) -> bool:
        if len(self.angles) < 2:
            return False
        latitude, longitude = self.angles
        return (
            abs(latitude.theirs_deg - longitude.ours_deg) < REVERSED_WITHIN_DEG
            and abs(longitude.theirs_deg - latitude.ours_deg) < REVERSED_WITHIN_DEG
        )

    def _clock_words(self, off_s: float) -> str:
        return say(
            "the mount's clock says {theirs} UTC, ours {ours} UTC ({minutes:+.1f} min): {cause}",
            theirs=_utc(self.asked_utc_s + off_s),
            ours=_utc(self.asked_utc_s),
            minutes=off_s / 60.0,
            cause=_clock_cause(off_s),
        )

    def _unexplained_sidereal_s(self, off_s: float) -> float:
        """What of the sidereal time's difference clock and longitude do not account for."""
        known_s = (self.clock_off_s or 0.0) * DAY_S / SIDEREAL_DAY_S
        for angle in self.angles:
            if angle.name == "longitude":
                known_s += (angle.theirs_deg - angle.ours_deg) * SIDEREAL_S_PER_DEG
        return (off_s - known_s + 0.5 * DAY_S) % DAY_S - 0.5 * DAY_S


def _utc(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%d %H:%M:%S")


def _site_cause(angle: SiteAngle, swapped: bool) -> str:
    if swapped:
        return say("latitude and longitude look exchanged")
    if angle.reversed_sign and angle.name == "longitude":
        return say("east and west look exchanged (EAST is positive)")
    if angle.reversed_sign:
        return say("north and south look exchanged (NORTH is positive)")
    return say("one of them is another place")


def _clock_cause(off_s: float) -> str:
    """Why a clock is so far off: what people and drivers get wrong makes round differences."""
    days = round(off_s / DAY_S)
    rest_s = off_s - days * DAY_S
    if days and abs(rest_s) < 600.0:
        return say("a wrong date")
    hours = off_s / 3600.0
    if abs(abs(hours) - 1.0) < 0.05:
        return say("daylight saving, or a time zone that is one off")
    quarters = 4.0 * hours
    if abs(hours) <= 14.2 and abs(quarters - round(quarters)) < 0.2 and round(quarters):
        return say("a wrong time zone, or local time taken for UTC")
    if days:
        return say("a wrong date and time: a clock that was not set")
    return say("a clock that was not set, or lost its time")


def _sidereal_cause(off_s: float, unset: bool) -> str:
    if unset:
        return say("it was told no site (its latitude and longitude are 0)")
    hours = off_s * SIDEREAL_DAY_S / DAY_S / 3600.0
    if abs(abs(hours) - 1.0) < 0.05:
        return say("its clock (daylight saving, time zone) or its longitude")
    return say("its clock (time zone, date) or its longitude (east and west)")


class Placed(Protocol):
    """A mount, and where and when we take it to be."""

    telescope: Telescope
    site: Site
    clock: Clock

    def sky_now(self) -> ObservedFrame:
        """Return the sky over the site at this moment."""


def mounts_site(rig: Placed) -> MountsSite:
    """Ask the mount for all of it.

    Raises:
        AlpacaError: it does not answer; what it does not offer is None instead.
    """
    mount, site = rig.telescope, rig.site
    latitude, longitude = mount.site_latitude_deg(), mount.site_longitude_deg()
    unset = latitude == 0.0 and longitude == 0.0
    angles = tuple(
        SiteAngle(name, ours, theirs)
        for name, ours, theirs in (
            ("latitude", site.latitude_deg, latitude),
            ("longitude", site.longitude_deg, longitude),
        )
        if theirs is not None and not unset
    )
    before_s = rig.clock.utc_s()
    theirs_s = mount.utc_date()
    asked_s = 0.5 * (before_s + rig.clock.utc_s())
    clock_off_s = None if theirs_s is None else theirs_s - asked_s
    sidereal = mount.sidereal_time_hours()
    sidereal_off_s = None
    if sidereal is not None:
        sidereal_off_s = float(fold_pi(sidereal * HOUR - rig.sky_now().lst)) / HOUR * 3600.0
    return MountsSite(angles, clock_off_s, sidereal_off_s, asked_s, unset)


def check_site_and_clock(
    rig: Rig, *, site_deg: float = SITE_LIMIT_DEG, clock_s: float = CLOCK_LIMIT_S
) -> str:
    """Compare site, clock and sidereal time with the mount's; return what was compared.

    What differs by less than the limits is noted. What was accepted for this session is noted,
    and kept for the result.

    Args:
        rig: connected; nothing moves.
        site_deg: how far latitude and longitude may differ, degrees.
        clock_s: how far clock and sidereal time may differ, s.

    Raises:
        MountContradicts: something is further off and was not accepted; names all of it.
    """
    theirs = mounts_site(rig)
    wrong = theirs.contradictions(site_deg, clock_s, rig.site_source)
    if wrong and not rig.config.accepts_site:
        raise MountContradicts(wrong, theirs.brief(site_deg, clock_s))
    if wrong:
        rig.site_accepted = joined("; ", wrong)
        rig.note(
            say(
                "Accepted for this session, ours are used: {contradictions}.",
                contradictions=rig.site_accepted,
            ),
            warning=True,
        )
        return say("accepted although {contradictions}", contradictions=rig.site_accepted)
    for sentence in theirs.contradictions(SITE_TOLERANCE_DEG, CLOCK_NOTE_S, rig.site_source):
        rig.note(say("{contradiction}. Ours is used.", contradiction=sentence), warning=True)
    if theirs.unset:
        rig.note(say("The mount was told no site: its latitude and longitude are 0."), warning=True)
    if not theirs.told:
        return say("the mount tells neither site nor clock: nothing to compare")
    return say("{compared} agree with the mount's", compared=", ".join(theirs.told))


def zone_against_site(site: Site, zone_s: float) -> str:
    """Return a warning where a time zone speaks against a longitude, or nothing.

    Args:
        site: where we take the mount to stand.
        zone_s: the computer's standard time minus UTC, s.
    """
    zone_deg = zone_s / SIDEREAL_S_PER_DEG
    off_deg = abs(float(fold_pi(site.longitude - zone_deg * DEG))) / DEG
    if off_deg <= ZONE_NOTE_DEG:
        return ""
    return say(
        "The longitude {longitude:.1f}° (EAST is positive) lies {off:.0f}° from this computer's "
        "time zone, UTC{zone:+.1f} h: are east and west exchanged, or is the zone not that of the "
        "place?",
        longitude=float(fold_pi(site.longitude)) / DEG,
        off=off_deg,
        zone=zone_s / 3600.0,
    )


def own_zone_s() -> float:
    """Return this computer's standard time, without daylight saving, minus UTC, s."""
    return float(-time.timezone)
