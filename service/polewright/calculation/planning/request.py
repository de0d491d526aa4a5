"""What the planner is asked, and what it answers."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.geometry.shared_errors import NOTHING_SHARED, SharedErrors
from polewright.calculation.planning.errors import LimitsInvalid
from polewright.calculation.planning.horizon import Horizon
from polewright.calculation.planning.limits import MountLimits, Rules, SkyLimits
from polewright.calculation.planning.slew_paths import Timing, meridian_side
from polewright.calculation.planning.uncertainty import AttitudeNoise, AxisPrediction
from polewright.calculation.sky.frame import ObservedFrame, hour_angle_dec
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angle_text import angle_text
from polewright.foundation.angles import ARCSEC, DEG, Vector, azalt_from_enu, enu_from_azalt
from polewright.foundation.language import say
from polewright.foundation.usual_limits import POINTING_MARGIN_DEG

StarCounter = Callable[[Vector], NDArray[np.float64]]
"""Catalogue stars in the field around ICRS directions (N, 3): counts (N,)."""

#: A sweep hides an adjuster where it ends so near the circle through east, zenith and west (sine
#: of the distance; own choice: 11.5 degrees): glances of an arcsecond then tell one adjuster to
#: about five.
HIDES_BELOW = 0.2

SideQuery = Callable[[float, float], object | None]
"""Side of the pier the mount would use at (hour angle, declination), rad; None: it cannot say.
Answers are only compared with each other."""


@dataclass(frozen=True)
class Pointing:
    """Where the mount points now, by its own axes, rad."""

    hour_angle: float
    declination: float
    side: int = 0
    """1 where the mount says that it stands as for targets west of the meridian, -1 as for those
    east of it, 0 where it does not say."""


@dataclass(frozen=True)
class PlanRequest:
    """Everything that decides where a sweep fits. Angles in rad unless named otherwise."""

    site: Site
    utc_s: float
    """When the first slew would begin, Unix seconds UTC."""
    noise: AttitudeNoise
    shared: SharedErrors = NOTHING_SHARED
    """What the frames of a sweep have wrong together."""
    horizon: Horizon = field(default_factory=Horizon)
    mount: MountLimits = field(default_factory=MountLimits)
    sky: SkyLimits = field(default_factory=SkyLimits)
    timing: Timing = field(default_factory=Timing)
    atmosphere: Atmosphere | None = None
    """None: the standard one for the site's height."""
    n_points: int = 3
    max_points: int = 6
    """More points than ``n_points`` are tried only where the preferred step does not fit."""
    step: float = 20.0 * DEG
    min_step: float = 4.0 * DEG
    pointing_margin_deg: float = POINTING_MARGIN_DEG
    field_margin_deg: float | None = None
    """None: half the field's short side, at most 3 deg."""
    pointing: Pointing | None = None
    """None: not known; then the first slew cannot be checked and the plan says so."""
    destination_side: SideQuery | None = field(default=None, compare=False)
    stars_in_field: StarCounter | None = field(default=None, compare=False)
    min_stars: int = 12
    """Fields with fewer catalogue stars are not used (only with ``stars_in_field``)."""
    max_plans: int = 5
    stay: bool = False
    """Whether the mount has to stay on the side of the meridian where it stands."""

    def __post_init__(self) -> None:
        if not 3 <= self.n_points <= 50:
            raise LimitsInvalid(say("number of points"), self.n_points, say("between 3 and 50"))
        if not 0.5 * DEG <= self.step <= 90.0 * DEG:
            raise LimitsInvalid(say("step (deg)"), self.step / DEG, say("between 0.5 and 90"))
        if not self.min_step >= 0.5 * DEG:
            raise LimitsInvalid(
                say("smallest step (deg)"), self.min_step / DEG, say("at least 0.5")
            )
        if not math.isfinite(self.utc_s):
            raise LimitsInvalid("time", self.utc_s, say("a number of Unix seconds"))

    @cached_property
    def rules(self) -> Rules:
        """The limits as the predicates take them."""
        if self.field_margin_deg is None:
            field_margin = min(3.0, 0.5 * min(self.noise.field) / DEG)
        else:
            field_margin = self.field_margin_deg
        return Rules(
            site=self.site,
            horizon=self.horizon,
            mount=self.mount,
            sky=self.sky,
            pointing_margin_deg=self.pointing_margin_deg,
            field_margin_deg=field_margin,
        )

    @property
    def standing(self) -> int:
        """1 while the mount stands west of the meridian, -1 east of it, 0 where nobody knows."""
        if self.pointing is None:
            return 0
        return meridian_side(self.pointing.hour_angle) or self.pointing.side

    @property
    def open_rules(self) -> Rules:
        """The same without skyline and windows."""
        flat = Horizon(altitude_deg=(-90.0,), clearance_deg=0.0)
        return replace(self.rules, horizon=flat)

    def frame(self, utc_s: float) -> ObservedFrame:
        """The sky over the site."""
        air = self.atmosphere or Atmosphere.standard(self.site.elevation_m)
        return ObservedFrame.at(self.site, air, utc_s)


