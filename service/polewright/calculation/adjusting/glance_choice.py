"""Which part of the frame a glance shows, how finely and how long: chosen by the last full frame.

Of many subframes, about the brightest stars and between them, square and long, small and large,
each with some exposures, the one is taken that shows the axis best among those that the eye takes
for at once. A glance that takes longer has to be better for it: twice the time, an eighth of the
variance. An error that no hand notices is added to the variance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.adjusting.base_turn import Picture, hinge, sensitivity, third_prior
from polewright.calculation.images.frame import Frame, StarList
from polewright.foundation.angles import ARCSEC, Matrix, Vector

Doubles = NDArray[np.float64]

#: Corners and sides are multiples of so many pixels: some drivers round them without a word
#: (common practice, no source).
STEP_PX = 16
#: What is tried: pixels of the subframe, long side over short one, exposures in s.
AREAS_PX = (0.06e6, 0.15e6, 0.35e6, 0.8e6, 1.8e6, 4.0e6)
ASPECTS = (1.0, 4.0, 0.25)
EXPOSURES_S = (0.03, 0.05, 0.08, 0.12, 0.2, 0.35)
#: Stars looked at, brightest first, and how many of them a subframe may have its middle at.
MOST_STARS, MIDDLES = 90, 36
#: Stars that a glance has to show, so bright: sigmas of the whole star over the background; and so
#: many more had better be there, as a faint one is not seen in every glance: each that is missing
#: makes it worth so much less (own choices).
LEAST_STARS, LEAST_SIGMAS, SPARE_STARS, NOT_SPARE = 4, 9.0, 2, 3.0
#: Error that no hand notices, and time that the eye takes for at once, s (own choices).
UNNOTICED, AT_ONCE_S = 3.0 * ARCSEC, 0.16
#: A side is at least so long: a hand turns by some dozen pixels from one glance to the next.
LEAST_SIDE_PX = 256
#: Stars nearer to the rim are not counted on: they may leave.
RIM_PX, RIM_SHARE = 16.0, 0.1
#: Pixels are joined where stars stay so wide (FWHM, joined pixels).
LEAST_FWHM_PX = 1.2
#: The air moves single stars in a second by so much, more in less time, down to `STILL_AIR_S`;
#: and the whole picture by so much, with wind (0.3 arcsec: Lindegren 1980, from memory; the other
#: one own choice).
STAR_AIR, STILL_AIR_S, FLOOR = 0.3 * ARCSEC, 0.1, 1.0 * ARCSEC
#: Counts at which a star is too bright for a glance, over those of a full pixel.
FULL_SHARE = 0.8


@dataclass(frozen=True)
class Pace:
    """How long a camera takes beside the exposure, until a glance is read."""

    fixed_s: float
    per_pixel_s: float
    """For each that comes over."""


@dataclass(frozen=True)
class Ability:
    """What the camera can do."""

    exposure_min_s: float
    max_binning: int
    """On top of the binning of the frames."""


@dataclass(frozen=True, eq=False)
class Glance:
    """A glance to be taken. Pixels of the full frame, before ``binning`` on top of it."""

    left: int
    top: int
    width: int
    height: int
    binning: int
    exposure_s: float
    sigma: float
    """What the larger part of the axis' motion is expected to be uncertain by, rad."""
    expected_s: float
    """How long it is expected to take."""

    @property
    def pixels(self) -> int:
        """How many come over."""
        return self.width * self.height // self.binning**2

    def moved_to(self, middle: Doubles, picture: Picture) -> Glance:
        """Return the same around another middle (2,), as far as the frame allows."""
        left, top = (
            _corner(float(at), side, whole, STEP_PX * self.binning)
            for at, side, whole in zip(
                middle, (self.width, self.height), (picture.width, picture.height), strict=True
            )
        )
        return replace(self, left=left, top=top)

    @property
    def middle(self) -> Doubles:
        """(2,) pixels of the full frame."""
        return np.array([self.left + 0.5 * (self.width - 1), self.top + 0.5 * (self.height - 1)])

    def to_frame(self, x: Doubles, y: Doubles) -> Doubles:
        """Return places (N, 2) of the full frame that belong to places of the glance."""
        half = 0.5 * (self.binning - 1)
        return np.column_stack(
            [x * self.binning + half + self.left, y * self.binning + half + self.top]
        )

    def holds(self, places: Doubles, rim_px: float = 0.0) -> NDArray[np.bool_]:
        """Mark the places (N, 2) that lie in it, so far from its rim."""
        low = np.array([self.left, self.top]) + rim_px
        high = np.array([self.left + self.width, self.top + self.height]) - 1 - rim_px
        return np.asarray(np.all((places >= low) & (places <= high), axis=1))


