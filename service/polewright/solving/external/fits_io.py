"""Writes frames and star lists as FITS files for other programs, with hints in the header."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from polewright.calculation.images.frame import Frame, SensorKind, StarList
from polewright.foundation.angles import DEG, spherical
from polewright.solving.base import SolveHint


def write_image(
    path: Path, frame: Frame, hint: SolveHint | None = None, more: fits.Header | None = None
) -> None:
    """Write a frame as one grey 16-bit image, row 0 first, with hints and ``more`` as keywords.

    A mosaic is smoothed with [1 2 1] x [1 2 1] so that its colours do not look like a pattern of
    stars; colour planes are averaged. Counts beyond 16 bits are scaled down.
    """
    header = fits.Header()
    when = datetime.fromtimestamp(frame.utc_mid_s, tz=UTC)
    header["DATE-AVG"] = (when.strftime("%Y-%m-%dT%H:%M:%S.%f"), "UTC, middle of the exposure")
    header["TIMESYS"] = "UTC"
    header["EXPTIME"] = (frame.exposure_s, "[s] exposure time")
    header["XBINNING"] = frame.binning
    header["YBINNING"] = frame.binning
    header["ROWORDER"] = ("TOP-DOWN", "the first row is the top of the picture")
    if frame.pixel_um is not None:
        header["XPIXSZ"] = (frame.pixel_um, "[um] pixel, binning included")
        header["YPIXSZ"] = (frame.pixel_um, "[um] pixel, binning included")
    if frame.gain_e_per_adu is not None:
        header["EGAIN"] = (frame.gain_e_per_adu, "[e-/adu]")
    _add_hints(header, hint)
    if more is not None:
        header.update(more)
    whole = frame.pixels.dtype.kind in "ui"
    fits.PrimaryHDU(_sixteen_bits(_grey(frame), whole), header).writeto(
        path, output_verify="exception"
    )


def write_stars(path: Path, stars: StarList, hint: SolveHint | None = None) -> None:
    """Write a table X, Y (first pixel's centre is 1), FLUX; IMAGEW and IMAGEH in the header."""
    table = fits.BinTableHDU.from_columns(
        [
            fits.Column("X", "D", array=stars.x + 1.0),
            fits.Column("Y", "D", array=stars.y + 1.0),
            fits.Column("FLUX", "D", array=stars.flux),
        ],
        name="STARS",
    )
    primary = fits.PrimaryHDU()
    for header in (primary.header, table.header):
        header["IMAGEW"] = (stars.width, "frame columns")
        header["IMAGEH"] = (stars.height, "frame rows")
        _add_hints(header, hint)
    fits.HDUList([primary, table]).writeto(path, output_verify="exception")


def _add_hints(header: fits.Header, hint: SolveHint | None) -> None:
    if hint is None:
        return
    if hint.centre_icrs is not None:
        ra, dec = (float(v) / DEG for v in spherical(hint.centre_icrs))
        header["RA"] = (ra, "[deg] ICRS, about the middle of the frame")
        header["DEC"] = (dec, "[deg] ICRS, about the middle of the frame")
        header["OBJCTRA"] = _sexagesimal(ra / 15.0, "")
        header["OBJCTDEC"] = _sexagesimal(abs(dec), "-" if dec < 0 else "+")
    if hint.radius is not None:
        header["RADIUS"] = (hint.radius / DEG, "[deg] how far off RA and DEC may be")
    if hint.scale is not None:
        header["SCALE"] = (hint.scale / DEG * 3600.0, "[arcsec/px]")


def _sexagesimal(value: float, sign: str) -> str:
    seconds = round(value * 36000) / 10
    minutes, rest = divmod(seconds, 60)
    return f"{sign}{int(minutes // 60):02d} {int(minutes % 60):02d} {rest:04.1f}"


def _grey(frame: Frame) -> NDArray[np.generic]:
    if frame.sensor is SensorKind.PLANES:
        return np.asarray(frame.pixels.mean(axis=2, dtype=np.float32))
    if frame.sensor is SensorKind.BAYER:
        from scipy.ndimage import convolve1d

        kernel = np.array([0.25, 0.5, 0.25], dtype=np.float32)
        smooth = frame.pixels.astype(np.float32)
        for axis in (0, 1):  # "mirror" keeps the colours in step beyond the border
            smooth = convolve1d(smooth, kernel, axis=axis, mode="mirror")
        return np.asarray(smooth)
    return frame.pixels


def _sixteen_bits(pixels: NDArray[np.generic], whole: bool) -> NDArray[np.uint16]:
    if pixels.dtype == np.uint16:
        return np.ascontiguousarray(pixels)
    values = np.nan_to_num(pixels.astype(np.float32))
    low, high = float(values.min()), float(values.max())
    if not (whole or high > 255.0) or low < 0.0 or high > 65535.0:
        values = (values - low) * np.float32(65535.0 / max(high - low, 1e-30))
    return np.ascontiguousarray(np.clip(np.rint(values), 0, 65535).astype(np.uint16))
