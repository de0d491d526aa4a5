"""The main job against a rig that nobody here wrote (the PyPI package alpaca-simulators).

Its camera shows the stars at the mount's right ascension and declination, north up, as plain
ICRS numbers: no refraction, no aberration, no misalignment. So its sky turns about the ICRS pole,
which in 2026 stands 9 arcmin from the pole of date. That is the axis to be found with refraction
switched off. Where that pole stands over the horizon is computed here with ERFA alone (pnm06a,
gst06a), by another road than the product's.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import erfa
import numpy as np
import pytest
from support.foreign import INSTALLED, foreign_server

from polewright.foundation.angles import DEG
from polewright.solving.catalogue.catalogue import bundled_catalogue

pytestmark = [
    pytest.mark.e2e,
    pytest.mark.skipif(not INSTALLED, reason="alpaca-simulators is not installed"),
]
LATITUDE_DEG = 48.0
DECLINATION_DEG = 20.0
TT_MINUS_UTC_S = 69.184  # TAI - UTC = 37 s since 2017, TT - TAI = 32.184 s
#: The product corrects for aberration, which this sky lacks: 20.5 arcsec along each direction
#: (constant of aberration), whose differences between the points turn the fitted axis.
ABERRATION_ARCMIN = 1.0


def sidereal_time(utc_s: float, longitude_deg: float) -> float:
    """Local apparent sidereal time, rad (UT1 taken as UTC)."""
    jd = 2440587.5 + utc_s / 86400.0
    tt = jd + TT_MINUS_UTC_S / 86400.0
    gst = erfa.gst06a(2400000.5, jd - 2400000.5, 2400000.5, tt - 2400000.5)
    return float(gst) + longitude_deg * DEG


def night_longitude_deg() -> float:
    """A longitude at which it is within three hours of midnight now, so that the Sun is away.

    That server says "west of the pier" from 12 h to 24 h of right ascension, wherever the meridian
    is: the points (1.3 to 4 h west of it, another place for one of them 1.5 h more) must lie on
    one side of 0 h and of 12 h.
    """
    now_s = time.time()
    midnight = -15.0 * (now_s / 3600.0 % 24.0) + 180.0
    for hours in (0, 1, -1, 2, -2, 3, -3):
        longitude_deg = (midnight + 15.0 * hours + 180.0) % 360.0 - 180.0
        sidereal_h = sidereal_time(now_s, longitude_deg) / DEG / 15.0
        if (sidereal_h - 5.5) % 12.0 < 6.8:
            return longitude_deg
    raise AssertionError("six hours of night do not hold what is missing of twelve")


def icrs_pole_error_arcmin(utc_s: float, longitude_deg: float) -> tuple[float, float]:
    """Altitude and azimuth (on the sky, east positive) of the ICRS pole minus the pole of date."""
    jd = 2440587.5 + utc_s / 86400.0
    tt = jd + TT_MINUS_UTC_S / 86400.0
    pole = erfa.pnm06a(2400000.5, tt - 2400000.5) @ np.array([0.0, 0.0, 1.0])
    right_ascension, declination = math.atan2(pole[1], pole[0]), math.asin(pole[2])
    hour_angle = sidereal_time(utc_s, longitude_deg) - right_ascension
    off = (0.5 * math.pi - declination) / DEG * 60.0
    # Above the pole at hour angle 0; at hour angle 90 deg it stands west of the pole.
    return off * math.cos(hour_angle), -off * math.sin(hour_angle)


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, float]]:
    longitude = night_longitude_deg()
    catalogue = bundled_catalogue()
    ring = catalogue.cone(np.array([0.0, 0.0, 1.0]), 92.0 * DEG, 2016.0)
    declination = np.arcsin(ring.vectors[:, 2]) / DEG
    keep = np.abs(declination - DECLINATION_DEG) < 2.0
    vectors = ring.vectors[keep]
    stars = zip(
        (np.arctan2(vectors[:, 1], vectors[:, 0]) / DEG % 360.0).tolist(),
        declination[keep].tolist(),
        ring.magnitude[keep].astype(float).tolist(),
        strict=True,
    )
    with foreign_server(
        tmp_path_factory.mktemp("foreign"),
        stars,
        telescope={
            "focallength": 0.25,
            "aperturediameter": 0.3,
            "sitelatitude": LATITUDE_DEG,
            "sitelongitude": longitude,
            "slew_rate": 30.0,
            # It starts near the first point: its reported place decides which way it slews first.
            "rightascension": (sidereal_time(time.time(), longitude) / DEG / 15.0 - 1.0) % 24.0,
            "declination": DECLINATION_DEG + 10.0,
        },
        camera={"cameraxsize": 800, "cameraysize": 640, "numx": 800, "numy": 640},
    ) as port:
        yield port, longitude


def test_that_rig_is_examined_without_moving_it(rig: tuple[int, float]) -> None:
    """What it lacks is told with what is done instead; nothing is in the way."""
    port, longitude = rig
    place = ["--site-latitude-deg", f"{LATITUDE_DEG}", "--site-longitude-deg", f"{longitude}"]
    there = [
        word
        for kind in ("telescope", "camera")
        for word in (f"--{kind}-host", "127.0.0.1", f"--{kind}-port", f"{port}")
    ]

    done = subprocess.run(
        [sys.executable, "-m", "polewright", "examine", "--json", *place, *there],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )

    document = json.loads(done.stdout)
    assert done.returncode == 0, [f for f in document["findings"] if f["outcome"] != "ok"]
    assert not document["moved"]
    told = {f"{item['about']}: {item['what']}": item["outcome"] for item in document["findings"]}
    assert told["mount: coordinates"] == "instead"
    assert told["mount: state in one answer"] == "instead"
    assert told["camera: sensor"] == "ok"
    assert told["site: mount and clock"] == "ok"
    assert told["picture: frame"] == "ok"


def test_the_measured_axis_is_the_pole_about_which_that_sky_turns(
    rig: tuple[int, float], tmp_path: Path
) -> None:
    """A whole `polewright measure` finds the ICRS pole, 9 arcmin from the pole of date."""
    port, longitude = rig
    # 40 deg west of the meridian at the declination of the stars, in azimuth and altitude.
    hour_angle = 20.0 * DEG
    latitude, declination = LATITUDE_DEG * DEG, DECLINATION_DEG * DEG
    up = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(
        declination
    ) * math.cos(hour_angle)
    east = -math.cos(declination) * math.sin(hour_angle)
    north = math.cos(latitude) * math.sin(declination) - math.sin(latitude) * math.cos(
        declination
    ) * math.cos(hour_angle)
    config = tmp_path / "foreign.toml"
    config.write_text(
        f"""
        [site]
        latitude_deg = {LATITUDE_DEG}
        longitude_deg = {longitude}
        pressure_hpa = 0.0
        [telescope]
        host = "127.0.0.1"
        port = {port}
        device_number = 0
        [camera]
        host = "127.0.0.1"
        port = {port}
        device_number = 0
        [optics]
        focal_length_mm = 250.0
        [sweep]
        start_azimuth_deg = {math.atan2(east, north) / DEG % 360.0}
        start_altitude_deg = {math.asin(up) / DEG}
        direction = "west"
        settle_s = 0.5
        exposure_s = 2.0
        [history]
        enabled = false
        [run]
        journal_folder = "{tmp_path / "journals"}"
        """
    )

    done = subprocess.run(
        [sys.executable, "-m", "polewright", "measure", "--json", "--config", str(config)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )

    document = json.loads(done.stdout)
    assert document["ok"], document
    axis = document["axis"]
    d_alt, d_az = icrs_pole_error_arcmin(time.time(), longitude)
    assert math.hypot(d_alt, d_az) == pytest.approx(9.0, abs=0.4)
    assert axis["d_alt_arcmin"] == pytest.approx(d_alt, abs=ABERRATION_ARCMIN)
    assert axis["d_az_sky_arcmin"] == pytest.approx(d_az, abs=ABERRATION_ARCMIN)
    assert axis["trusted"]
    assert done.returncode == 9  # measured, outside the tolerance
