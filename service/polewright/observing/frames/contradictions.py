"""Whether site, clock and headers of frames agree with the sky and with each other.

A clock or longitude that is wrong turns everything about the pole, and with it the direction of
the axis error: by 15 degrees for each hour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from polewright.calculation.geometry.attitude import Attitude
from polewright.calculation.sky.bodies import sun_enu
from polewright.calculation.sky.frame import ObservedFrame, hour_angle_dec
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import (
    ARCMIN,
    DEG,
    HOUR,
    Vector,
    azalt_from_enu,
    enu_from_azalt,
    fold_pi,
    separation,
)
from polewright.foundation.language import say
from polewright.observing.frames.header import SAME_TIME_S, FrameHeader

#: A file is written so long after its exposure ended at most, s (own choice: slow downloads).
WRITTEN_AFTER_S = (-20.0, 180.0)
#: Share of the frames that must show the same.
MOST = 0.8
#: Headers are computed from a site and a clock; differences below this are their rounding.
TELLING = 1.0 * DEG
POINTING_TOLD = 3.0 * DEG
SITE_TOLD_DEG = 0.2
#: Time zones are within so much of the mean solar time of their places (common practice).
ZONE_HOURS = 3.5


@dataclass(frozen=True)
class Doubt:
    """Something that contradicts the times, the site or the pointing."""

    text: str
    impossible: bool = False
    """No frame can have been taken like that."""
    turn: float = 0.0
    """Rad by which everything may be turned about the pole."""


def doubts_about(
    headers: Sequence[FrameHeader],
    attitudes: Sequence[Attitude],
    centres_icrs: Sequence[Vector],
    site: Site,
    air: Atmosphere,
) -> list[Doubt]:
    """Return what contradicts times, site and pointing of solved frames of one night.

    Args:
        headers: of the frames.
        attitudes: what their stars tell.
        centres_icrs: (3,) each, where their centres lie among the stars.
        site: as configured.
        air: of the night.
    """
    looks = np.array([attitude.boresight for attitude in attitudes])
    late = _hour_angles_late(headers, looks, site)
    found = [
        _below_horizon(headers, looks),
        _sun_up(attitudes, site, air),
        _file_times(headers, agreed=late is not None and abs(late) < TELLING),
        _told_hour_angle(headers, late),
        _told_heights(headers, looks),
        _several_times(headers),
        _local_times(headers, site),
        _site(headers, site),
        _pointing(headers, centres_icrs),
    ]
    return [doubt for doubt in found if doubt is not None]


def _below_horizon(headers: Sequence[FrameHeader], looks: Vector) -> Doubt | None:
    low = looks[:, 2] < 0.0
    if not low.any():
        return None
    worst = int(np.argmin(looks[:, 2]))
    return Doubt(
        say(
            "{count} of {frames} frames would have looked below the horizon when their headers "
            "say ({name}: altitude {altitude:.0f}°): the clock, its time zone or the site "
            "is wrong.",
            count=int(low.sum()),
            frames=len(low),
            name=headers[worst].path.name,
            altitude=float(azalt_from_enu(looks[worst])[1]) / DEG,
        ),
        impossible=True,
    )


def _sun_up(attitudes: Sequence[Attitude], site: Site, air: Atmosphere) -> Doubt | None:
    ends = (attitudes[0].utc_s, attitudes[-1].utc_s)
    heights = [math.asin(sun_enu(ObservedFrame.at(site, air, utc_s))[2]) for utc_s in ends]
    highest = max(heights)
    if highest < 0.0:
        return None
    return Doubt(
        say(
            "The Sun stood {altitude:.0f}° high when the headers say: the clock, its time zone or "
            "the site is wrong.",
            altitude=highest / DEG,
        ),
        impossible=True,
    )


def _file_times(headers: Sequence[FrameHeader], *, agreed: bool) -> Doubt | None:
    """Files written whole half-hours after their exposures ended: local time written as UTC."""
    late_s = np.array(
        [item.mtime_ns * 1e-9 - item.utc_mid_s - 0.5 * item.exposure_s for item in headers]
    )
    halves = np.round((late_s - 30.0) / 1800.0)
    usual = float(np.median(halves))
    rest = late_s - usual * 1800.0
    same = (halves == usual) & (rest > WRITTEN_AFTER_S[0]) & (rest < WRITTEN_AFTER_S[1])
    spread_s = np.ptp([item.utc_mid_s for item in headers])
    # Copies made at one time show no such thing: then each file is late by another time.
    if len(headers) < 3 or spread_s < 1800.0 or same.mean() < MOST:
        return None
    hours = usual / 2.0
    if hours == 0.0 or abs(hours) > 14.0:
        return None
    what = say(
        "The files were written {hours:g} h {side} their exposures ended by DATE-OBS ({count} of "
        "{frames} frames)",
        hours=abs(hours),
        side=say("after") if hours > 0.0 else say("before"),
        count=int(same.sum()),
        frames=len(headers),
    )
    if agreed:
        return Doubt(
            say("{what}: but altitude or hour angle in the headers agree with DATE-OBS.", what=what)
        )
    return Doubt(
        say("{what}: probably local time stands there instead of UTC.", what=what),
        turn=hours * HOUR,
    )


def _hour_angles_late(headers: Sequence[FrameHeader], looks: Vector, site: Site) -> float | None:
    """Hour angle (rad) by the stars and the clock minus that by the headers, the middle one."""
    late = []
    for header, look in zip(headers, looks, strict=True):
        told = None
        if header.altitude_deg is not None and header.azimuth_deg is not None:
            seen = enu_from_azalt(header.azimuth_deg * DEG, header.altitude_deg * DEG)
            told = float(hour_angle_dec(site, seen)[0])
        elif header.hour_angle_hours is not None:
            told = header.hour_angle_hours * HOUR
        if told is not None:
            late.append(fold_pi(float(hour_angle_dec(site, look)[0]) - told))
    return float(np.median(late)) if late else None


def _told_hour_angle(headers: Sequence[FrameHeader], late: float | None) -> Doubt | None:
    if late is None or abs(late) < TELLING:
        return None
    return Doubt(
        say(
            "By its stars and DATE-OBS the sky had turned {minutes:.0f} min {side} than altitude, "
            "azimuth or hour angle in the headers say ({frames} frames): clock or longitude of one "
            "of them is wrong.",
            minutes=abs(late) / HOUR * 60.0,
            side=say("further") if late > 0.0 else say("less far"),
            frames=len(headers),
        ),
        turn=late,
    )


def _told_heights(headers: Sequence[FrameHeader], looks: Vector) -> Doubt | None:
    """Altitude alone, where nothing tells the hour angle."""
    off = [
        (float(azalt_from_enu(look)[1]) / DEG, header.altitude_deg)
        for header, look in zip(headers, looks, strict=True)
        if header.altitude_deg is not None and header.azimuth_deg is None
    ]
    if not off:
        return None
    found, told = (float(np.median([pair[k] for pair in off])) for k in (0, 1))
    if float(np.median([abs(pair[0] - pair[1]) for pair in off])) * DEG < 2.0 * TELLING:
        return None
    return Doubt(
        say(
            "The headers tell altitudes about {told:.1f}°, stars and DATE-OBS {found:.1f}°: "
            "clock or site of one of them is wrong.",
            told=told,
            found=found,
        )
    )


def _several_times(headers: Sequence[FrameHeader]) -> Doubt | None:
    worst = max(headers, key=lambda header: header.time_spread_s)
    if worst.time_spread_s <= SAME_TIME_S:
        return None
    return Doubt(
        say(
            "Times in one header disagree by up to {spread:.0f} s ({name}); DATE-AVG counts, then "
            "DATE-BEG, then DATE-OBS with half the exposure.",
            spread=worst.time_spread_s,
            name=worst.path.name,
        )
    )


def _local_times(headers: Sequence[FrameHeader], site: Site) -> Doubt | None:
    offsets = [h.local_minus_utc_s for h in headers if h.local_minus_utc_s is not None]
    if not offsets:
        return None
    hours = float(np.median(offsets)) / 3600.0
    solar = (site.longitude_deg + 180.0) % 360.0 / 15.0 - 12.0
    if abs(hours - solar) <= ZONE_HOURS:
        return None
    return Doubt(
        say(
            "Local time (DATE-LOC) is {hours:+.1f} h from DATE-OBS, while the site's own "
            "time is about {solar:+.0f} h from UTC: time zone, clock or longitude is wrong.",
            hours=hours,
            solar=solar,
        )
    )


def _site(headers: Sequence[FrameHeader], site: Site) -> Doubt | None:
    told = [
        (header.latitude_deg, header.longitude_deg)
        for header in headers
        if header.latitude_deg is not None and header.longitude_deg is not None
    ]
    if not told:
        return None
    latitude, longitude = (float(np.median([pair[k] for pair in told])) for k in (0, 1))
    north = abs(latitude - site.latitude_deg)
    east = abs(fold_pi((longitude - site.longitude_deg) * DEG)) / DEG
    if max(north, east) <= SITE_TOLD_DEG:
        return None
    text = say(
        "The headers tell the site {latitude:.2f}°, {longitude:.2f}°, the configuration "
        "{own_latitude:.2f}°, {own_longitude:.2f}° (east positive).",
        latitude=latitude,
        longitude=longitude,
        own_latitude=site.latitude_deg,
        own_longitude=site.longitude_deg,
    )
    if abs(fold_pi((longitude + site.longitude_deg) * DEG)) / DEG <= SITE_TOLD_DEG:
        return Doubt(say("{text} Theirs counts west as positive.", text=text))
    return Doubt(text, turn=fold_pi((longitude - site.longitude_deg) * DEG))


def _pointing(headers: Sequence[FrameHeader], centres: Sequence[Vector]) -> Doubt | None:
    off = [
        float(separation(header.mount_icrs, centre))
        for header, centre in zip(headers, centres, strict=True)
        if header.mount_icrs is not None
    ]
    if not off or float(np.median(off)) < POINTING_TOLD:
        return None
    return Doubt(
        say(
            "The mount's coordinates in the headers are {off} from where the stars say it pointed: "
            "it was not synchronised, or its clock is off.",
            off=angle_text(float(np.median(off))),
        )
    )


def refused_by(doubts: Sequence[Doubt], total: float, sigma: float) -> list[Doubt]:
    """Return the doubts that change the result: impossible ones, and turns of more than 1 sigma.

    Args:
        doubts: all.
        total: size of the axis error, rad.
        sigma: its uncertainty, rad.
    """

    def changes(doubt: Doubt) -> bool:
        return 2.0 * math.sin(0.5 * min(abs(doubt.turn), math.pi)) * total > max(
            sigma, 0.05 * ARCMIN
        )

    return [doubt for doubt in doubts if doubt.impossible or changes(doubt)]
