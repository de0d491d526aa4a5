"""What headers tell of times and places, and what contradicts the sky."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from field_rotation.nights import exposures, rig, seen, targets

from polewright.calculation.sky.frame import hour_angle_dec
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, ARCSEC, DEG, HOUR, azalt_from_enu
from polewright.observing.frames.contradictions import Doubt, doubts_about, refused_by
from polewright.observing.frames.header import FrameHeader, FrameUnusable, read_header

START = 1796000000.0  # 2026-11-30 00:53 UTC
SITE = Site(44.6, 9.3, 200.0)


def header_of(tmp_path: Path, **cards: Any) -> FrameHeader:
    path = tmp_path / "a.fits"
    given = {"DATE-OBS": "2026-11-30T20:00:00.5", "EXPTIME": 300.0}
    made = fits.Header()
    for key, value in {**given, **cards}.items():
        if value is not None:
            made[key.replace("_", "-")] = value
    fits.PrimaryHDU(np.zeros((40, 60), np.uint16), made).writeto(path, overwrite=True)
    return read_header(path)


BEGAN = 1796068800.5


@pytest.mark.parametrize(
    ("cards", "mid_s"),
    [
        ({}, BEGAN + 150.0),
        ({"DATE-AVG": "2026-11-30T20:02:31"}, BEGAN + 150.5),
        ({"DATE-BEG": "2026-11-30T20:00:10", "EXPTIME": None, "EXPOSURE": 20.0}, BEGAN + 19.5),
        ({"DATE-OBS": "2026-11-30", "TIME-OBS": "20:00:00.5"}, BEGAN + 150.0),
        ({"DATE-OBS": None, "MJD-OBS": 61374.0 + 20.0 / 24.0}, BEGAN + 149.5),
        ({"DATE-OBS": None, "DATE-END": "2026-11-30T20:05:00.5Z"}, BEGAN + 150.0),
        ({"DATE-OBS": "2026-11-30T20:01:09.684", "TIMESYS": "TT"}, BEGAN + 150.0),
        ({"DATE-OBS": "2026-11-30T20:00:00.4999999"}, BEGAN + 150.0),
    ],
)
def test_the_middle_of_an_exposure(tmp_path: Path, cards: dict[str, Any], mid_s: float) -> None:
    assert header_of(tmp_path, **cards).utc_mid_s == pytest.approx(mid_s, abs=0.01)


@pytest.mark.parametrize(
    ("cards", "why"),
    [
        ({"DATE-OBS": "2026-11-30"}, "no time of day"),
        ({"DATE-OBS": "yesterday"}, "no time of day"),
        ({"TIMESYS": "LOCAL"}, "TIMESYS"),
        ({"IMAGETYP": "Master Flat"}, "no exposure of the sky"),
        ({"HISTORY": "Aligned to the first frame"}, "registered or stacked"),
    ],
)
def test_what_is_left_out(tmp_path: Path, cards: dict[str, Any], why: str) -> None:
    with pytest.raises(FrameUnusable, match=why):
        header_of(tmp_path, **cards)


def test_places_in_every_writing(tmp_path: Path) -> None:
    told = header_of(
        tmp_path,
        OBJCTRA="02 30 00",
        OBJCTDEC="-12 30 00",
        PIERSIDE="pierWest",
        SITELAT="44 36 00",
        SITELONG="-009:18:00",
        AIRMASS=1.2,
    )
    assert told.mount_icrs is not None
    ra, dec = np.arctan2(told.mount_icrs[1], told.mount_icrs[0]), np.arcsin(told.mount_icrs[2])
    assert (ra / DEG, dec / DEG) == pytest.approx((37.5, -12.5))
    assert told.pier_side == "WEST"
    assert told.latitude_deg == pytest.approx(44.6)
    assert told.longitude_deg == pytest.approx(-9.3)
    assert header_of(tmp_path, RA=40.0, DEC=5.0).mount_icrs is not None


def test_what_cannot_be_an_angle_is_none(tmp_path: Path) -> None:
    """A height in metres under a word for altitudes, a time in degrees, and no number at all."""
    told = header_of(tmp_path, ALTITUDE=1450.0, HA=211.0, OBJCTRA="nan", OBJCTDEC="12 0 0")
    assert (told.altitude_deg, told.hour_angle_hours, told.mount_icrs) == (None, None, None)


class Night:
    """Frames without pixels, and headers that agree with them."""

    def __init__(self, tmp_path: Path) -> None:
        rng = np.random.default_rng(8)
        spec = rig(rng)
        told = seen(spec, exposures(spec, targets(rng, 44.6, 3.0, 1), START), rng)
        self.attitudes = [frame.attitude for frame in told.frames]
        self.centres = [frame.icrs for frame in told.frames]
        self.air = told.air
        template = header_of(tmp_path)
        self.headers = []
        for attitude, centre in zip(self.attitudes, self.centres, strict=True):
            azimuth, altitude = (float(v) / DEG for v in azalt_from_enu(attitude.boresight))
            self.headers.append(
                replace(
                    template,
                    utc_mid_s=attitude.utc_s,
                    mtime_ns=int((attitude.utc_s + 155.0) * 1e9),
                    altitude_deg=altitude,
                    azimuth_deg=azimuth,
                    latitude_deg=44.6,
                    longitude_deg=9.3,
                    mount_icrs=centre,
                    local_minus_utc_s=3600.0,
                )
            )

    def changed(self, **changes: Any) -> list[Doubt]:
        """Doubts with headers that tell something else: values, or functions of a header."""
        headers = [
            replace(h, **{k: v(h) if callable(v) else v for k, v in changes.items()})
            for h in self.headers
        ]
        return doubts_about(headers, self.attitudes, self.centres, SITE, self.air)


@pytest.fixture
def night(tmp_path: Path) -> Night:
    return Night(tmp_path)


def test_headers_that_agree_raise_no_doubt(night: Night) -> None:
    assert night.changed() == []


def test_local_time_written_as_utc_is_seen_by_the_files_own_times(night: Night) -> None:
    (doubt,) = night.changed(
        mtime_ns=lambda h: h.mtime_ns - int(2 * 3600 * 1e9), altitude_deg=None, azimuth_deg=None
    )
    assert "2 h before" in doubt.text
    assert "local time" in doubt.text
    assert abs(doubt.turn) == pytest.approx(2.0 * HOUR)
    # A turn of 30 degrees moves an error of 3 arcmin by 1.6 arcmin, one of 3 arcsec by nothing.
    assert refused_by([doubt], 3.0 * ARCMIN, 10.0 * ARCSEC) == [doubt]
    assert refused_by([doubt], 3.0 * ARCSEC, 10.0 * ARCSEC) == []


def test_a_card_of_files_with_other_times_is_no_doubt_where_the_sky_agrees(night: Night) -> None:
    (doubt,) = night.changed(mtime_ns=lambda h: h.mtime_ns + int(2 * 3600 * 1e9))
    assert "agree with DATE-OBS" in doubt.text
    assert doubt.turn == 0.0


def test_copies_made_at_one_time_tell_nothing(night: Night) -> None:
    assert night.changed(mtime_ns=int((START + 90000.0) * 1e9)) == []


def test_altitudes_of_another_hour_are_told_with_the_difference(night: Night) -> None:
    def an_hour_earlier(h: FrameHeader) -> float:
        i = [x.utc_mid_s for x in night.headers].index(h.utc_mid_s)
        angle = float(hour_angle_dec(SITE, night.attitudes[i].boresight)[0]) / HOUR
        return angle - 1.0

    (doubt,) = night.changed(altitude_deg=None, azimuth_deg=None, hour_angle_hours=an_hour_earlier)
    assert "60 min further" in doubt.text
    assert doubt.turn == pytest.approx(HOUR, abs=0.01)


def test_a_site_of_the_other_sign_is_named(night: Night) -> None:
    (doubt,) = night.changed(longitude_deg=-9.3)
    assert "west as positive" in doubt.text
    (doubt,) = night.changed(longitude_deg=30.0)
    assert "30.00°" in doubt.text
    assert doubt.turn == pytest.approx(20.7 * DEG)


def test_several_times_local_time_and_pointing(night: Night) -> None:
    (doubt,) = night.changed(time_spread_s=150.0)
    assert "150 s" in doubt.text
    (doubt,) = night.changed(local_minus_utc_s=-8 * 3600.0)
    assert "-8.0 h" in doubt.text
    turned = np.array([0.0, 0.0, 1.0])
    (doubt,) = night.changed(mount_icrs=turned)
    assert "not synchronised" in doubt.text


def test_a_time_at_which_nothing_could_be_seen_is_refused(night: Night) -> None:
    noon = [replace(a, utc_s=START + 10.5 * 3600.0) for a in night.attitudes]
    found = doubts_about(night.headers, noon, night.centres, SITE, night.air)
    assert any("The Sun stood" in doubt.text and doubt.impossible for doubt in found)
    below = [replace(a, matrix=np.diag([1.0, -1.0, -1.0]) @ a.matrix) for a in night.attitudes]
    found = doubts_about(night.headers, below, night.centres, SITE, Atmosphere.standard(200.0))
    assert any("below the horizon" in doubt.text and doubt.impossible for doubt in found)
    assert refused_by(found, 0.0, 1.0)
