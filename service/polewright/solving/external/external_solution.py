"""What a solver's program left behind: found, read, checked against the hint, made a solution."""

from __future__ import annotations

import math
import warnings
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from polewright.calculation.geometry.attitude import fit_camera
from polewright.calculation.geometry.errors import FitDiverged
from polewright.calculation.geometry.solution import Distortion, Solution
from polewright.calculation.images.frame import StarList
from polewright.foundation.angles import DEG, separation, spherical
from polewright.foundation.language import say
from polewright.solving.base import MEASURED_SCALE, SolveHint
from polewright.solving.embedded.fitting import centred
from polewright.solving.errors import NoMatch, SolutionRejected
from polewright.solving.external.wcs import WcsAttitude, has_wcs


def read_matches(folder: Path, pattern: str) -> NDArray[np.float64] | None:
    """(N, 4): x, y (first pixel 0), RA, Dec (deg) of the stars the program matched."""
    for path in sorted(folder.glob(pattern)):
        try:
            table = fits.getdata(path, 1)
            columns = [
                np.asarray(table[key], dtype=np.float64)
                for key in ("field_x", "field_y", "index_ra", "index_dec")
            ]
        except (OSError, KeyError, IndexError, TypeError):
            continue  # no such table: the WCS alone is used
        rows = np.column_stack(columns)
        rows[:, :2] -= 1.0
        return rows[np.isfinite(rows).all(axis=1)]
    return None


def from_matches(
    found: WcsAttitude, matches: NDArray[np.float64], stars: StarList, solver: str
) -> Solution | None:
    """Fit to the stars that the program matched, with our own centroids of them.

    Catalogue positions of star indexes carry no proper motion, so half a pixel is added.
    """
    if len(stars) == 0 or len(matches) < 6:
        return None
    tree = cKDTree(np.column_stack([stars.x, stars.y]))
    distance, index = tree.query(matches[:, :2], distance_upper_bound=2.0)
    near = np.flatnonzero(np.isfinite(distance))
    _, first = np.unique(index[near], return_index=True)
    rows, at = near[first], index[near[first]]
    ra, dec = np.radians(matches[rows, 2:].T)
    icrs = np.column_stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    half = 0.5 * stars.width
    pixels = centred(stars, found.parity)[at]
    sigma = np.hypot(stars.sigma_px[at], 0.5)
    keep = np.ones(len(at), dtype=bool)
    fit, off = None, np.zeros(len(at))
    for _ in range(4):
        if keep.sum() < 6:
            return None
        try:
            fit = fit_camera(
                pixels, icrs, sigma, found.attitude, found.scale, half,
                with_k1=False, k1=found.k1, use=keep,
            )  # fmt: skip
        except FitDiverged:
            return None
        off = np.linalg.norm(fit.residuals, axis=1)
        clipped = off < 4.0 * np.maximum(sigma, np.median(off[keep]) / 1.1774)
        if bool(np.all(clipped == keep)):
            break
        keep = clipped
    if fit is None:
        return None
    at = at[keep]
    return Solution(
        solver=solver,
        attitude_icrs=fit.matrix,
        parity=found.parity,
        scale=fit.scale,
        pixels=np.column_stack([stars.x[at], stars.y[at]]),
        icrs=icrs[keep],
        sigma_px=sigma[keep],
        covariance=fit.covariance,
        rms_px=float(np.sqrt(np.mean(off[keep] ** 2))),
        width=stars.width,
        height=stars.height,
        matched=int(keep.sum()),
        distortion=Distortion(found.k1),
    )


