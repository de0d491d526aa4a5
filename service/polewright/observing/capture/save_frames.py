"""Keeps the solved frames of a sweep as FITS files that other programs can use."""

from __future__ import annotations

import contextlib
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from polewright import __version__
from polewright.calculation.images.frame import Frame
from polewright.foundation.angles import DEG, azalt_from_enu
from polewright.foundation.errors import in_words
from polewright.foundation.language import say
from polewright.observing.rig.plate_solver import Plate
from polewright.observing.rig.rig import Rig

if TYPE_CHECKING:
    from astropy.io.fits import Header

# What writes FITS is loaded when a frame is kept: it takes a second and 40 MB that an idle
# service need not spend.


def kept_names(rig: Rig) -> tuple[str, str] | None:
    """Return the names of telescope and camera for the frames' headers; None: none are kept."""
    if rig.config.run.keep_frames is None:
        return None
    return rig.telescope.name(), rig.camera.name()


def keep_frame(
    rig: Rig, frame: Frame, plate: Plate, number: int, names: tuple[str, str] | None
) -> str:
    """Write a frame with its whole WCS into [run] keep_frames; asks no device, tells nobody.

    Args:
        rig: the rig.
        frame: the frame.
        plate: its solution.
        number: of its point.
        names: as `kept_names` returns them; None: nothing is kept.

    Returns:
        What went wrong, to be told; empty when all is well.
    """
    if names is None:
        return ""
    from polewright.solving.external.fits_io import write_image

    folder = Path(rig.config.run.keep_frames or "").expanduser()
    when = datetime.fromtimestamp(frame.utc_mid_s, UTC).strftime("%Y%m%dT%H%M%S.%f")[:-3]
    path = folder / f"{when}Z-point-{number}.fits"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        write_image(path, frame, more=frame_header(rig, frame, plate, names))
    except OSError as exc:
        with contextlib.suppress(OSError):
            path.unlink()  # the half that found room is no frame
        reason = in_words(exc, told=path)
        return say(
            "Point {point}: the frame could not be kept as {path}: {reason}",
            point=number,
            path=path,
            reason=reason,
        )
    return ""


def frame_header(rig: Rig, frame: Frame, plate: Plate, names: tuple[str, str]) -> Header:
    """Return WCS, site, devices and how well the frame was solved."""
    from polewright.solving.external.wcs import wcs_header

    header = wcs_header(plate.solution)
    azimuth, altitude = azalt_from_enu(plate.attitude.matrix[:, 2])
    # 40587: the modified Julian date of Unix time 0.
    header["MJD-AVG"] = (40587.0 + frame.utc_mid_s / 86400.0, "UTC, middle of the exposure")
    header["TELESCOP"] = _plain(names[0])
    header["INSTRUME"] = _plain(names[1])
    header["CREATOR"] = f"polewright {__version__}"
    header["SITELAT"] = (rig.site.latitude_deg, "[deg] latitude")
    header["SITELONG"] = (rig.site.longitude_deg, "[deg] longitude, east positive")
    header["SITEELEV"] = (rig.site.elevation_m, "[m] height")
    header["CENTAZ"] = (float(azimuth) / DEG, "[deg] azimuth of the centre, observed")
    header["CENTALT"] = (float(altitude) / DEG, "[deg] altitude of the centre, observed")
    header["NMATCHED"] = (plate.attitude.matched, "catalogue stars matched")
    header["RMSPX"] = (round(plate.attitude.rms_px, 4), "[px] rms of the matched stars")
    header["SOLVER"] = _plain(plate.solution.solver)
    return header


def _plain(text: str) -> str:
    """FITS headers hold printable ASCII only (FITS standard 4.0, section 4.2.1.1)."""
    return re.sub(r"[^\x20-\x7e]", "?", text)[:60]