@dataclass(frozen=True)
class SweepWish:
    """A sweep a person asks for, by the mount's angles (rad)."""

    hour_angle: float
    declination: float
    step: float = 20.0 * DEG
    """Always positive; see ``direction``."""
    n_points: int = 3
    direction: int | None = None
    """+1 westward, -1 eastward, None: away from the meridian, else the other way."""

    def __post_init__(self) -> None:
        if not 0.0 < self.step < math.pi:
            raise LimitsInvalid(say("step (deg)"), self.step / DEG, say("above 0 and under 180"))
        if self.n_points < 3:
            raise LimitsInvalid(say("number of points"), self.n_points, say("at least 3"))

    @classmethod
    def from_azalt(
        cls,
        site: Site,
        azimuth: float,
        altitude: float,
        step: float = 20.0 * DEG,
        n_points: int = 3,
        direction: int | None = None,
    ) -> SweepWish:
        """A sweep that begins at an azimuth and altitude (rad)."""
        ha, dec = hour_angle_dec(site, enu_from_azalt(azimuth, altitude))
        return cls(float(ha), float(dec), step, n_points, direction)


@dataclass(frozen=True, eq=False)
class PlanPoint:
    """One pointing of a sweep. Targets are fixed in hour angle, whatever the delays."""

    hour_angle: float
    declination: float
    enu: Vector
    """(3,) where the tube points on arrival, for an axis at the pole."""
    arrive_utc_s: float
    """Expected."""
    leave_utc_s: float
    right_ascension: float
    """Of date, rad, for the expected arrival; a run computes it anew from its own clock as
    sidereal time minus ``hour_angle``, always with the same declination."""
    sigma_boresight: float
    sigma_roll: float
    stars: float | None
    """Catalogue stars in the field, where known."""

    @property
    def azimuth(self) -> float:
        """Rad from north through east."""
        return float(azalt_from_enu(self.enu)[0])

    @property
    def altitude(self) -> float:
        """Rad."""
        return float(azalt_from_enu(self.enu)[1])


@dataclass(frozen=True, eq=False)
class SweepPlan:
    """A sweep that breaks no limit, and what it will tell."""

    points: tuple[PlanPoint, ...]
    step: float
    """Rad, positive."""
    direction: int
    """+1 westward (with the stars), -1 eastward."""
    prediction: AxisPrediction
    best_open_sigma: float
    """What the best sweep of the preferred step would give without any obstacle, rad."""
    duration_s: float
    """From the start of the first slew to the last solve, expected."""
    start_utc_s: float
    clearance: float
    """Least angle (rad) left beyond the clearance asked for, over the whole sweep."""
    sun_separation: float
    """Least angle to the Sun, rad, whether it is up or not."""
    sun_counts: bool
    moon_separation: float
    moon_fraction: float
    moon_up: bool
    moon_weight: float
    """0 no moonlight to 1 on the full Moon; see `limits.moon_weight`."""
    adjusting_time_s: float
    """How long the mount can stay tracking at the last point before it breaks a limit."""
    warnings: tuple[str, ...] = ()
    crosses_meridian: bool = False
    """Whether the mount crosses the meridian on the way to the first point, or in the sweep."""
    begins_here: bool = False
    """Whether the mount stands at the first point already: no slew leads there."""

    @property
    def declination(self) -> float:
        """Rad, the same at every point."""
        return self.points[0].declination

    @property
    def side(self) -> str:
        """'east' or 'west' of the meridian."""
        return "west" if math.sin(self.points[0].hour_angle) > 0.0 else "east"

    @property
    def hides_adjuster(self) -> bool:
        """Whether a few stars where it ends tell the two adjusters apart poorly.

        One turns the base about the vertical, the other about a horizontal that lies east and
        west. The area between the two motions of a star at b is the component of b to the north
        (own derivation): it is nothing on the circle through east, zenith and west, where they
        are one line, or one of them is none.
        """
        return bool(abs(float(self.points[-1].enu[1])) < HIDES_BELOW)

    @property
    def way(self) -> str:
        """Where it goes from point to point, in a word."""
        return say("westward") if self.direction > 0 else say("eastward")

    @property
    def sigma(self) -> float:
        """Predicted rms error of the axis, rad."""
        return self.prediction.sigma

    @property
    def moonlit_sigma(self) -> float:
        """That, made worse by moonlight, rad: what sweeps are compared by."""
        return self.sigma * (1.0 + self.moon_weight)

    @property
    def cost(self) -> float:
        """How much worse (rad) than the best unobstructed sweep."""
        return self.sigma - self.best_open_sigma

    @property
    def end_utc_s(self) -> float:
        """Expected end of the last solve."""
        return self.points[-1].leave_utc_s

    @property
    def cost_sentence(self) -> str:
        """The cost in words."""
        if self.cost < 0.05 * ARCSEC:
            return say("as good as the best of an open sky")
        return say(
            "{sigma}, {cost} more than the best of an open sky, which has {best_open_sigma}",
            sigma=angle_text(self.sigma),
            cost=angle_text(self.cost),
            best_open_sigma=angle_text(self.best_open_sigma),
        )