def from_grid(
    found: WcsAttitude, width: int, height: int, sigma_px: float, solver: str
) -> Solution:
    """Take a bare WCS as it is; its error is assumed.

    The roll error is that of stars all over the frame whose mean is known to as much as the
    middle is: sigma over the rms distance of pixels from the middle.

    Args:
        found: what it says.
        width: of the frame, pixels.
        height: of the frame, pixels.
        sigma_px: 1-sigma error at the middle of the frame, pixels.
        solver: name for reports.
    """
    arm = math.sqrt((width**2 + height**2) / 12.0)
    tilt = (sigma_px * found.scale) ** 2
    return Solution(
        solver=solver,
        attitude_icrs=found.attitude,
        parity=found.parity,
        scale=found.scale,
        pixels=found.pixels,
        icrs=found.icrs,
        sigma_px=np.full(len(found.pixels), sigma_px),
        covariance=np.diag([tilt, tilt, (sigma_px / arm) ** 2]),
        rms_px=found.rms_px,
        width=width,
        height=height,
        matched=0,
        distortion=Distortion(found.k1),
    )


def check(found: WcsAttitude, hint: SolveHint, stars: StarList, solver: str) -> None:
    """Refuse an answer that contradicts what was known before."""
    if hint.parity is not None and found.parity != hint.parity:
        raise SolutionRejected(solver, say("it is mirrored against the frames solved before"))
    if hint.centre_icrs is not None and hint.radius is not None:
        away = float(separation(found.attitude[:, 2], hint.centre_icrs))
        if away > 1.05 * hint.radius + found.scale * stars.height:
            raise NoMatch(
                *tried(hint, stars),
                detail=say(
                    "the program answered with a place {away:.1f} deg from there", away=away / DEG
                ),
            )


def check_scale(answer: Solution, hint: SolveHint) -> None:
    """Refuse an answer whose scale is not the one known.

    A scale that was only told gives way to matched stars, not to a bare WCS.
    """
    if hint.scale is None or (hint.scale_tolerance > MEASURED_SCALE and not answer.from_grid):
        return
    off = answer.scale / hint.scale - 1.0
    if abs(off) > hint.scale_tolerance + 0.01:
        raise SolutionRejected(
            answer.solver,
            say(
                "its scale of {scale:.3f} arcsec/px is {off:+.1%} off the expected "
                "{expected:.3f}, more than {scale_tolerance:.1%}",
                scale=answer.scale / DEG * 3600.0,
                off=off,
                expected=hint.scale / DEG * 3600.0,
                scale_tolerance=hint.scale_tolerance,
            ),
        )


def tried(hint: SolveHint, stars: StarList) -> tuple[str, tuple[float, float] | None, int]:
    """Hint, field and star count as `NoMatch` wants them."""
    where = say("anywhere in the sky")
    if hint.centre_icrs is not None:
        ra, dec = (float(v) / DEG for v in spherical(hint.centre_icrs))
        where = say("near RA {ra:.3f} h, Dec {dec:+.2f} deg", ra=ra / 15.0, dec=dec)
        if hint.radius is not None:
            where = say(
                "within {radius:.1f} deg of RA {ra:.3f} h, Dec {dec:+.2f} deg",
                radius=hint.radius / DEG,
                ra=ra / 15.0,
                dec=dec,
            )
    field = None
    if hint.scale is not None:
        width, height = (
            2.0 * math.atan(0.5 * hint.scale * n) / DEG for n in (stars.width, stars.height)
        )
        field = (width, height)
    return where, field, len(stars)


def header_with_wcs(path: Path) -> fits.Header | None:
    """Return the first header of a file that holds a celestial WCS; None for anything else."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # foreign files are seldom flawless
            with fits.open(path) as hdus:
                for hdu in hdus:
                    if has_wcs(hdu.header):
                        return hdu.header.copy()
    except (OSError, ValueError, TypeError, fits.VerifyError):
        pass  # not a FITS file, or a broken one
    return _text_header(path)


def _text_header(path: Path) -> fits.Header | None:
    """Read a header left as text, one card a line, as some programs do."""
    try:
        text = path.read_bytes()[:200_000].decode("ascii")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            header = fits.Header.fromstring(text, sep="\n")
            return header if has_wcs(header) else None
    except (OSError, ValueError, fits.VerifyError):
        return None
