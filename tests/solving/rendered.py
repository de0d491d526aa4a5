"""Small rendered frames of real catalogue stars with known attitude, for solvers of any kind.

The projection is this folder's own (`synthetic.attitude_of`); star images are Gaussians at the
pixel centres, noise is Poisson's and a read-out's. Brightness and sky are invented.
"""

from __future__ import annotations

import math

import numpy as np
from solving.synthetic import EPOCH, Truth, attitude_of, direction

from polewright.calculation.images.frame import Frame
from polewright.foundation.angles import DEG
from polewright.solving.base import SolveHint
from polewright.solving.catalogue.catalogue import bundled_catalogue

COLUMNS, ROWS = 1560, 1040


def render(
    ra_deg: float,
    dec_deg: float,
    roll_deg: float,
    width_deg: float,
    parity: int,
    *,
    seed: int = 1,
    zero_point: float = 17.5,
    fwhm_px: float = 2.4,
) -> tuple[Frame, Truth]:
    """An exposure of the catalogue's stars; ``zero_point`` is the magnitude of one electron."""
    rng = np.random.default_rng(seed)
    scale = 2.0 * math.tan(0.5 * width_deg * DEG) / COLUMNS
    attitude = attitude_of(ra_deg * DEG, dec_deg * DEG, roll_deg * DEG)
    corner = math.atan(0.55 * scale * math.hypot(COLUMNS, ROWS))
    stars = bundled_catalogue().cone(attitude[:, 2], corner, EPOCH)
    camera = stars.vectors @ attitude
    px = parity * camera[:, 0] / camera[:, 2] / scale + (COLUMNS - 1) / 2
    py = camera[:, 1] / camera[:, 2] / scale + (ROWS - 1) / 2
    flux = 10 ** (0.4 * (zero_point - stars.magnitude.astype(float)))
    light = np.full((ROWS, COLUMNS), 200.0)
    sigma, reach = fwhm_px / 2.3548, 9
    grid = np.arange(-reach, reach + 1)
    inside = (px > reach) & (px < COLUMNS - 1 - reach) & (py > reach) & (py < ROWS - 1 - reach)
    for x, y, f in zip(px[inside], py[inside], flux[inside], strict=True):
        ix, iy = round(x), round(y)
        gx = np.exp(-0.5 * ((grid + ix - x) / sigma) ** 2)
        gy = np.exp(-0.5 * ((grid + iy - y) / sigma) ** 2)
        spot = gy[:, None] * gx
        light[iy - reach : iy + reach + 1, ix - reach : ix + reach + 1] += f * spot / spot.sum()
    counts = rng.poisson(light) + rng.normal(500.0, 4.0, light.shape)
    pixels = np.clip(np.rint(counts), 0, 65535).astype(np.uint16)
    frame = Frame(pixels=pixels, utc_mid_s=1.8e9, exposure_s=2.0, gain_e_per_adu=1.0)
    return frame, Truth(attitude, parity, scale, int(inside.sum()))


def hint_for(truth: Truth, *, off_deg: float = 1.0, radius_deg: float = 5.0) -> SolveHint:
    """A pointing that is ``off_deg`` wrong in declination, and a scale 2 % wrong."""
    z = truth.attitude[:, 2]
    ra, dec = math.atan2(z[1], z[0]), math.asin(z[2])
    shifted = dec + off_deg * DEG * (-1.0 if dec > 0 else 1.0)
    return SolveHint(
        centre_icrs=direction(ra, shifted),
        radius=radius_deg * DEG,
        scale=truth.scale * 1.02,
        epoch_year=EPOCH,
    )


def attitude_errors_px(attitude: np.ndarray, truth: Truth) -> tuple[float, float]:
    """(boresight, roll at the frame's corner) error in pixels."""
    turn = truth.attitude.T @ attitude
    x, y, z = turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]
    corner = 0.5 * math.hypot(COLUMNS, ROWS)
    return 0.5 * math.hypot(x, y) / truth.scale, 0.5 * abs(z) * corner
