"""What spoils a frame: cloud, dew, wind, passing lights, a stuck shutter.

Positions are unbinned pixels of the full sensor, the centre of the first pixel is (0, 0). All
magnitudes of effects are plausible and invented unless a source is named.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from polewright.foundation.errors import ConfigError

Pixel = tuple[float, float]


class Shutter(Enum):
    """How the shutter behaves."""

    WORKS = "works"
    STUCK_CLOSED = "stuck_closed"
    """No light in any frame."""
    STUCK_OPEN = "stuck_open"
    """Light in dark frames too, and smeared along the columns while the sensor is read."""


@dataclass(frozen=True)
class SatelliteTrail:
    """A straight, evenly lit line."""

    start_px: Pixel
    end_px: Pixel
    e_per_px: float = 400.0
    """Electrons per (unbinned) pixel of length, over the width of the trail."""


@dataclass(frozen=True)
class Aircraft:
    """Two steady lights side by side and a flashing one between them, crossing the frame."""

    start_px: Pixel
    end_px: Pixel
    steady_e_per_px: float = 2_000.0
    """Electrons per pixel of length of each steady light."""
    flash_e: float = 3.0e6
    """Electrons of one flash."""
    flashes: int = 5
    span_px: float = 60.0
    """Distance between the two steady lights."""


@dataclass(frozen=True)
class Disturbance:
    """Everything that spoils one frame; the default spoils nothing.

    Raises:
        ConfigError: a value is out of range.
    """

    transmission: float = 1.0
    """Share of starlight that passes the cloud, at the centre of the frame."""
    transmission_slope: tuple[float, float] = (0.0, 0.0)
    """Change of that share from the centre to the right edge and to the lower edge."""
    cloud_glow: float = 1.0
    """Brightness of thick cloud lit from below, added in units of the sky's own glow."""
    extra_blur_px: float = 0.0
    """Additional width (FWHM, unbinned pixels) of every star."""
    dew: float = 0.0
    """0 clear to 1 fogged glass: takes light from the stars, blurs, and lifts the background."""
    moonlight: float = 0.0
    """Light added to the sky, in units of the dark sky at the zenith."""
    sunlight: float = 0.0
    """The same, of twilight and day."""
    wind_px: float = 0.0
    """Root mean square shake along each coordinate, unbinned pixels."""
    lamp_glare: float = 0.0
    """Stray light at ``lamp_px`` in units of the dark sky at the zenith."""
    lamp_px: Pixel = (0.0, 0.0)
    """Where the glare is strongest; may lie outside the frame."""
    lamp_reach: float = 0.3
    """Distance over which it falls to 1/e, as a share of the frame's width."""
    shutter: Shutter = Shutter.WORKS
    satellites: tuple[SatelliteTrail, ...] = ()
    aircraft: tuple[Aircraft, ...] = ()

    def __post_init__(self) -> None:
        for name, low, high in (
            ("transmission", 0.0, 1.0),
            ("cloud_glow", 0.0, 1e4),
            ("extra_blur_px", 0.0, 100.0),
            ("dew", 0.0, 1.0),
            ("moonlight", 0.0, 1e5),
            ("sunlight", 0.0, 1e10),
            ("wind_px", 0.0, 1e3),
            ("lamp_glare", 0.0, 1e6),
            ("lamp_reach", 1e-3, 1e2),
        ):
            value = float(getattr(self, name))
            if not (math.isfinite(value) and low <= value <= high):
                raise ConfigError(
                    f"Disturbance {name} is {value:g}; it must lie between {low:g} and {high:g}."
                )

    @property
    def star_share(self) -> float:
        """Share of starlight left by dew; cloud comes on top. A fogged lens keeps a tenth."""
        return 1.0 - 0.9 * self.dew

    @property
    def blur_px(self) -> float:
        """Additional width (FWHM, unbinned pixels) of every star, dew included."""
        return math.hypot(self.extra_blur_px, 4.0 * self.dew)

    def lit(self, light: bool) -> bool:
        """Whether light reaches the sensor in a frame asked for with ``light``."""
        if self.shutter is Shutter.WORKS:
            return light
        return self.shutter is Shutter.STUCK_OPEN


CLEAR = Disturbance()
"""Nothing spoils the frame."""
