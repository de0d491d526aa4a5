"""A frame as it came from the camera, and what was measured on it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

import numpy as np
from numpy.typing import NDArray


class SensorKind(Enum):
    """How the sensor sees colour."""

    MONO = "mono"
    BAYER = "bayer"
    """One-shot colour with a 2x2 mosaic."""
    PLANES = "planes"
    """Three full colour planes, shape (H, W, 3)."""


@dataclass(frozen=True)
class Frame:
    """One exposure: row 0 is the top, column 0 the left; pixel centres are whole numbers from 0."""

    pixels: NDArray[np.generic]
    """(H, W) or (H, W, 3); integer or float counts (ADU), may be a read-only view."""
    utc_mid_s: float
    """Middle of the exposure, Unix seconds UTC."""
    exposure_s: float
    sensor: SensorKind = SensorKind.MONO
    bayer_offset: tuple[int, int] = (0, 0)
    """(x, y) of the red pixel's offset in the mosaic, full-resolution pixels."""
    pixel_um: float | None = None
    """Side of a pixel of this frame, binning included, micrometres."""
    binning: int = 1
    saturation_adu: float | None = None
    """Counts at which a pixel is full, if the camera tells."""
    gain_e_per_adu: float | None = None
    meta: dict[str, str] = field(default_factory=dict)

    @property
    def width(self) -> int:
        """Columns."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Rows."""
        return int(self.pixels.shape[0])


@dataclass(frozen=True)
class StarList:
    """Detected stars, brightest first. All arrays have shape (N,); pixels of the full frame."""

    x: NDArray[np.float64]
    """Column of the centroid; the centre of the first pixel is 0."""
    y: NDArray[np.float64]
    """Row of the centroid, downwards."""
    flux: NDArray[np.float64]
    """Background-subtracted counts."""
    peak: NDArray[np.float64]
    sigma_px: NDArray[np.float64]
    """Estimated 1-sigma error of the centroid along one coordinate, pixels."""
    hfd_px: NDArray[np.float64]
    """Half-flux diameter."""
    fwhm_px: NDArray[np.float64]
    elongation: NDArray[np.float64]
    """Long axis over short axis, 1 for a round star."""
    theta: NDArray[np.float64]
    """Direction of the long axis, rad from +x towards +y."""
    saturated: NDArray[np.bool_]
    width: int
    """Frame columns."""
    height: int
    """Frame rows."""
    background_adu: float
    noise_adu: float
    """1-sigma noise of a full-resolution pixel of the background."""
    searched_px: float | None = None
    """Pixels in which stars were looked for; None for the whole frame."""

    @property
    def area_px(self) -> float:
        """Pixels in which stars were looked for: what their number has to be compared with."""
        return float(self.width * self.height) if self.searched_px is None else self.searched_px

    def __len__(self) -> int:
        return int(self.x.size)

    def take(self, keep: NDArray[np.generic] | slice) -> StarList:
        """Return the stars that ``keep`` selects (mask, indices or slice)."""
        per_star = (
            "x",
            "y",
            "flux",
            "peak",
            "sigma_px",
            "hfd_px",
            "fwhm_px",
            "elongation",
            "theta",
            "saturated",
        )
        chosen = {name: getattr(self, name)[keep] for name in per_star}
        return StarList(
            **chosen,
            width=self.width,
            height=self.height,
            background_adu=self.background_adu,
            noise_adu=self.noise_adu,
            searched_px=self.searched_px,
        )


def middle_margins(width: int, height: int, part: float) -> tuple[int, int]:
    """Return how many columns and rows to leave out at each side, for this part of both sides.

    The cut keeps the frame's own middle, and a mosaic stays in step: steps of two.
    """
    left, top = (2 * round(0.25 * side * (1.0 - part)) for side in (width, height))
    return left, top
