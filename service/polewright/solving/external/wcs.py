"""Between our solutions and the FITS world coordinate system.

Conventions: Greisen & Calabretta 2002 (A&A 395, 1061; CRPIX counts the first pixel's centre as 1,
CD matrix in degrees a pixel) and Calabretta & Greisen 2002 (A&A 395, 1077; TAN, section 5.1.3).
The frame's row 0 is FITS row 1: the picture is stored top down, so y of both runs down the rows.
Radial distortion is written exactly, as third-order SIP (Shupe et al. 2005, ADASS XIV, 491).
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np
from astropy.io.fits import Header, VerifyError
from astropy.wcs import WCS
from numpy.typing import NDArray

from polewright.calculation.geometry.attitude import fit_camera
from polewright.calculation.geometry.errors import FitDiverged
from polewright.calculation.geometry.solution import Solution
from polewright.foundation.angles import DEG, Matrix, spherical
from polewright.foundation.language import say
from polewright.solving.errors import SolutionRejected

#: Points along each side of the grid that stands for a WCS.
GRID_SIDE = 9


@dataclass(frozen=True)
class WcsAttitude:
    """What a WCS says about the camera."""

    attitude: Matrix
    """Camera axes as columns, ICRS."""
    parity: int
    scale: float
    k1: float
    pixels: NDArray[np.float64]
    """(N, 2) grid over the frame, first pixel at 0."""
    icrs: NDArray[np.float64]
    """(N, 3) where the WCS puts those pixels."""
    rms_px: float
    """How far the WCS is from a rotated camera with one scale and a radial term."""


def wcs_header(solution: Solution) -> Header:
    """Return the header of a TAN (or TAN-SIP) WCS for the frame of a solution."""
    x, y, z = solution.attitude_icrs.T
    ra, dec = (float(v) for v in spherical(z))
    east = np.array([-math.sin(ra), math.cos(ra), 0.0])
    north = np.array([-math.sin(dec) * math.cos(ra), -math.sin(dec) * math.sin(ra), math.cos(dec)])
    step = solution.scale / DEG
    bent = solution.distortion.k1 != 0.0
    header = Header()
    header["WCSAXES"] = 2
    header["CTYPE1"] = ("RA---TAN-SIP" if bent else "RA---TAN", "gnomonic projection")
    header["CTYPE2"] = "DEC--TAN-SIP" if bent else "DEC--TAN"
    header["CUNIT1"] = "deg"
    header["CUNIT2"] = "deg"
    header["RADESYS"] = "ICRS"
    header["CRVAL1"] = (ra / DEG, "[deg] RA, frame centre")
    header["CRVAL2"] = (dec / DEG, "[deg] Dec, frame centre")
    header["CRPIX1"] = (solution.width + 1) / 2
    header["CRPIX2"] = (solution.height + 1) / 2
    # Said because the default changes at the pole (Calabretta & Greisen 2002, section 2.2).
    header["LONPOLE"] = 180.0
    header["CD1_1"] = step * solution.parity * float(x @ east)
    header["CD1_2"] = step * float(y @ east)
    header["CD2_1"] = step * solution.parity * float(x @ north)
    header["CD2_2"] = step * float(y @ north)
    if bent:
        term = solution.distortion.k1 / (0.5 * solution.width) ** 2
        header["A_ORDER"] = 3
        header["B_ORDER"] = 3
        for key in ("A_3_0", "A_1_2", "B_0_3", "B_2_1"):
            header[key] = term
    return header


def attitude_from_header(header: Header, width: int, height: int, solver: str) -> WcsAttitude:
    """Read a WCS as an attitude: rotation, scale and radial term fitted to a grid of pixels.

    Raises:
        SolutionRejected: no celestial WCS in ICRS or J2000, of another picture size, or one that
            is no camera's view of the sky (zero determinant, sheared, or not finite).
    """
    wcs = _celestial(header, solver)
    for key, size in (("IMAGEW", width), ("IMAGEH", height)):
        if key in header and not _is_about(header, key, size):
            raise SolutionRejected(
                solver, say("its WCS is not for a frame with {key} = {size}", key=key, size=size)
            )
    gx, gy = np.meshgrid(
        np.linspace(0, width - 1, GRID_SIDE), np.linspace(0, height - 1, GRID_SIDE)
    )
    pixels = np.column_stack([gx.ravel(), gy.ravel()])
    icrs = _unit_vectors(wcs, pixels)
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    centre, right, down = _unit_vectors(wcs, middle + np.array([[0, 0], [1, 0], [0, 1]]))
    if not (np.isfinite(icrs).all() and np.isfinite([centre, right, down]).all()):
        raise SolutionRejected(solver, say("its WCS does not cover the whole frame"))
    volume = float(np.linalg.det([right - centre, down - centre, centre]))
    scale = math.sqrt(abs(volume))
    if not 1e-9 < scale < 0.02:
        raise SolutionRejected(
            solver, say("its WCS has a scale of {scale:g} arcsec/px", scale=scale / DEG * 3600)
        )
    parity = 1 if volume > 0.0 else -1
    centred = pixels - middle
    centred[:, 0] *= parity
    start = _start(centre, parity * (right - centre))
    try:
        fit = fit_camera(
            centred,
            icrs,
            np.ones(len(pixels)),
            start,
            scale,
            0.5 * width,
            with_k1=wcs.sip is not None,
        )
    except FitDiverged as exc:
        raise SolutionRejected(solver, say("its WCS is no plain camera view of the sky")) from exc
    rms = float(np.sqrt(np.mean(np.sum(fit.residuals**2, axis=1))))
    if not rms < max(3.0, 0.004 * width):
        raise SolutionRejected(
            solver,
            say("its WCS is no plain camera view of the sky ({rms:.1f} px rms off)", rms=rms),
        )
    return WcsAttitude(fit.matrix, parity, fit.scale, fit.k1, pixels, icrs, rms)


def _is_about(header: Header, key: str, size: int) -> bool:
    try:
        return abs(float(header[key]) - size) <= 0.5
    except (ValueError, TypeError, VerifyError):
        return False


def has_wcs(header: Header) -> bool:
    """Whether a header holds a celestial WCS at all."""
    return str(header.get("CTYPE1", "")).startswith(("RA--", "DEC-", "GLON", "ELON"))


def _celestial(header: Header, solver: str) -> WCS:
    try:
        return _read_celestial(header, solver)
    except (ValueError, TypeError, VerifyError) as exc:  # cards that hold something else
        raise SolutionRejected(solver, say("its WCS cannot be read: {exc}", exc=exc)) from exc


def _read_celestial(header: Header, solver: str) -> WCS:
    system = str(header.get("RADESYS", header.get("RADECSYS", "ICRS"))).strip().upper()
    equinox = float(header.get("EQUINOX", 2000.0))
    for key in ("CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2"):
        if key in header:
            float(header[key])  # wcslib takes 0 for a card it cannot read: a wrong place
    kinds = str(header.get("CTYPE1", "")), str(header.get("CTYPE2", ""))
    if not (kinds[0].startswith("RA--") and kinds[1].startswith("DEC-")):
        raise SolutionRejected(
            solver,
            say(
                "its WCS has axes {first!r} and {second!r}, not RA, Dec",
                first=kinds[0],
                second=kinds[1],
            ),
        )
    # FK5 at J2000 is within 0.03 arcsec of ICRS, so it is taken as such.
    if system not in ("ICRS", "FK5", "") or abs(equinox - 2000.0) > 0.01:
        raise SolutionRejected(
            solver,
            say(
                "its WCS is in {system} {equinox}, not in ICRS or J2000",
                system=system,
                equinox=equinox,
            ),
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # foreign headers are seldom flawless
        try:
            return WCS(header, naxis=2, relax=True)
        except Exception as exc:  # wcslib reports a broken header by several types
            raise SolutionRejected(solver, say("its WCS cannot be read: {exc}", exc=exc)) from exc


def _unit_vectors(wcs: WCS, pixels: NDArray[np.float64]) -> NDArray[np.float64]:
    try:
        ra, dec = np.radians(wcs.all_pix2world(pixels, 0)).T
    except Exception as exc:  # a singular matrix, by wcslib's own types
        raise SolutionRejected(
            "WCS", say("pixels cannot be turned into directions: {exc}", exc=exc)
        ) from exc
    return np.column_stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])


def _start(boresight: NDArray[np.float64], towards_x: NDArray[np.float64]) -> Matrix:
    z = boresight / np.linalg.norm(boresight)
    x = towards_x - (towards_x @ z) * z
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])
