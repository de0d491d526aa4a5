"""What the rig's two adjusters are called, what to do to them, and how they behave."""

from __future__ import annotations

import math
from enum import Enum

from pydantic import BaseModel, ConfigDict, Field

#: Extra descent below the pole, arcmin, so that the last move raises the axis
#: (own choice; that the last move should raise is common practice, no source).
APPROACH_MARGIN_ARCMIN = 2.0


class Axis(Enum):
    """Which adjuster."""

    ALTITUDE = "altitude"
    AZIMUTH = "azimuth"


_STRICT = ConfigDict(
    frozen=True, extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True
)


class Adjuster(BaseModel):
    """One adjuster. Angles are arcmin of the base itself (azimuth: turn about the vertical)."""

    model_config = _STRICT

    name: str = Field(min_length=1, max_length=60)
    arcmin_per_turn: float | None = Field(default=None, gt=0.0, lt=3000.0)
    """None: learned from the turns the user tells."""
    backlash_arcmin: float | None = Field(default=None, ge=0.0, lt=600.0)
    """Turning that does nothing after a change of direction. None: learned, if it shows."""
    travel_plus_arcmin: float | None = Field(default=None, ge=0.0)
    """How far it can still go from where it stands: raising, or to the east. None: unknown."""
    travel_minus_arcmin: float | None = Field(default=None, ge=0.0)
    """The same for lowering, or to the west."""
    opposing_pair: bool = False
    """Two screws against each other: one is loosened slightly before the other is tightened."""

    def doing(self, plus: bool) -> str:
        """What to do to the adjuster, in the user's words; ``plus`` raises or moves east."""
        raise NotImplementedError


class AltitudeAdjuster(Adjuster):
    """The adjuster that raises and lowers the axis."""

    name: str = Field(default="altitude adjuster", min_length=1, max_length=60)
    to_raise: str = Field(
        default="turn the altitude adjuster so that the axis rises", max_length=200
    )
    to_lower: str = Field(
        default="turn the altitude adjuster so that the axis sinks", max_length=200
    )

    def doing(self, plus: bool) -> str:
        """What raises (``plus``) or lowers the axis."""
        return self.to_raise if plus else self.to_lower


class AzimuthAdjuster(Adjuster):
    """The adjuster that turns the base about the vertical."""

    name: str = Field(default="azimuth adjuster", min_length=1, max_length=60)
    to_move_east: str = Field(
        default="turn the azimuth adjuster so that the axis swings towards the east",
        max_length=200,
    )
    to_move_west: str = Field(
        default="turn the azimuth adjuster so that the axis swings towards the west",
        max_length=200,
    )

    def doing(self, plus: bool) -> str:
        """What moves the axis east (``plus``) or west."""
        return self.to_move_east if plus else self.to_move_west


class AdjusterProfile(BaseModel):
    """Both adjusters of a rig, as its owner calls them."""

    model_config = _STRICT

    altitude: AltitudeAdjuster = AltitudeAdjuster()
    azimuth: AzimuthAdjuster = AzimuthAdjuster()
    approach_altitude_from_below: bool = True
    """Let the last altitude move raise the axis, against its weight."""
    needs_snugging: bool = True
    """Whether something is tightened after adjusting, which may move the axis."""
    heavy_load: bool = False
    """Much weight on the mount: warn against unlocking it fully."""
    ra_slack_arcmin: float = Field(default=3.0, ge=0.0, lt=120.0)
    """How far the RA axis may turn by itself: backlash, periodic error, imprecise tracking rate.
    Turns beyond it that tracking does not explain are taken for a slip."""

    def adjuster(self, axis: Axis) -> Adjuster:
        """The adjuster of that axis."""
        return self.altitude if axis is Axis.ALTITUDE else self.azimuth

    @property
    def approach_margin_arcmin(self) -> float:
        """How far below the pole to go before raising again."""
        backlash = self.altitude.backlash_arcmin
        return max(APPROACH_MARGIN_ARCMIN, 1.5 * backlash if backlash is not None else 0.0)


def finite_turns(turns: float) -> bool:
    """Whether a told number of turns can be true: finite, not nothing, not beyond 200."""
    return math.isfinite(turns) and 0.0 < abs(turns) <= 200.0
