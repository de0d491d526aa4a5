"""A night of ordinary exposures: targets that are tracked, guided or not, as FITS files if wanted.

Nothing runs in real time: the mount's mechanics say how the camera stands at each exposure's
middle, and a camera that follows the stars needs no more than that.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from polewright.calculation.sky.frame import enu_from_hour_angle_dec, hour_angle_dec
from polewright.foundation.angles import (
    ARCSEC,
    DEG,
    HOUR,
    Matrix,
    Vector,
    azalt_from_enu,
    spherical,
)
from polewright_sim.camera.render import render_frame
from polewright_sim.camera_spec import pixel_scale
from polewright_sim.mount.adjusters import Adjusters
from polewright_sim.mount.guiding import Guiding
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.sky.stars import SkyModel
from polewright_sim.spec import RigSpec

LOWEST = math.sin(15.0 * DEG)
"""Nobody exposes lower: sine of the altitude."""


DEEPEST_MAG = 14.5
"""Fainter stars take long to draw and tell little."""


@dataclass(frozen=True)
class Target:
    """What is exposed, one after the other."""

    name: str
    hour_angle: float
    """Rad, when its turn begins; west positive."""
    declination: float
    """Rad, as seen."""
    hours: float
    """How long it is exposed."""


@dataclass(frozen=True)
class Knock:
    """Somebody or something moves the pier."""

    utc_s: float
    rotation: tuple[float, float, float]
    """Rad, east-north-up axes."""


@dataclass(frozen=True, eq=False)
class TrackedExposure:
    """The truth about one exposure."""

    utc_s: float
    """Middle, Unix seconds UTC."""
    attitude: Matrix
    """Camera x, y, boresight as columns (3, 3), observed frame."""
    axis: Vector
    """(3,) the polar axis then, ENU."""
    target: Target
    star_icrs: Vector
    """(3,) the guide star."""
    through_pole: bool


def targets_of_an_evening(latitude_deg: float, hours: float, count: int) -> list[Target]:
    """Return an observer's targets: from the east over the meridian to the west, invented."""
    each = hours / count
    towards_pole = math.copysign(1.0, latitude_deg)
    declinations = (38.0, 12.0, 55.0, -4.0, 66.0)
    starts = (-2.8, 0.6, -1.5, -0.7, -3.5)
    return [
        Target(
            f"field {k + 1}",
            (starts[k % 5] + 0.1 * (k // 5)) * HOUR,
            towards_pole * declinations[k % 5] * DEG,
            each,
        )
        for k in range(count)
    ]


def tracked_exposures(
    spec: RigSpec,
    targets: Sequence[Target],
    *,
    start_utc_s: float,
    every_s: float,
    guided: bool = True,
    dither_px: float = 3.0,
    knock: Knock | None = None,
    seed: int | None = None,
) -> Iterator[TrackedExposure]:
    """Yield a night's exposures, oldest first; a German mount changes sides at the meridian.

    Args:
        spec: the rig.
        targets: one after the other.
        start_utc_s: when the first begins.
        every_s: from one exposure to the next.
        guided: otherwise the mount only tracks, with its periodic error.
        dither_px: 1 sigma of the step of the guide star's place before each exposure.
        knock: when and how the pier moves.
        seed: of guiding and dither; the rig's own when None.
    """
    rng = np.random.default_rng(spec.seed if seed is None else seed)
    mount = MountModel(
        spec.mount,
        spec.site,
        spec.misalignment,
        Adjusters(spec.adjusters, start_utc_s),
        roll=spec.optics.roll_deg * DEG,
        utc_s=start_utc_s,
    )
    if knock is not None:
        mount.sink(np.array(knock.rotation), knock.utc_s)
    model = SkyModel(spec.site.site(), spec.site.atmosphere())
    scale = pixel_scale(spec.optics, spec.sensor)
    begins_s = start_utc_s
    for target in targets:
        first = enu_from_hour_angle_dec(spec.site.site(), target.hour_angle, target.declination)
        icrs = model.moment(begins_s).icrs(first)
        guiding: Guiding | None = None
        side: bool | None = None
        for number in range(max(1, round(target.hours * 3600.0 / every_s))):
            utc_s = begins_s + (number + 0.5) * every_s
            now = model.moment(utc_s)
            star = now.observed(now.cirs(icrs[None]))[0]
            if star[2] < LOWEST:
                continue
            past_meridian = float(hour_angle_dec(spec.site.site(), star)[0]) >= 0.0
            through_pole = spec.mount.kind == "german" and not past_meridian
            if guiding is None or side != through_pole:
                side = through_pole
                guiding = Guiding(
                    mount,
                    through_pole=through_pole,
                    place=tuple(rng.normal(0.0, 0.1 * spec.sensor.height * scale, 2)),
                    seed=int(rng.integers(0, 2**31)),
                )
                attitude = guiding.attitude(utc_s, star)
            elif guided:
                step = dither_px * scale * rng.standard_normal(2)
                attitude = guiding.attitude(utc_s, star, step)
            else:
                attitude = guiding.tracked(utc_s)
            yield TrackedExposure(utc_s, attitude, mount.axis(utc_s), target, icrs, through_pole)
        begins_s += target.hours * 3600.0


def write_night(
    spec: RigSpec,
    folder: Path,
    exposures: Sequence[TrackedExposure],
    *,
    exposure_s: float,
    seed: int | None = None,
) -> list[Path]:
    """Render exposures and write them as a capture program would; return the files.

    The folder must exist. A file's time of change is the end of its exposure.
    """
    from astropy.io import fits

    rng = np.random.default_rng(spec.seed if seed is None else seed)
    # A long exposure shows fainter stars than a look at the sky does.
    deeper = spec.sky.faintest_mag + 1.25 * math.log10(max(1.0, exposure_s / 2.0))
    stars = spec.sky.model_copy(update={"faintest_mag": min(deeper, DEEPEST_MAG)})
    sky = SkyModel(spec.site.site(), spec.site.atmosphere(), stars)
    written = []
    for number, shot in enumerate(exposures, start=1):
        pixels = render_frame(
            sky, spec.optics, spec.sensor, shot.attitude[None], shot.utc_s, exposure_s, rng
        )
        begin = datetime.fromtimestamp(shot.utc_s - 0.5 * exposure_s, UTC)
        ra, dec = (float(v) / DEG for v in spherical(shot.star_icrs))
        azimuth, altitude = (float(v) / DEG for v in azalt_from_enu(shot.attitude[:, 2]))
        header = fits.Header()
        header["DATE-OBS"] = (begin.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3], "UTC, start")
        header["EXPTIME"] = (exposure_s, "[s]")
        header["OBJECT"] = shot.target.name
        header["RA"] = (ra, "[deg] J2000, the mount's word")
        header["DEC"] = (dec, "[deg]")
        header["CENTALT"] = (altitude, "[deg]")
        header["CENTAZ"] = (azimuth, "[deg]")
        header["PIERSIDE"] = "WEST" if shot.through_pole else "EAST"
        header["TELESCOP"], header["INSTRUME"] = "simulated mount", "simulated camera"
        header["FOCALLEN"] = (spec.optics.focal_length_mm, "[mm]")
        header["XPIXSZ"] = (spec.sensor.pixel_um, "[um]")
        header["SITELAT"] = (spec.site.latitude_deg, "[deg]")
        header["SITELONG"] = (spec.site.longitude_deg, "[deg] east positive")
        if spec.sensor.bayer:
            header["BAYERPAT"] = "RGGB"
        path = folder / f"{shot.target.name.replace(' ', '_')}_{number:04d}.fits"
        fits.PrimaryHDU(pixels, header).writeto(path)
        ended_s = shot.utc_s + 0.5 * exposure_s + 2.0
        os.utime(path, (ended_s, ended_s))
        written.append(path)
    return written


def turned_about(azimuth_deg: float, size_arcsec: float) -> tuple[float, float, float]:
    """Return the rotation by which a pier leans towards an azimuth: rad, east-north-up axes."""
    size, azimuth = size_arcsec * ARCSEC, azimuth_deg * DEG
    return (-size * math.cos(azimuth), size * math.sin(azimuth), 0.0)
