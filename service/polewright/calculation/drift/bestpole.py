"""The axis that drifts least on one target through one night, and what it gains.

Refraction bends the star's path, so neither the true nor the refracted pole is best for a given
part of the sky. For each moment of the night the camera is turned about a candidate axis through
one exposure, exactly, and compared with where the target and four points about it then are; the
axis is moved until the mean square is least. Informational: it changes no target.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.drift.errors import DriftSettingsWrong, TargetNotUp
from polewright.calculation.geometry.axis_error import axis_error
from polewright.calculation.geometry.rotation import rotation_about, tangent_basis
from polewright.calculation.sky.frame import ObservedFrame
from polewright.calculation.sky.pole import PoleTarget, pole_enu
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, DEG, SIDEREAL_RATE, Matrix, Vector, unit_vector
from polewright.foundation.language import say

LOWEST = 10.0 * DEG
"""Below this altitude no one photographs and refraction is uncertain."""
_MOMENTS = 25


class Criterion(Enum):
    """What shall be least."""

    DRIFT = "drift"
    """Unguided at sidereal rate: the motion of the target in the frame."""
    DECLINATION = "declination"
    """Only its declination part: right ascension is guided or the rate adjusted."""
    ROTATION = "rotation"
    """Guided on the target: the turn of the field about it."""


@dataclass(frozen=True)
class TargetSpan:
    """What is photographed, when, and how."""

    right_ascension_deg: float
    """ICRS."""
    declination_deg: float
    begin_utc_s: float
    end_utc_s: float
    exposure_s: float = 300.0
    field_radius_deg: float = 0.5
    """From the centre to the stars that shall be round; turns rotation into length."""

    def __post_init__(self) -> None:
        for name, value, low, high in (
            (say("right ascension (deg)"), self.right_ascension_deg, 0.0, 360.0),
            (say("declination (deg)"), self.declination_deg, -90.0, 90.0),
            ("exposure (s)", self.exposure_s, 1.0, 7200.0),
            (say("field radius (deg)"), self.field_radius_deg, 0.01, 20.0),
            ("span (h)", (self.end_utc_s - self.begin_utc_s) / 3600.0, 0.05, 24.0),
        ):
            if not (math.isfinite(value) and low <= value <= high):
                raise DriftSettingsWrong(
                    name, value, say("between {low:g} and {high:g}", low=low, high=high)
                )


@dataclass(frozen=True)
class PoleCost:
    """What aligning on one axis costs on the target, per exposure, rad on the sky."""

    name: str
    d_alt: float
    """Rad above the true pole."""
    d_az_sky: float
    """Rad east of it."""
    rms: float
    worst: float


@dataclass(frozen=True)
class BestPole:
    """The comparison."""

    criterion: Criterion
    true: PoleCost
    refracted: PoleCost
    best: PoleCost
    visible_share: float
    """Part of the span in which the target is high enough; only that counts."""
    visible_from_utc_s: float
    """Begin of the first exposure for which it is high enough, to a 25th of the span."""
    visible_until_utc_s: float
    """End of the last one."""

    @property
    def gain(self) -> float:
        """How much less rms (rad per exposure) the best axis has than the better of the poles."""
        return min(self.true.rms, self.refracted.rms) - self.best.rms


@dataclass(frozen=True, eq=False)
class _Moments:
    """Where the target and four points about it are before and after exposures."""

    before: NDArray[np.float64]
    """(n, 5, 3): exposure, point, components."""
    after: NDArray[np.float64]
    north: NDArray[np.float64]
    """(n, 3) towards the pole and towards growing right ascension at the target, before."""
    east: NDArray[np.float64]
    seconds: float
    southern: bool
    arm: float
    begin_utc_s: tuple[float, ...]
    """When these exposures begin."""


def best_pole(
    site: Site,
    atmosphere: Atmosphere,
    target: TargetSpan,
    criterion: Criterion = Criterion.DRIFT,
) -> BestPole:
    """Find the axis that is best for a target, and compare it with both poles.

    Raises:
        TargetNotUp: the target is too low all through the span.
        DriftSettingsWrong: as `TargetSpan`.
    """
    moments = _moments(site, atmosphere, target)
    true = pole_enu(site, PoleTarget.TRUE, atmosphere)
    refracted = pole_enu(site, PoleTarget.REFRACTED, atmosphere)
    basis = tangent_basis(true)

    def axis(step: Vector) -> NDArray[np.float64]:
        moved = true + basis @ (np.asarray(step) * ARCMIN)
        return np.asarray(moved / np.linalg.norm(moved))

    from scipy.optimize import least_squares  # slow to load

    found = least_squares(
        lambda step: _motions(moments, axis(step), criterion).ravel() / 1e-6,
        np.zeros(2),
        method="lm",
    )
    best = axis(found.x)

    def cost(name: str, direction: Vector) -> PoleCost:
        error = axis_error(direction, np.zeros((3, 3)), site, PoleTarget.TRUE, atmosphere)
        sizes = np.linalg.norm(_motions(moments, direction, criterion), axis=1)
        rms = math.sqrt(float(np.mean(sizes**2)))
        return PoleCost(name, error.d_alt, error.d_az_sky, rms, float(np.max(sizes)))

    return BestPole(
        criterion=criterion,
        true=cost(say("true pole"), true),
        refracted=cost(say("refracted pole"), refracted),
        best=cost(say("best for this target"), best),
        visible_share=len(moments.begin_utc_s) / _MOMENTS,
        visible_from_utc_s=moments.begin_utc_s[0],
        visible_until_utc_s=moments.begin_utc_s[-1] + target.exposure_s,
    )


def _moments(site: Site, atmosphere: Atmosphere, target: TargetSpan) -> _Moments:
    centre = unit_vector(target.right_ascension_deg * DEG, target.declination_deg * DEG)
    side = tangent_basis(centre)
    arm = target.field_radius_deg * DEG
    points = np.stack(
        [centre, *(math.cos(arm) * centre + math.sin(arm) * way for way in (*side.T, *-side.T))]
    )
    before, after, north, east, begins = [], [], [], [], []
    times = np.linspace(target.begin_utc_s, target.end_utc_s - target.exposure_s, _MOMENTS)
    pole = pole_enu(site, PoleTarget.TRUE, atmosphere)
    for begin in np.maximum(times, target.begin_utc_s):
        frames = [
            ObservedFrame.at(site, atmosphere, float(begin) + step)
            for step in (0.0, target.exposure_s)
        ]
        first, last = (frame.observe(points) for frame in frames)
        if min(first[0, 2], last[0, 2]) < math.sin(LOWEST):
            continue
        celestial_north = -pole if site.southern else pole
        across = np.cross(celestial_north, first[0])
        across /= max(1e-12, float(np.linalg.norm(across)))
        begins.append(float(begin))
        before.append(first)
        after.append(last)
        east.append(across)
        north.append(np.cross(first[0], across))
    if not before:
        raise TargetNotUp
    return _Moments(
        before=np.array(before),
        after=np.array(after),
        north=np.array(north),
        east=np.array(east),
        seconds=target.exposure_s,
        southern=site.southern,
        arm=arm,
        begin_utc_s=tuple(begins),
    )


def _motions(moments: _Moments, axis: Vector, criterion: Criterion) -> NDArray[np.float64]:
    """Motion (n, m) in rad over each exposure, in the parts that the criterion counts."""
    way = 1.0 if moments.southern else -1.0
    back: Matrix = rotation_about(axis, -way * SIDEREAL_RATE * moments.seconds)
    # Where the camera sees each point at the end, against where it saw it at the beginning.
    seen = moments.after @ back.T
    moved = seen - moments.before
    centre = moved[:, 0]
    eastward = np.sum(centre * moments.east, axis=1)
    northward = np.sum(centre * moments.north, axis=1)
    if criterion is Criterion.DRIFT:
        return np.stack([eastward, northward], axis=1)
    if criterion is Criterion.DECLINATION:
        return np.asarray(northward[:, None])
    # A guide star in the centre is held by turns about the mount's own axes. The one in right
    # ascension makes up for refraction, too, and turns the field by as much times sin(declination).
    b = moments.before
    along_ra = np.cross(axis, b)
    dec_axis = along_ra[:, :1] / np.linalg.norm(along_ra[:, :1], axis=-1, keepdims=True)
    along_dec = np.cross(dec_axis, b)

    def share(way: Vector) -> NDArray[np.float64]:
        size = np.sum(way[:, 0] * way[:, 0], axis=1)
        return np.asarray((np.sum(centre * way[:, 0], axis=1) / size)[:, None, None])

    left = moved - share(along_ra) * along_ra - share(along_dec) * along_dec
    turns = []
    for k in range(1, b.shape[1]):
        ray = b[:, k] - b[:, 0]
        ray = ray / np.linalg.norm(ray, axis=1, keepdims=True)
        across = np.cross(b[:, 0], ray)
        turns.append(np.sum(left[:, k] * across, axis=1))
    # The arms are quarters of a turn apart: refraction's squeeze cancels in their mean, and what
    # it does on one side of the centre more than on the other.
    return np.asarray(np.mean(turns, axis=0)[:, None])