COUNTING_NOISE = 1.0 / math.sqrt(12.0)
"""1 sigma of rounding to whole counts: all the noise that coarse counts show."""


@dataclass(frozen=True, eq=False)
class Bright:
    """The brightest stars of a full frame as a glance will see them."""

    flux_per_s: Doubles
    """(N,) counts a second, brightest first."""
    peak_per_s: Doubles
    fwhm_px: float
    noise_adu: float
    """Of a pixel of the full frame: at least that of a glance's."""
    gain_e_per_adu: float
    room_adu: float
    """Counts from the background to a full pixel; infinite where unknown."""

    @classmethod
    def of(cls, frame: Frame, stars: StarList) -> Bright:
        """Take them over from a frame and its stars."""
        sure = ~stars.saturated
        full = frame.saturation_adu
        return cls(
            flux_per_s=stars.flux / frame.exposure_s,
            peak_per_s=stars.peak / frame.exposure_s,
            fwhm_px=float(np.median(stars.fwhm_px[sure if sure.any() else slice(None)])),
            noise_adu=max(stars.noise_adu, COUNTING_NOISE),
            gain_e_per_adu=frame.gain_e_per_adu or 1.0,
            room_adu=math.inf if full is None else full - stars.background_adu,
        )

    def sigma_px(self, exposure_s: float, binning: int = 1) -> Doubles:
        """Return the centroid errors (N,) along one coordinate, pixels of the full frame.

        Infinite for those too faint or too bright. From the photons s / sqrt(electrons), from the
        background sqrt(8 pi) s^2 noise / flux, for a Gaussian of width s (own derivation: the
        least variance of a fit of its place). Joined pixels widen it by their own size.
        """
        s = math.hypot(self.fwhm_px / 2.3548, math.sqrt((binning**2 - 1) / 12.0))
        flux = self.flux_per_s * exposure_s
        photons = s**2 / np.maximum(flux * self.gain_e_per_adu, 1e-9)
        behind = 8.0 * math.pi * s**4 * (self.noise_adu / np.maximum(flux, 1e-9)) ** 2
        seen = flux > LEAST_SIGMAS * self.noise_adu * 2.0 * math.sqrt(math.pi) * s
        seen &= self.peak_per_s * exposure_s < FULL_SHARE * self.room_adu
        return np.where(seen, np.sqrt(photons + behind), math.inf)


def star_air(exposure_s: float) -> float:
    """Return how far the air moves a single star in such an exposure (rad, one coordinate)."""
    return STAR_AIR / math.sqrt(max(exposure_s, STILL_AIR_S))


