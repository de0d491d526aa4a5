"""What is kept of a night for the next one's presets."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from polewright.calculation.preset.errors import PresetNotUsable
from polewright.foundation.language import say


@dataclass(frozen=True)
class PresetNight:
    """One finished night: what was read off with the adjusters as stated. Angles in degrees."""

    utc_s: float
    latitude_deg: float
    longitude_deg: float
    magnetic_declination_deg: float
    """At that place and time."""
    bearing_deg: float | None = None
    """Compass reading along the bare base, towards the pole, azimuth adjuster centred."""
    base_turn_deg: float = 0.0
    """Turn of the base by the azimuth adjuster away from its centre when the axis was on the pole;
    positive towards the east in both hemispheres. ``bearing_deg`` is that of the CENTRED base."""
    altitude_scale_deg: float | None = None
    """What the altitude scale read with the axis on the pole."""
    rig: str = ""

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("latitude", self.latitude_deg, -90.0, 90.0),
            (say("magnetic declination"), self.magnetic_declination_deg, -180.0, 180.0),
            ("bearing", self.bearing_deg, 0.0, 360.0),
            (say("base turn"), self.base_turn_deg, -30.0, 30.0),
            (say("altitude scale"), self.altitude_scale_deg, -5.0, 95.0),
        ):
            if value is not None and not (math.isfinite(value) and low <= value <= high):
                raise PresetNotUsable(
                    name, value, say("between {low:g} and {high:g}", low=low, high=high)
                )


def of_rig(nights: Iterable[PresetNight], rig: str) -> list[PresetNight]:
    """Nights of one rig; an empty name takes all."""
    return [night for night in nights if not rig or night.rig == rig]