def choose_glance(
    bright: Bright,
    places: Doubles,
    directions: Vector,
    camera: Matrix,
    axis: Vector,
    picture: Picture,
    pace: Pace,
    ability: Ability,
) -> Glance | None:
    """Return the glance that tells soonest where the axis is; None when too few stars are bright.

    Args:
        bright: the stars.
        places: (N, 2) where they are in the frame now, pixels.
        directions: (N, 3) the same, observed.
        camera: (3, 3) the camera's attitude now, observed frame.
        axis: (3,) the mount's axis now, observed frame.
        picture: the camera.
        pace: how long it takes.
        ability: what it can do.
    """
    inside = np.all((places >= RIM_PX) & (places < [picture.width, picture.height]), axis=1)
    near = np.flatnonzero(inside)[:MOST_STARS]
    if near.size < LEAST_STARS:
        return None
    places, directions = places[near], directions[near]
    axes = np.stack([np.array([0.0, 0.0, 1.0]), hinge(axis), axis])
    moves = sensitivity(camera, axes, directions, picture)
    rows = np.concatenate([moves, np.broadcast_to(np.eye(2), (near.size, 2, 2))], axis=2)
    squares = np.einsum("nij,nik->njk", rows, rows)
    still = (FLOOR / picture.scale) ** -2
    held = np.diag([0.0, 0.0, third_prior(1.0, 0.0, axis) ** -2, still, still])
    cosine = math.hypot(float(axis[0]), float(axis[1]))
    best: Glance | None = None
    least = math.inf
    for binning in range(1, ability.max_binning + 1):
        if binning > 1 and bright.fwhm_px < LEAST_FWHM_PX * binning:
            break
        windows = _windows(places, picture, binning)
        low, sides = windows[:, None, :2], windows[:, None, 2:]
        rim = np.maximum(RIM_PX, RIM_SHARE * sides)
        shown = np.all((places >= low + rim) & (places < low + sides - rim), axis=2)
        for exposure_s in sorted({max(t, ability.exposure_min_s) for t in EXPOSURES_S}):
            sigma = bright.sigma_px(exposure_s, binning)[near]
            seen = np.isfinite(sigma)
            stars = shown @ seen.astype(float)
            enough = stars >= LEAST_STARS
            if not enough.any():
                continue
            weight = np.zeros(near.size)
            weight[seen] = 1.0 / (sigma[seen] ** 2 + (star_air(exposure_s) / picture.scale) ** 2)
            chosen = windows[enough]
            normal = np.tensordot(shown[enough] * weight, squares, axes=(1, 0)) + held
            spread = _spread(normal, cosine)
            pixels = chosen[:, 2] * chosen[:, 3] / binning**2
            took_s = exposure_s + pace.fixed_s + pace.per_pixel_s * pixels
            late = np.maximum(1.0, took_s / AT_ONCE_S) ** 3
            cost = (spread**2 + UNNOTICED**2) * late + 1e-9 * took_s * UNNOTICED**2
            cost *= NOT_SPARE ** np.maximum(0.0, LEAST_STARS + SPARE_STARS - stars[enough])
            k = int(np.argmin(cost))
            if cost[k] < least:
                least = float(cost[k])
                left, top, width, height = (int(v) for v in chosen[k])
                best = Glance(
                    left,
                    top,
                    width,
                    height,
                    binning,
                    exposure_s,
                    float(spread[k]),
                    float(took_s[k]),
                )
    return best


def _windows(places: Doubles, picture: Picture, binning: int) -> NDArray[np.float64]:
    """Left, top, width, height (M, 4) of the subframes that are tried."""
    middles = places[:MIDDLES]
    between = 0.5 * (middles[:12, None] + middles[None, :12]).reshape(-1, 2)
    middles = np.concatenate([middles, between])
    step = STEP_PX * binning
    found = []
    for area in AREAS_PX:
        for aspect in ASPECTS:
            width = _side(math.sqrt(area * aspect), picture.width, step)
            height = _side(math.sqrt(area / aspect), picture.height, step)
            found += [
                (
                    _corner(x, width, picture.width, step),
                    _corner(y, height, picture.height, step),
                    width,
                    height,
                )
                for x, y in middles
            ]
    return np.array(sorted(set(found)), dtype=np.float64)


def _side(length: float, whole: int, step: int) -> int:
    return min(step * max(1, round(max(length, LEAST_SIDE_PX) / step)), step * (whole // step))


def _corner(middle: float, side: int, whole: int, step: int) -> int:
    most = step * ((whole - side) // step)
    return min(max(step * round((middle - 0.5 * side) / step), 0), most)


def _spread(normal: Doubles, cosine: float) -> Doubles:
    """Larger 1-sigma (M,) of the axis on the sky, rad, from normal equations (M, 5, 5)."""
    size = 1.0 / np.sqrt(np.einsum("mii->mi", normal))
    inverse = np.linalg.inv(normal * size[:, :, None] * size[:, None, :])
    covariance = (inverse * size[:, :, None] * size[:, None, :])[:, :2, :2]
    covariance = covariance * np.outer([cosine, 1.0], [cosine, 1.0])
    return np.asarray(np.sqrt(np.maximum(np.linalg.eigvalsh(covariance)[:, -1], 0.0)))
